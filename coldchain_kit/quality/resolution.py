"""Where the step in which values are given changes: another logger, another setting, or an edited record."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from coldchain_kit.model import GOOD, NOT_EVALUATED, SUSPECT
from coldchain_kit.quality.series import Course, course, resolution_c, table

# Readings of a block, blocks at most, and how many times coarser or finer the step must become: common practice, no source.
BLOCK, MOST_BLOCKS, TIMES = 500, 200, 2.5
FINEST_C = 0.02  # finer steps are conversion, not resolution: taken as this (common practice, no source)
DATED_NEAR_MIN = 24 * 60.0  # a dated setting this near is taken as the reason of a change (the register often knows the day only)


class Change(NamedTuple):
    """First reading after a change (position among those with a value), steps before and after [°C], whether a dated setting tells why."""

    at: int
    before_c: float
    after_c: float
    dated: bool


def resolution_change(series: pd.Series, *, readings: int = BLOCK, dated: Sequence[pd.Timestamp] = ()) -> pd.DataFrame:
    """Readings after the step in which values are given became coarser or finer: 3 until it is as before; 2 where a block hardly changes.

    Judged: the step [°C] of the block of ``readings`` readings (more in records of over 200 blocks). It changed where two blocks in a row are at
    least 2.5 times coarser or finer than the two before. ``dated``: UTC instants at which the register says that a
    setting changed; a change within a day of one is no finding.

    Cannot see
    ----------
    A change in the first or last two blocks; a change of less than 2.5 times (degrees Fahrenheit to Celsius is 1.8); a value edited to the same step.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> fine = 5 + rng.normal(0, 0.5, 4000)
    >>> values = np.where(np.arange(4000) < 2100, np.round(fine, 1), np.round(fine * 2) / 2)
    >>> data = pd.Series(values, index=pd.date_range("2026-03-01", periods=4000, freq="5min", tz="UTC"))
    >>> int(np.argmax(resolution_change(data)["flag"] == 3))
    2100
    """
    line = course(series)
    codes, judged, _ = resolution_codes(line, readings=readings, dated=dated)
    return table(line, series.index, codes, judged)


def resolution_codes(line: Course, *, readings: int = BLOCK, dated: Sequence[pd.Timestamp] = ()) -> tuple[np.ndarray, np.ndarray, list[Change]]:
    """Codes and judged numbers of :func:`resolution_change`, and the changes themselves."""
    n = len(line.value)
    readings = max(readings, n // MOST_BLOCKS)
    count = n // readings
    step = np.maximum(FINEST_C, [resolution_c(line.value[k * readings : (k + 1) * readings]) or np.nan for k in range(count)])
    codes, judged = np.full(n, NOT_EVALUATED, dtype=np.int8), np.full(n, np.nan)
    if not count:
        return codes, judged, []
    block = np.minimum(np.arange(n) // readings, count - 1)
    judged = step[block]
    codes[np.isfinite(judged)] = GOOD
    changes = [_change(line, step, k, readings, dated) for k in _places(step)]
    usual = changes[0].before_c if changes else np.nan
    for number, change in enumerate(changes, 1):
        stop = changes[number].at if number < len(changes) else n
        if change.dated:
            usual = change.after_c
        elif not 1 / TIMES < change.after_c / usual < TIMES:
            codes[change.at : stop] = SUSPECT
    return codes, judged, changes


def _places(step: np.ndarray) -> list[int]:
    """Blocks from which on the step is another one: the two before it against it and the next."""
    places = []
    for k in range(2, len(step) - 1):
        before, after = step[k - 2 : k], step[k : k + 2]
        if np.isfinite(before).all() and np.isfinite(after).all() and (after.min() >= TIMES * before.max() or before.min() >= TIMES * after.max()):
            places.append(k)
    return places


def _change(line: Course, step: np.ndarray, k: int, readings: int, dated: Sequence[pd.Timestamp]) -> Change:
    """The change between blocks k - 1 and k, put where the finer values end or begin."""
    before, after = float(np.median(step[k - 2 : k])), float(np.median(step[k : k + 2]))
    low = (k - 1) * readings
    parts = np.abs(np.diff(line.value[low : (k + 1) * readings])) / max(before, after)
    off = np.flatnonzero(np.abs(parts - np.round(parts)) > 0.1)  # changes that the coarser step cannot make
    at = low + int(off[-1] if after > before else off[0]) + 1 if len(off) else k * readings
    minutes = [stamp.timestamp() / 60.0 for stamp in dated]
    near = any(abs(minute - line.minute[at]) <= DATED_NEAR_MIN for minute in minutes)
    return Change(at, before, after, near)
