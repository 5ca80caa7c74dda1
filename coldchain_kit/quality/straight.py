"""Stretches drawn with a ruler: readings that lie on one straight, sloping line for hours, which a probe in moving air
does not do."""

from __future__ import annotations

from typing import TypedDict

import numpy as np
import pandas as pd

from coldchain_kit.model import GOOD, NOT_EVALUATED, SUSPECT
from coldchain_kit.quality.series import Course, course, resolution_c, runs, table
from coldchain_kit.quality.stillness import odd_runs

# A stretch is odd from this many minutes and this many times the longest shorter straight stretch of the record on,
# with at least so many
# readings and so many steps of the resolution between its ends (else it stands still). Own rule, no source; measured
# on sound
# simulated records (tests/benchmarks/bench_stillness.py).
FLOOR_MIN, TIMES, LEAST_READINGS, LEAST_STEPS = 180.0, 3.0, 18, 4.0
# Windows in which straight stretches are looked for, at least so many readings long: the shortest in which they are
# not usual, which is where
# at most a fifth of them is straight. Own rule, no source.
WINDOWS_MIN, WINDOW_READINGS, MOST_STRAIGHT = (60.0, 120.0, 240.0), 6, 0.2
MOST_ODD = 50  # stretches: more, and lines are how this record was made (own rule, no source)
ROUNDING = 1e-6  # of a step



class Drawn(TypedDict):
    """A stretch on one line: first and last reading among those with a value, its length and the longest usual one
    [min], how far it climbs [°C]."""

    first: int
    last: int
    minutes: float
    usual_min: float
    rise_c: float


def straight_line(series: pd.Series, *, step_c: float | None = None) -> pd.DataFrame:
    """Readings on one straight line for longer than this record ever shows: 3; 2 where straight stretches are usual or
    the record is too short.

    A stretch counts where one line passes within half a step of the resolution of every reading and climbs or falls by
    four steps or more, for
    three hours and three times the longest shorter stretch of the kind. Judged: minutes of the stretch, 0 outside of
    one.

    Parameters
    ----------
    series : Series of °C on a UTC index
    step_c : float, optional
        Resolution [°C]; that of the record where not given.

    Cannot see
    ----------
    Lines of less than three hours or 18 readings; curves; a line with noise added to it.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=600, freq="5min", tz="UTC")
    >>> moving = np.round(5 + np.sin(np.arange(600) / 4.0), 1)
    >>> drawn = moving.copy()
    >>> drawn[300:360] = np.round(np.linspace(-1, 0.8, 60), 1)
    >>> [int((straight_line(pd.Series(values, index=times))["flag"] == 3).sum()) for values in (moving, drawn)]
    [0, 60]
    """
    line = course(series)
    codes, found = straight_codes(line, step_c=step_c or resolution_c(line.value))
    judged = np.zeros(len(line.value))
    for row in found:
        judged[row["first"] : row["last"] + 1] = row["minutes"]
    return table(line, series.index, codes, judged)


def straight_codes(line: Course, *, step_c: float | None) -> tuple[np.ndarray, list[Drawn]]:
    """Codes of :func:`straight_line`, and one finding {first, last, minutes, usual_min, rise_c} for each odd
    stretch."""
    codes = np.full(len(line.value), NOT_EVALUATED, dtype=np.int8)
    if not step_c:
        return codes, []
    tried = (_windows(line, step_c, window_min) for window_min in WINDOWS_MIN)
    spans = next((spans for spans in tried if spans is not None), None)
    if spans is None:
        return codes, []
    unions = [(first, last) for first, last in spans if line.minute[last] - line.minute[first] >= FLOOR_MIN]
    whole = [piece for first, last in unions for piece in _pieces(line, first, last, step_c)]
    pieces = np.array(whole or np.zeros((0, 2)), dtype=np.int64)
    minutes = line.minute[pieces[:, 1]] - line.minute[pieces[:, 0]]
    short = max(
        (line.minute[last] - line.minute[first] for first, last in spans if (first, last) not in set(unions)),
        default=0.0,
    )
    enough = pieces[:, 1] - pieces[:, 0] + 1 >= LEAST_READINGS
    odd = odd_runs(np.append(minutes, short), floor_min=FLOOR_MIN, times=TIMES, among=np.append(enough, False))[:-1]
    if int(odd.sum()) > MOST_ODD:
        return codes, []
    codes[:] = GOOD
    usual = float(max(minutes[~odd].max(initial=0.0), short))
    found: list[Drawn] = []
    for first, last in (_widened(line, first, last, step_c) for first, last in pieces[odd].tolist()):
        codes[first : last + 1] = SUSPECT
        minutes, rise = float(line.minute[last] - line.minute[first]), float(line.value[last] - line.value[first])
        found.append({"first": first, "last": last, "minutes": minutes, "usual_min": usual, "rise_c": rise})
    return codes, found


