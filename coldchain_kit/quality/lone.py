"""Readings that stand alone, and stretches that jump away and back: judged against the record's own noise.

What heats or cools a probe leaves a tail: a defrost, a door, a load come back over several readings. A reading that
leaves its
neighbours and is back without a tail, far beyond what this record ever does, is marked suspect. It is never called
impossible here:
only physics says that (``steps``).
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from coldchain_kit.model import GOOD, NOT_EVALUATED, SUSPECT
from coldchain_kit.quality.series import Course, course, covered, table
from coldchain_kit.quality.stillness import odd_runs

# Neighbours on either side, readings that may stand alone together (fewer than half of those neighbours), and the time
# they all lie in [h]. Hampel's window, common practice; the time is our own rule, no source.
SIDE, MOST_TOGETHER, SPAN_HOURS = 6, 3, 48.0
# Least size [°C], this many steps of the resolution, and times the largest smaller one of the kind. No tail: the middle
# half of the neighbours lies within the first share of the size, and none of the three readings beside lies between the
# first share and the second. Where readings land on one value, those beside must be back within the third share or two
# widths of that middle half. Own rule, no source; measured on sound
# simulated records (tests/benchmarks/bench_stillness.py).
LEAST_C, LEAST_STEPS, TIMES, TAIL_SHARE, PART_SHARE = 3.0, 12.0, 3.0, 0.15, 0.5
NEAR_SHARE, NEAR_WIDTHS = 0.05, 2.0
# What a door, a heater or a cold-air outlet explains is evidence, however short: warmer up to this [°C], colder by up
# to this much [°C] than its level.
WARMEST_C, COLDER_BY_C = 40.0, 10.0  # common practice, no source
MOST_SHARE = 0.05  # of the readings: more, and such readings are what this record usually has
# A value that lone readings land on again and again from different levels stands for no measurement: so many, from
# levels that lie at least so many steps of the resolution and degrees apart (the coarser the steps, the easier the same
# value comes by chance). Own rule, no source.
SAME_VALUE, LEVELS_APART_STEPS, LEVELS_APART_C = 3, 20.0, 1.0
# A stretch between two jumps of opposite sign: at least so many readings, at most this long [h]; the jumps differ by
# at most this share, and each is
# this many times the usual step beside it (90 % quantile of so many readings). Own rule, no source.
SHIFT_READINGS, SHIFT_HOURS, SHIFT_SHARE, SHIFT_TIMES, BESIDE = 6, 24.0, 0.25, 5.0, 12


def lone_reading(series: pd.Series, *, step_c: float | None = None) -> pd.DataFrame:
    """Readings (up to three together) far from their neighbours, without a tail, and further than this record ever is
    otherwise: 3.

    Only what no door, heater or cold-air outlet explains: beyond 40 °C, or colder than its neighbours by more than 10
    °C; or at one value
    that lone readings land on three times or more from different levels (a placeholder).

    Judged: distance from the median of the six neighbours on either side [°C], 0 where no step of the record comes
    near the least size.

    Cannot see
    ----------
    First and last six readings, and readings whose neighbours lie further apart than two days (2); anything that lasts
    longer; records in which every twentieth reading is like that.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=60, freq="15min", tz="UTC")
    >>> data = pd.Series(5.0, index=times)
    >>> data.iloc[30] = 62.0
    >>> int((lone_reading(data)["flag"] == 3).sum())
    1
    """
    line = course(series)
    codes, size = lone_codes(line, np.diff(line.value), step_c=step_c)
    return table(line, series.index, codes, size)


def lone_codes(line: Course, difference: np.ndarray, *, step_c: float | None) -> tuple[np.ndarray, np.ndarray]:
    """Codes and judged numbers of :func:`lone_reading`."""
    n = len(line.value)
    codes, judged = np.full(n, NOT_EVALUATED, dtype=np.int8), np.zeros(n)
    least = max(LEAST_C, LEAST_STEPS * (step_c or 0.0))
    inside = _with_neighbours(line)
    codes[inside] = GOOD
    steps = np.flatnonzero(np.abs(difference) > least / TIMES)
    near = covered(np.maximum(0, steps - MOST_TOGETHER + 1), np.minimum(n - 1, steps + MOST_TOGETHER), n)
    at = np.flatnonzero(near & inside)
    if not len(at):
        return codes, judged
    size, width, level = apart(line.value, at)
    judged[at] = size
    value, narrow = line.value[at], width <= TAIL_SHARE * size
    alone = narrow & ~_on_the_way(line.value, at, level, size)
    unexplained = (value > np.maximum(WARMEST_C, level)) | (value < level - COLDER_BY_C)
    odd = alone & unexplained & odd_runs(np.where(alone, size, 0.0), floor_min=least, times=TIMES)
    exact = narrow & _nothing_else(line.value, at, level, np.maximum(NEAR_SHARE * size, NEAR_WIDTHS * width))
    apart_c = max(LEVELS_APART_C, LEVELS_APART_STEPS * (step_c or 0.0))
    odd |= exact & _same_value(value, level, size * exact, least, apart_c)
    if odd.sum() <= MOST_SHARE * n:
        codes[at[odd]] = SUSPECT
    return codes, judged


def _with_neighbours(line: Course) -> np.ndarray:
    """Readings [bool] with six neighbours on either side, all within ``SPAN_HOURS``; the neighbours' own spread tells
    what a gap among them is worth."""
    good = np.zeros(len(line.value), dtype=bool)
    if len(line.value) > 2 * SIDE:
        good[SIDE:-SIDE] = line.minute[2 * SIDE :] - line.minute[: -2 * SIDE] <= SPAN_HOURS * 60
    return good


_BESIDE = np.array([k for k in range(-MOST_TOGETHER, MOST_TOGETHER + 1) if k])


def _on_the_way(value: np.ndarray, at: np.ndarray, level: np.ndarray, size: np.ndarray) -> np.ndarray:
    """Whether any of the three readings on either side lies on the way: clearly off the level, less than half as far.

    What rises or falls in steps leaves such readings, a bad contact does not.
    """
    share = np.abs(value[at[:, None] + _BESIDE] - level[:, None]) / np.maximum(size, 1e-9)[:, None]
    return ((share > TAIL_SHARE) & (share < PART_SHARE)).any(axis=1)


def _nothing_else(value: np.ndarray, at: np.ndarray, level: np.ndarray, near_c: np.ndarray) -> np.ndarray:
    """Whether each of the three readings on either side is within ``near_c`` of the level or has the same value."""
    beside = value[at[:, None] + _BESIDE]
    return ((np.abs(beside - level[:, None]) <= near_c[:, None]) | (beside == value[at][:, None])).all(axis=1)


def apart(value: np.ndarray, at: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Distance from the median of the neighbours, width of their middle half, and that median, at these positions
    [°C]."""
    around = np.concatenate((np.arange(-SIDE, 0), np.arange(1, SIDE + 1)))
    ordered = np.sort(value[at[:, None] + around], axis=1)
    level = ordered[:, SIDE - 1 : SIDE + 1].mean(axis=1)
    return np.abs(value[at] - level), ordered[:, 2 * SIDE - 1 - SIDE // 2] - ordered[:, SIDE // 2], level


def _same_value(value: np.ndarray, level: np.ndarray, size: np.ndarray, least: float, apart_c: float) -> np.ndarray:
    """Lone readings [bool] at a value that several of them have, reached from levels that lie far apart."""
    far = size >= least
    found = np.zeros(len(value), dtype=bool)
    for one in np.unique(value[far]).tolist():
        same = far & (value == one)
        if same.sum() >= SAME_VALUE and np.ptp(level[same]) >= apart_c:
            found |= same
    return found


def shift_codes(
    line: Course, difference: np.ndarray, lone_at: np.ndarray, *, step_c: float | None
) -> tuple[np.ndarray, list[tuple[int, int, float]]]:
    """Codes of readings between two jumps that cancel, and the stretches (first, last, jump [°C]); ``lone_at``:
    readings [bool] that stand alone.

    3 where the record jumps to another level and back within a day, each jump at least five times the usual step
    beside it, and no door, heater or
    cold-air outlet explains that level (as for lone readings): a connector, an offset. Never 4: the temperature may
    have been that. A probe that is
    taken out to the room and put back jumps as well; that is evidence and not marked.
    """
    n = len(line.value)
    codes = np.full(n, NOT_EVALUATED if n < 4 * BESIDE else GOOD, dtype=np.int8)
    least = max(LEAST_C, LEAST_STEPS * (step_c or 0.0))
    jumps = np.flatnonzero((np.abs(difference) >= least) & ~line.gap & ~lone_at[:-1] & ~lone_at[1:])
    found: list[tuple[int, int, float]] = []
    middle = float(np.median(line.value)) if n else 0.0
    for a, b in zip(jumps[:-1].tolist(), jumps[1:].tolist(), strict=True):
        if (not found or a >= found[-1][1]) and _cancel(line, difference, a, b) and _leaves(line.value, a, b, middle):
            found.append((a + 1, b, float(difference[a])))
            codes[a + 1 : b + 1] = SUSPECT
    return codes, found


def _cancel(line: Course, difference: np.ndarray, a: int, b: int) -> bool:
    """Whether the jumps at steps ``a`` and ``b`` lead away and back, sharply at both ends."""
    there, back = float(difference[a]), float(difference[b])
    if (
        b - a < SHIFT_READINGS
        or line.minute[b] - line.minute[a] > SHIFT_HOURS * 60
        or abs(there + back) > SHIFT_SHARE * abs(there)
    ):
        return False
    beside = (
        difference[max(0, a - BESIDE) : a],
        difference[a + 1 : a + 1 + BESIDE],
        difference[max(a + 1, b - BESIDE) : b],
        difference[b + 1 : b + 1 + BESIDE],
    )
    usual = max(float(np.quantile(np.abs(part), 0.9)) if len(part) else np.inf for part in beside)
    return min(abs(there), abs(back)) >= SHIFT_TIMES * usual


def _leaves(value: np.ndarray, a: int, b: int, middle: float) -> bool:
    """Whether the stretch between two jumps, not what lies beside it, is away from the middle of the record, where no
    door or cooling brings it."""
    inside, before, after = (
        abs(float(np.median(part)) - middle)
        for part in (value[a + 1 : b + 1], value[max(0, a - BESIDE) : a + 1], value[b + 1 : b + 1 + BESIDE])
    )
    level, usual = float(np.median(value[a + 1 : b + 1])), float(np.median(value[max(0, a - BESIDE) : a + 1]))
    return inside > max(before, after) and (level > max(WARMEST_C, usual) or level < usual - COLDER_BY_C)
