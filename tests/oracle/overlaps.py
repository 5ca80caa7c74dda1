"""Rule 12: two downloads of one probe whose stamps interleave where they overlap.

readings: values agree where they are equal; which of the two clocks is kept is open, here the first download's.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import numpy as np

from tests.oracle.model import TICK_S, Choices, File, Logger, Probe, Scenario
from tests.oracle.readings import Series, series

AGREE = 0.95


@dataclass(frozen=True)
class Meeting:
    """Two downloads over the same hours at other instants; ``shift_s`` None: at odds."""

    first: str
    second: str
    begin: float
    end: float
    shift_s: float | None


def _in(s: Series, begin: float, end: float) -> tuple[np.ndarray, np.ndarray]:
    inside = (s.t >= begin - TICK_S) & (s.t <= end + TICK_S)
    return s.t[inside], s.as_read[inside]


def shares(first: tuple[np.ndarray, np.ndarray], second: tuple[np.ndarray, np.ndarray], shift_s: float) -> float:
    """Share of the second's readings that meet an equal one of the first when moved by ``shift_s``."""
    at = {round(float(time)): float(value) for time, value in zip(*first, strict=True)}
    moved = [(round(float(time) + shift_s), float(value)) for time, value in zip(*second, strict=True)]
    met = [at[time] == value for time, value in moved if time in at]
    return sum(met) / len(moved) if moved else 0.0


def best_shift(
    first: tuple[np.ndarray, np.ndarray], second: tuple[np.ndarray, np.ndarray], interval_s: float
) -> float | None:
    """A shift under half an interval that makes 95 % of the values agree; the nearest one."""
    differences = {round(float(a - b)) for a in first[0] for b in second[0] if abs(a - b) < interval_s / 2}
    good = [shift for shift in differences if shares(first, second, shift) >= AGREE]
    return float(min(good, key=abs)) if good else None


def meetings(scenario: Scenario, probe: Probe) -> list[Meeting]:
    """Pairs of the probe's downloads that interleave."""
    found, files = [], scenario.logger_of(probe).files
    alone = [(file, series(scenario, probe, Choices(), only=file.name)) for file in files]
    for (one, a), (two, b) in zip(alone, alone[1:], strict=False):
        begin, end = max(a.t[0], b.t[0]), min(a.t[-1], b.t[-1])
        mine, other = _in(a, begin - a.edges_s[0], end + a.edges_s[0]), _in(b, begin, end)
        if end <= begin or len(np.intersect1d(np.round(mine[0]), np.round(other[0]))):
            continue
        found.append(Meeting(one.name, two.name, float(begin), float(end), best_shift(mine, other, a.edges_s[0])))
    return found


def _moved(file: File, shift_s: float) -> File:
    step = dt.timedelta(seconds=shift_s)
    lines = tuple(replace(line, wall=line.wall and line.wall + step) for line in file.lines)
    return replace(file, lines=lines)


def together(scenario: Scenario, meeting: Meeting) -> Scenario:
    """The unit with the second download on the first's clock."""

    def moved(logger: Logger) -> Logger:
        files = tuple(_moved(file, meeting.shift_s) if file.name == meeting.second else file for file in logger.files)
        return replace(logger, files=files)

    return replace(scenario, loggers=tuple(moved(logger) for logger in scenario.loggers))
