"""Units that left their range together: a cause that they share, and no unit's own, is worth looking for (CONTRACTS rule 11)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypedDict

import pandas as pd

from coldchain_kit.model import Basis, Direction, TogetherRow


class Out(TypedDict):
    """What of a row of ``excursions[]`` is looked at."""

    id: str
    unit: str
    direction: Direction
    basis: Basis
    start: pd.Timestamp
    end: pd.Timestamp


SIDES: tuple[Direction, Direction] = ("above", "below")


def together(excursions: Sequence[Out], *, regular: Sequence[str] = ()) -> list[TogetherRow[pd.Timestamp]]:
    """Excursions of several units in one direction that overlap in time.

    Parameters
    ----------
    excursions : rows with id, unit, direction, basis, start, end (UTC) of all units looked at
        Those by a display are left out: their time is not known.
    regular : sequence of str
        Ids that belong to regular runs such as a defrost; they would meet anything.

    Returns
    -------
    list of dict: direction, units[], excursions[] (ids), start (the first to leave), end (the last to return), in order of start.

    Examples
    --------
    >>> row = {"direction": "above", "basis": "both"}
    >>> found = together([{**row, "id": "F2-E1", "unit": "F2", "start": 0, "end": 9}, {**row, "id": "F3-E1", "unit": "F3", "start": 5, "end": 7}, {**row, "id": "F3-E2", "unit": "F3", "start": 12, "end": 13}])
    >>> [(one["units"], one["excursions"], one["start"], one["end"]) for one in found]
    [(['F2', 'F3'], ['F2-E1', 'F3-E1'], 0, 9)]
    """
    found: list[TogetherRow[pd.Timestamp]] = []
    for direction in SIDES:
        rows = [row for row in excursions if row["direction"] == direction and row.get("basis") != "display" and row["id"] not in regular]
        groups: list[list[Out]] = []
        for row in sorted(rows, key=lambda row: (row["start"], row["end"], row["id"])):
            if groups and row["start"] <= max(other["end"] for other in groups[-1]):
                groups[-1].append(row)
            else:
                groups.append([row])
        found += [_row(direction, group) for group in groups if len({row["unit"] for row in group}) > 1]
    return sorted(found, key=lambda one: (one["start"], one["direction"]))


def _row(direction: Direction, group: list[Out]) -> TogetherRow[pd.Timestamp]:
    units, ids = list(dict.fromkeys(row["unit"] for row in group)), list(dict.fromkeys(row["id"] for row in group))
    return {"direction": direction, "units": units, "excursions": ids, "start": min(row["start"] for row in group), "end": max(row["end"] for row in group)}
