"""Tests of one probe's readings: a Series in, a flag and the number judged for each reading out.

Every function takes a Series of °C on a UTC index (NaN = no value) and returns a DataFrame on the same index with
``flag`` (QARTOD codes: 1 good, 2 not evaluated, 3 suspect, 4 fail, 9 missing; FACTS F1) and ``judged``, the number
compared with the threshold. A flag starts at 2 and becomes 1 only where the test could judge. Nothing is deleted.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from coldchain_kit.base import KitError
from coldchain_kit.model import FAIL, GOOD, MISSING, NOT_EVALUATED, SUSPECT, timeline

# What a conversion leaves when it did not take place: a digital sensor's power-on value, and its "disconnected".
END_VALUES_C = (85.0, -127.0)  # common practice, no source
_US_MIN = 60e6


class Course(NamedTuple):
    """The readings of a Series that have a value, and the steps between them."""

    n: int
    at: np.ndarray  # positions in the Series
    value: np.ndarray  # [°C]
    minute: np.ndarray  # [min] since the first
    step_min: np.ndarray  # one fewer
    gap: np.ndarray  # bool, one fewer: too far apart to be neighbours (CONTRACTS rule 4)


def course(series: pd.Series) -> Course:
    """The readings with a value, once for several tests."""
    values = series.to_numpy(dtype="float64")
    at = np.flatnonzero(np.isfinite(values))
    times = timeline.times_of(series)
    us = times.as_unit("us").asi8
    whole = len(at) == len(values)
    minute = (us if whole else us[at]) / _US_MIN
    step = np.diff(minute)
    gap = timeline.neighbours(series).gap
    return Course(len(values), at, values if whole else values[at], minute, step, gap)


def table(line: Course, index: pd.Index, codes: np.ndarray, judged: np.ndarray) -> pd.DataFrame:
    """Codes and numbers of the readings with a value, spread over the whole Series; 9 where there is no value."""
    return pd.DataFrame({"flag": spread(line, codes), "judged": _spread(line, judged, np.nan, "float64")}, index=index)


def spread(line: Course, codes: np.ndarray) -> np.ndarray:
    """Codes of the readings with a value as an int8 column of the whole Series."""
    return _spread(line, codes, MISSING, "int8")


def _spread(line: Course, values: np.ndarray, fill: float, dtype: str) -> np.ndarray:
    if len(line.at) == line.n:
        return np.asarray(values).astype(dtype)
    full = np.full(line.n, fill, dtype=dtype)
    full[line.at] = values
    return full


def levels(judged: np.ndarray, *, suspect: float | np.ndarray | None, fail: float | np.ndarray | None) -> np.ndarray:
    """Codes of a judged number: 4 beyond ``fail``, 3 beyond ``suspect`` (strictly), 1 else, 2 where it is NaN."""
    codes = np.full(len(judged), GOOD, dtype=np.int8)
    for threshold, code in ((suspect, SUSPECT), (fail, FAIL)):
        if threshold is not None:
            codes[judged > threshold] = code
    codes[np.isnan(judged)] = NOT_EVALUATED
    return codes


def gross_range(series: pd.Series, *, fail_span_c: tuple[float, float], suspect_span_c: tuple[float, float] | None = None) -> pd.DataFrame:
    """4 outside ``fail_span_c``, 3 outside ``suspect_span_c``; the ends of a span belong to it. Judged: the temperature [°C].

    Raises
    ------
    KitError
        Where the suspect span is not inside the fail span.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=3, freq="5min", tz="UTC")
    >>> gross_range(pd.Series([-40.0, 122.153, None], index=times, dtype="float64"), fail_span_c=(-40, 85))["flag"].tolist()
    [1, 4, 9]
    """
    low, high = fail_span_c
    if suspect_span_c and not (low <= suspect_span_c[0] <= suspect_span_c[1] <= high):
        raise KitError(f"the suspect span {suspect_span_c} is not inside the fail span {fail_span_c}")
    line = course(series)
    return table(line, series.index, range_codes(line, fail_span_c, suspect_span_c), line.value)


def range_codes(line: Course, fail_span_c: tuple[float, float], suspect_span_c: tuple[float, float] | None = None) -> np.ndarray:
    """Codes of :func:`gross_range`."""
    codes = np.full(len(line.value), GOOD, dtype=np.int8)
    for span, code in ((suspect_span_c, SUSPECT), (fail_span_c, FAIL)):
        if span:
            codes[(line.value < span[0]) | (line.value > span[1])] = code
    return codes


def spike(series: pd.Series, *, suspect_c: float | None = None, fail_c: float | None = None, method: str = "out_and_back") -> pd.DataFrame:
    """One reading that leaves its neighbours and comes back: flagged where the judged number [°C] is above a threshold.

    Parameters
    ----------
    suspect_c, fail_c : float
        Thresholds [°C]; strictly above.
    method : str
        "out_and_back": the smaller of the steps before and after, 0 where they have the same sign (the neighbours of a spike
        stay good). "average": the distance from the mean of the two neighbours.

    Cannot see
    ----------
    First and last reading and readings beside a gap (2); spikes that last longer than one reading.

    References
    ----------
    QARTOD manuals as coded in FACTS F2, F4.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=4, freq="5min", tz="UTC")
    >>> spike(pd.Series([5.0, 60.0, 5.0, 5.1], index=times), fail_c=20)["flag"].tolist()
    [2, 4, 1, 2]
    """
    line = course(series)
    judged = _judge_spike(line, method)
    return table(line, series.index, levels(judged, suspect=suspect_c, fail=fail_c), judged)


def _judge_spike(line: Course, method: str) -> np.ndarray:
    if method not in ("out_and_back", "average"):
        raise KitError(f"spike method '{method}' is not known", expected="out_and_back or average")
    judged = np.full(len(line.value), np.nan)
    if len(line.value) < 3:
        return judged
    if method == "average":
        judged[1:-1] = np.abs(line.value[1:-1] - (line.value[:-2] + line.value[2:]) / 2.0)
    else:
        judged[1:-1] = out_and_back(np.diff(line.value))
    judged[1:-1][line.gap[:-1] | line.gap[1:]] = np.nan
    return judged


def out_and_back(difference: np.ndarray) -> np.ndarray:
    """The smaller of two neighbouring steps of opposite sign, 0 where they have the same sign."""
    size = np.abs(difference)
    smaller = np.minimum(size[:-1], size[1:])
    smaller[difference[:-1] * difference[1:] >= 0] = 0.0
    return smaller


def rate_of_change(series: pd.Series, *, suspect_c_per_min: float | None = None, fail_c_per_min: float | None = None) -> pd.DataFrame:
    """Change since the reading before, per minute, strictly above a threshold [°C/min]; flags the later of the two.

    The first reading and the one after a gap have no neighbour before them and stay 2. Rates are rounded to 1e-9, so that
    a step of exactly the threshold is not flagged by floating point.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=3, freq="5min", tz="UTC")
    >>> rate_of_change(pd.Series([5.0, 5.5, 20.0], index=times), suspect_c_per_min=1.0)["flag"].tolist()
    [2, 1, 3]
    """
    line = course(series)
    judged = np.full(len(line.value), np.nan)
    judged[1:] = np.where(line.gap, np.nan, np.round(np.abs(np.diff(line.value)) / line.step_min, 9))
    suspect, fail = (None if limit is None else round(limit, 9) for limit in (suspect_c_per_min, fail_c_per_min))
    return table(line, series.index, levels(judged, suspect=suspect, fail=fail), judged)


def flat_line(series: pd.Series, *, suspect_min: float, fail_min: float, tolerance_c: float) -> pd.DataFrame:
    """Readings that stayed within ``tolerance_c`` [°C] over the last ``suspect_min`` or ``fail_min`` minutes.

    The window is a span of time that ends with the reading, both ends included: right with uneven steps and with values
    missing between. Within = highest less lowest strictly below the tolerance. Judged: that difference over the longer window.

    Cannot see
    ----------
    Whether the temperature itself was steady. While less than a window has passed since the start, or since a gap, and nothing moved yet,
    the flag stays 2.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=5, freq="30min", tz="UTC")
    >>> flat_line(pd.Series([4.0, 5.0, 5.0, 5.0, 5.0], index=times), suspect_min=60, fail_min=90, tolerance_c=0.05)["flag"].tolist()
    [2, 1, 1, 3, 4]
    """
    if not 0 < suspect_min <= fail_min:
        raise KitError(f"flat line windows of {suspect_min:g} and {fail_min:g} min", expected="0 < suspect_min <= fail_min")
    line = course(series)
    values = pd.Series(line.value, index=series.index[line.at])
    codes = np.full(len(values), GOOD, dtype=np.int8)
    since = line.minute - line.minute[_segment_starts(line)]
    width = np.zeros(0)
    for window, code in ((suspect_min, SUSPECT), (fail_min, FAIL)):
        rolling = values.rolling(pd.Timedelta(minutes=window), closed="both")
        width = np.round(rolling.max().to_numpy() - rolling.min().to_numpy(), 9) if len(values) else np.zeros(0)
        flat = width < tolerance_c
        codes[flat & (since >= window - 1e-6)] = code
        if code == SUSPECT:
            codes[flat & (since < window - 1e-6)] = NOT_EVALUATED
    return table(line, series.index, codes, width)


def _segment_starts(line: Course) -> np.ndarray:
    """For each reading the position of the first one after the last gap."""
    starts = np.zeros(len(line.value), dtype=np.int64)
    if len(starts):
        starts[1:][line.gap] = np.flatnonzero(line.gap) + 1
    return np.maximum.accumulate(starts)


def still(line: Course) -> pd.DataFrame:
    """Runs of exactly equal readings without a gap: first and last position among the readings with a value, minutes, value."""
    cut = (np.diff(line.value) != 0) | line.gap
    edges = np.concatenate(([0], np.flatnonzero(cut) + 1, [len(line.value)]))
    first, last = edges[:-1], edges[1:] - 1
    if not len(line.value):
        first = last = edges[:0]
    return pd.DataFrame({"first": first, "last": last, "minutes": line.minute[last] - line.minute[first], "value": line.value[first]})


def end_value(series: pd.Series, *, ends_c: tuple[float, ...] = END_VALUES_C, apart_c: float = 5.0) -> pd.DataFrame:
    """Readings that are exactly a conversion's end value (85.0, -127.0 °C) and not reached from nearby.

    4 where the run of that value starts (or, at the record's start, ends) with a step of more than ``apart_c`` [°C].
    Judged: that step. The values are common practice, no source.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=4, freq="5min", tz="UTC")
    >>> end_value(pd.Series([85.0, 5.0, 5.1, 5.0], index=times))["flag"].tolist()
    [4, 1, 1, 1]
    """
    line = course(series)
    codes, judged = end_codes(line, ends_c=ends_c, apart_c=apart_c)
    return table(line, series.index, codes, judged)


def end_codes(line: Course, *, ends_c: tuple[float, ...] = END_VALUES_C, apart_c: float = 5.0) -> tuple[np.ndarray, np.ndarray]:
    """Codes and judged steps of :func:`end_value`."""
    value, last = line.value, len(line.value) - 1
    codes, judged = np.full(len(value), GOOD, dtype=np.int8), np.zeros(len(value))
    hit = np.zeros(len(value), dtype=bool)
    for end in ends_c:
        hit |= np.abs(value - end) < 1e-6
    for first, stop in runs(hit):
        steps = [abs(value[first] - value[first - 1])] if first else []
        steps += [abs(value[stop] - value[stop + 1])] if stop < last else []
        apart = max(steps, default=np.inf)
        judged[first : stop + 1] = apart
        if apart > apart_c:
            codes[first : stop + 1] = FAIL
    return codes, judged


def gap(series: pd.Series, *, fail_min: float | None = None) -> pd.DataFrame:
    """Readings that come after too long a time without one. Judged: minutes since the reading before.

    4 where the step is longer than ``fail_min`` [min], or a gap by CONTRACTS rule 4 when not given; the first reading stays 2.

    Examples
    --------
    >>> times = pd.to_datetime(["2026-03-01T00:00Z", "2026-03-01T00:05Z", "2026-03-01T00:10Z", "2026-03-01T03:00Z"])
    >>> gap(pd.Series([4.0, 4.0, 4.0, 4.0], index=times))["flag"].tolist()
    [2, 1, 1, 4]
    """
    line = course(series)
    long = line.gap if fail_min is None else line.step_min > fail_min
    codes, judged = np.full(len(line.value), NOT_EVALUATED, dtype=np.int8), np.full(len(line.value), np.nan)
    codes[1:], judged[1:] = np.where(long, FAIL, GOOD), line.step_min
    return table(line, series.index, codes, judged)


def noise(
    series: pd.Series, *, floor_c: float = 1.0, factor: float = 8.0, readings: int = 12, ranges: float = 2.0
) -> pd.DataFrame:
    """Bursts of noise, as interference on a cable makes them: readings that keep going out and back.

    Judged: mean out-and-back step [°C] over ``readings`` readings. 3 where it is above ``floor_c``, above ``factor``
    times its own usual value (median over the record) and above ``ranges`` times the usual range within so many
    readings (a regular rhythm that beats with the interval goes up and down too, but within its range). Thresholds:
    common practice and own rule, no source.

    Cannot see
    ----------
    Noise that is there all the time; a slow wander; with slow intervals noise no larger than the record's own range.
    """
    line = course(series)
    codes, judged = noise_codes(line, floor_c=floor_c, factor=factor, readings=readings, ranges=ranges)
    return table(line, series.index, codes, judged)


def noise_codes(
    line: Course,
    *,
    floor_c: float,
    factor: float = 8.0,
    readings: int = 12,
    ranges: float = 2.0,
    swing: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Codes and judged numbers of :func:`noise`; ``swing`` = out-and-back steps where they are known already."""
    n = len(line.value)
    if n < 4 * readings:
        return np.full(n, NOT_EVALUATED, dtype=np.int8), np.full(n, np.nan)
    swing = out_and_back(np.diff(line.value)) if swing is None else swing.copy()
    swing[line.gap[:-1] | line.gap[1:]] = 0.0
    swing = np.concatenate(([0.0], swing, [0.0]))
    usual = _window_mean(swing, readings)
    blocks = line.value[: n - n % readings].reshape(-1, readings)
    usual_range = float(np.median(blocks.max(axis=1) - blocks.min(axis=1)))
    threshold = max(floor_c, factor * float(np.median(usual[:: max(1, len(usual) // 50_000)])), ranges * usual_range)
    # One spike of any size must not look like a burst: a single swing is capped, and a third of the window must swing.
    mean = _window_mean(np.minimum(swing, 3 * threshold), readings)
    often = _window_mean(swing > threshold / 2, readings) >= 1 / 3
    codes, judged = np.full(n, GOOD, dtype=np.int8), np.zeros(n)
    judged[readings // 2 : readings // 2 + len(mean)] = mean
    starts = np.flatnonzero((mean > threshold) & often)
    swings = swing > threshold / 2
    for first, last in runs(covered(starts, starts + readings - 1, n)):
        inside = first + np.flatnonzero(swings[first : last + 1])  # a window reaches beyond the burst at its ends
        codes[max(first, inside[0] - 1) : min(last, inside[-1] + 1) + 1] = SUSPECT
    return codes, judged


def _window_mean(values: np.ndarray, readings: int) -> np.ndarray:
    total = np.concatenate(([0.0], np.cumsum(values)))
    return (total[readings:] - total[:-readings]) / readings


def resolution_c(values: np.ndarray) -> float | None:
    """The step [°C] in which values are given: the smallest difference that makes up at least 1 % of all changes.

    None where nothing changes. Judged on at most about 50,000 neighbouring pairs, spread over the record.

    Examples
    --------
    >>> resolution_c(np.array([4.0, 4.5, 4.5, 5.0, 4.0]))
    0.5
    """
    finite = values[np.isfinite(values)]
    stride = max(1, (len(finite) - 1) // 50_000)
    change = np.abs(np.round(finite[1::stride] - finite[:-1:stride][: len(finite[1::stride])], 4))
    sizes, counts = np.unique(change[change > 0], return_counts=True)
    often = sizes[counts >= max(1, 0.01 * counts.sum())]
    return float(often[0]) if len(often) else None


def covered(first: np.ndarray, last: np.ndarray, n: int) -> np.ndarray:
    """Mask of the positions that lie in any of the stretches, both ends included.

    Examples
    --------
    >>> covered(np.array([0, 1]), np.array([1, 2]), 4).tolist()
    [True, True, True, False]
    """
    change = np.zeros(n + 1, dtype=np.int64)
    np.add.at(change, first, 1)
    np.add.at(change, last + 1, -1)
    return np.cumsum(change[:-1]) > 0


def runs(mask: np.ndarray, *, join: int = 0) -> list[tuple[int, int]]:
    """First and last position of each run of True; runs at most ``join`` positions apart count as one.

    Examples
    --------
    >>> runs(np.array([True, True, False, True]))
    [(0, 1), (3, 3)]
    """
    at = np.flatnonzero(mask)
    if not len(at):
        return []
    cut = np.flatnonzero(np.diff(at) > join + 1)
    return list(zip(at[np.concatenate(([0], cut + 1))].tolist(), at[np.concatenate((cut, [len(at) - 1]))].tolist(), strict=True))