def _windows(line: Course, step_c: float, window_min: float) -> list[tuple[int, int]] | None:
    """Stretches of overlapping windows each of which may be a straight sloping line; None where that is usual or
    nothing can be said."""
    usual_min = float(np.median(line.step_min)) if len(line.step_min) else np.nan
    each = max(WINDOW_READINGS, round(window_min / usual_min)) if usual_min > 0 else 0
    half = each // 2
    starts = np.arange(0, len(line.value) - each, half) if half else np.zeros(0, np.int64)
    if len(starts) < 24:
        return None
    likely = _chord(line, starts, each, step_c, np.unique(np.linspace(1, each - 1, 5).round().astype(int)))
    at = starts[likely]
    at = at[_chord(line, at, each, step_c, np.arange(1, each))] if len(at) else at
    jumps = np.concatenate(([0], np.cumsum(line.gap)))
    at = at[jumps[at + each] == jumps[at]]
    if len(at) > MOST_STRAIGHT * len(starts):
        return None
    marked = np.zeros(len(starts), dtype=bool)
    marked[at // half] = True
    return [(int(starts[a]), int(starts[b]) + each) for a, b in runs(marked)]


def _chord(line: Course, starts: np.ndarray, each: int, step_c: float, inner: np.ndarray) -> np.ndarray:
    """Windows whose inner readings lie within one step of the line from the first to the last reading, which climbs:
    necessary for a rounded line."""
    first, last = line.value[starts], line.value[starts + each]
    slope = (last - first) / np.maximum(line.minute[starts + each] - line.minute[starts], 1e-9)
    good = np.abs(last - first) > 0.5 * step_c
    for k in inner.tolist():
        away = line.value[starts + k] - first - slope * (line.minute[starts + k] - line.minute[starts])
        good &= np.abs(away) <= step_c * (1 + ROUNDING)
    return good


def _pieces(line: Course, first: int, last: int, step_c: float) -> list[tuple[int, int]]:
    """The straight sloping pieces of a stretch, each as long as it can be from its beginning on."""
    found = []
    while last - first >= WINDOW_READINGS:
        low, high = first + 1, last
        while low < high:
            middle = (low + high + 1) // 2
            low, high = (middle, high) if _is_straight(line, first, middle, step_c) else (low, middle - 1)
        if abs(line.value[low] - line.value[first]) >= (LEAST_STEPS - 0.5) * step_c:
            found.append((first, low))
        first = low if low > first + 1 else first + 1
    return found


def _widened(line: Course, first: int, last: int, step_c: float) -> tuple[int, int]:
    """The stretch with the neighbours on either side that lie on its line too: windows begin and end beside it."""
    while last + 1 < len(line.value) and not line.gap[last] and _is_straight(line, first, last + 1, step_c):
        last += 1
    while first > 0 and not line.gap[first - 1] and _is_straight(line, first - 1, last, step_c):
        first -= 1
    return first, last


def _is_straight(line: Course, first: int, last: int, step_c: float) -> bool:
    """Whether one line passes within half a step of all readings: the least width over all slopes, which has one
    minimum."""
    time = line.minute[first : last + 1] - line.minute[first]
    value = line.value[first : last + 1] - line.value[first]
    middle, around = value[-1] / time[-1], 2 * step_c / time[-1]
    low, high = middle - around, middle + around
    for _ in range(40):
        a, b = low + (high - low) / 3, high - (high - low) / 3
        widths = [float(np.ptp(value - slope * time)) for slope in (a, b)]
        if min(widths) <= step_c * (1 + ROUNDING):
            return True
        low, high = (low, b) if widths[0] < widths[1] else (a, high)
    return False
