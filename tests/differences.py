"""A list of discrepancies, each with its place."""

from __future__ import annotations

import datetime as dt
from typing import Any

SECOND = 0.02  # times of a drifting clock are rounded differently on either side


def at(text: str | None) -> float | None:
    return None if text is None else dt.datetime.fromisoformat(text).timestamp()


class Differences(list):
    """Every discrepancy of one site."""

    def number(self, where: str, mine: float | None, theirs: float | None, tolerance: float = 1e-5) -> None:
        if mine is None or theirs is None:
            if mine is not theirs:
                self.append(f"{where}: oracle {mine}, kit {theirs}")
        elif abs(mine - theirs) > tolerance:
            self.append(f"{where}: oracle {mine}, kit {theirs}")

    def between(self, where: str, least: float, theirs: float | None, most: float) -> None:
        if theirs is None or not least <= theirs <= most:
            self.append(f"{where}: oracle {least} to {most}, kit {theirs}")

    def at_most(self, where: str, mine: float, theirs: float) -> None:
        if theirs < mine - 1e-3:
            self.append(f"{where}: oracle {mine}, kit less: {theirs}")

    def at_least(self, where: str, mine: float, theirs: float) -> None:
        if theirs > mine + 1e-3:
            self.append(f"{where}: oracle {mine}, kit more: {theirs}")

    def same(self, where: str, mine: Any, theirs: Any) -> None:
        if mine != theirs:
            self.append(f"{where}: oracle {mine}, kit {theirs}")
