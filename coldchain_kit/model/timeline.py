"""When there are readings and when there are none: interval in force, steps, gaps, coverage, probes side by side.

Nothing is interpolated into the record. Rules: CONTRACTS "How the numbers are made", rule 4; the interval in force
comes from :mod:`coldchain_kit.model.cadence`. Where a function takes a Trace, what its downloads are stated to keep is
known; of a bare Series only what it keeps itself, or ``interval_min``.
"""

from __future__ import annotations

from typing import NamedTuple, cast

import numpy as np
import pandas as pd

from coldchain_kit.model import cadence
from coldchain_kit.model.cadence import GAP_FACTOR, GAP_FLOOR_MIN, MISSING_FACTOR, Cadence, Stated
from coldchain_kit.model.trace import Trace

__all__ = [
    "GAP_FACTOR", "GAP_FLOOR_MIN", "MISSING_FACTOR", "Pairs",
    "coverage", "end_intervals", "gap_marks", "gaps", "interval_min", "neighbours", "pairs", "side_by_side", "steps", "times_of", "usual_min",
]  # fmt: skip

_US_MIN = 60e6
_TICK_MIN = 1e-3 / 60  # times are compared to a millisecond
Minutes = float | tuple[float, ...] | None


def times_of(held: pd.Series | pd.DataFrame) -> pd.DatetimeIndex:
    """The times of a record: its index, under the type that it has (the stubs of pandas know only "an index").

    Examples
    --------
    >>> times_of(pd.Series([4.0], index=pd.DatetimeIndex(["2026-03-01"], tz="UTC"))).tz
    datetime.timezone.utc
    """
    return cast(pd.DatetimeIndex, held.index)


def interval_min(record: Trace | pd.Series | pd.DatetimeIndex) -> float | None:
    """The finest interval in force of a record [min]; None where nothing states one and it keeps none (rule 4).

    Examples
    --------
    >>> interval_min(pd.date_range("2026-03-01", periods=13, freq="5min", tz="UTC"))
    5.0
    >>> interval_min(pd.date_range("2026-03-01", periods=4, freq="5min", tz="UTC")) is None
    True
    """
    index = record if isinstance(record, pd.DatetimeIndex) else _series(record).index
    found = [one for part in _downloads(record, index, None) for one in part.intervals_min]
    return min(found, default=None)


def usual_min(index: pd.Index) -> float | None:
    """The median step [min] of some times, for drawing and for slack, never for what counts; None with fewer than two.

    Examples
    --------
    >>> usual_min(pd.date_range("2026-03-01", periods=4, freq="5min", tz="UTC"))
    5.0
    """
    step = np.diff(_us(index))
    step = step[step > 0]
    return float(np.median(step) / _US_MIN) if len(step) else None


def _us(times: pd.Index) -> np.ndarray:
    return pd.DatetimeIndex(times).as_unit("us").asi8


def _series(record: Trace | pd.Series) -> pd.Series:
    """The readings that stand there; of a Trace one-sided ones, too, which are no gap (CONTRACTS rule 9)."""
    return record.heard if isinstance(record, Trace) else record


def _downloads(record: object, index: pd.Index, stated_min: Minutes) -> tuple[Cadence, ...]:
    """The cadence of each download of a record; a bare Series is its own download."""
    if isinstance(record, Trace) and record.cadences and stated_min is None:
        return record.cadences
    stated = () if stated_min is None else (Stated(stated_min if isinstance(stated_min, tuple) else (stated_min,)),)
    return (cadence.of(_us(index), stated),)


def end_intervals(record: Trace | pd.Series, *, interval_min: Minutes = None) -> tuple[float, float]:
    """The interval in force at the record's first and at its last reading [min]; NaN where none is known.

    Examples
    --------
    >>> end_intervals(pd.Series(4.0, index=pd.date_range("2026-03-01", periods=13, freq="5min", tz="UTC")))
    (5.0, 5.0)
    """
    return cadence.edges_min(_downloads(record, _series(record).index, interval_min))


def _is_gap(minutes: np.ndarray, interval: np.ndarray, coarse: np.ndarray) -> np.ndarray:
    return (minutes > np.fmax(GAP_FACTOR * interval, GAP_FLOOR_MIN) + _TICK_MIN) & ~coarse


class Pairs(NamedTuple):
    """The columns of :func:`steps` as arrays, times in microseconds since 1970 (UTC)."""

    start_us: np.ndarray
    end_us: np.ndarray
    minutes: np.ndarray
    interval_min: np.ndarray
    gap: np.ndarray
    coarse: np.ndarray
    missing: np.ndarray
    left: np.ndarray
    right: np.ndarray


def pairs(record: Trace | pd.Series, *, interval_min: Minutes = None) -> Pairs:
    """:func:`steps` as arrays, not to be changed in place; of a Trace worked out once.

    Examples
    --------
    >>> pairs(pd.Series(4.0, index=pd.date_range("2026-03-01", periods=3, freq="4min", tz="UTC"))).minutes.tolist()
    [4.0, 4.0]
    """
    if isinstance(record, Trace) and interval_min is None:
        return record.remembered("pairs", lambda: _pairs(record, None))
    return _pairs(record, interval_min)


def _pairs(record: Trace | pd.Series, stated_min: Minutes) -> Pairs:
    series = _series(record)
    index = series.index
    at = np.flatnonzero(np.isfinite(series.to_numpy(dtype="float64")))
    us = _us(index)
    left, right = at[:-1], at[1:]
    minutes = (us[right] - us[left]) / _US_MIN
    force, coarse = cadence.on_steps(us[at], _downloads(record, index, stated_min)) if len(at) > 1 else (minutes, minutes > 0)
    gap = _is_gap(minutes, force, coarse)
    short = ~(minutes > MISSING_FACTOR * force + _TICK_MIN)  # where no interval is known nothing can be counted
    missing = np.where(short, 0, np.round(minutes / np.where(short, minutes, force)) - 1).astype("int64")
    if not cadence.even(minutes, force, stated=_stated(record, stated_min)):
        missing = np.where(gap | coarse, missing, 0)
    found = Pairs(us[left], us[right], minutes, force, gap, coarse, missing, left, right)
    for part in found:
        part.flags.writeable = False
    return found


def _stated(record: Trace | pd.Series, stated_min: Minutes) -> float | None:
    """The finest interval [min] that something states of a record; None where nothing does."""
    told = [stated_min] if isinstance(stated_min, int | float) else [*(stated_min or ())]
    told += [given for one in record.cadences for row in one.stated for given in row.intervals_min] if isinstance(record, Trace) else []
    return min(told, default=None)


def steps(record: Trace | pd.Series, *, interval_min: Minutes = None) -> pd.DataFrame:
    """Every pair of neighbouring readings that have a value.

    Parameters
    ----------
    record : Trace, or Series of float [°C] on a UTC index; NaN = a row without a value
    interval_min : float or tuple of float, optional
        What states the interval of a bare Series [min].

    Returns
    -------
    DataFrame, one row a pair: start, end (UTC), minutes [min], interval_min [min, in force there, NaN: not known], gap (bool),
    coarse (bool, of a regular stretch coarser than the interval that nothing states: bridged, but unknown),
    missing (int, readings that should stand between them), left, right (positions in the record).

    Examples
    --------
    >>> times = pd.to_datetime(["2026-03-01T00:00Z", "2026-03-01T00:05Z", "2026-03-01T00:10Z", "2026-03-01T03:00Z", "2026-03-01T03:05Z"])
    >>> steps(pd.Series([4.0, 4, 4, 4, 4], index=times)).gap.tolist()
    [False, False, True, False]
    """
    return _table(pairs(record, interval_min=interval_min))


def _table(found: Pairs) -> pd.DataFrame:
    start, end = _instants(found.start_us), _instants(found.end_us)
    return pd.DataFrame({"start": start, "end": end, **dict(zip(Pairs._fields[2:], found[2:], strict=True))})


def _instants(us: np.ndarray) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(us.view("M8[us]"), tz="UTC")


def neighbours(series: pd.Series) -> Pairs:
    """:func:`pairs` of a bare Series whose median step is taken where it keeps none: for arithmetic on a bare Series, paces and drawing.

    What the results count rests on :func:`pairs` of a Trace.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=3, freq="30min", tz="UTC")
    >>> neighbours(pd.Series(4.0, index=times)).gap.tolist(), pairs(pd.Series(4.0, index=times)).gap.tolist()
    ([False, False], [True, True])
    """
    found = _pairs(series, None)
    return _pairs(series, usual_min(series.index)) if len(found.gap) and np.isnan(found.interval_min).all() else found


def gap_marks(record: Trace | pd.Series, *, start: pd.Timestamp, stop: pd.Timestamp) -> np.ndarray:
    """Which steps between the readings with a value in [start, stop) are gaps, judged on the whole record.

    A window must not judge on its own: its few steps may have another interval than the stretch they belong to.

    Returns
    -------
    array of bool, one fewer than those readings.

    Examples
    --------
    >>> times = pd.to_datetime([f"2026-03-01T{clock}Z" for clock in ("00:00", "00:05", "00:10", "03:00", "03:05")])
    >>> gap_marks(pd.Series(4.0, index=times), start=times[1], stop=times[4]).tolist()
    [False, True]
    """
    found = pairs(record)
    return found.gap[(found.start_us >= _micros(start)) & (found.end_us < _micros(stop))]


def gaps(record: Trace | pd.Series, *, start: pd.Timestamp, end: pd.Timestamp, interval_min: Minutes = None) -> pd.DataFrame:
    """Spans without readings in a window: gaps between readings and the window's edges without any.

    Returns
    -------
    DataFrame: start, end (UTC, cut to the window), minutes [min], edge ("", "start" or "end": nothing was
    recorded before the first or after the last reading).

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=4, freq="5min", tz="UTC")
    >>> spans = gaps(pd.Series(4.0, index=times), start=times[0], end=times[-1] + pd.Timedelta("2h"))
    >>> spans[["minutes", "edge"]].values.tolist()
    [[120.0, 'end']]
    """
    found, opens, closes = pairs(record, interval_min=interval_min), _micros(start), _micros(end)
    inside = found.gap & (found.end_us > opens) & (found.start_us < closes)
    spans = [(max(a, opens), min(b, closes), "") for a, b in zip(found.start_us[inside].tolist(), found.end_us[inside].tolist(), strict=True)]
    spans += _edges(record, opens, closes, interval_min)
    spans.sort(key=lambda span: span[0])
    first, last = (np.array([span[k] for span in spans], dtype="int64") for k in (0, 1))
    return pd.DataFrame({"start": _instants(first), "end": _instants(last), "minutes": (last - first) / _US_MIN, "edge": [span[2] for span in spans]})


def _micros(time: pd.Timestamp) -> int:
    return int(pd.Timestamp(time).value // 1000)


def _edges(record: Trace | pd.Series, opens: int, closes: int, stated_min: Minutes) -> list[tuple[int, int, str]]:
    """Where a window reaches further than a gap's length beyond the record [µs]: (from, to, which edge)."""
    series = _series(record)
    known = np.flatnonzero(series.notna().to_numpy())
    if not len(known):
        return [(opens, closes, "start")]
    us = _us(series.index)
    first, last = int(us[known[0]]), int(us[known[-1]])
    before, after = (np.fmax(GAP_FACTOR * usual, GAP_FLOOR_MIN) + _TICK_MIN for usual in end_intervals(record, interval_min=stated_min))
    found = [(opens, min(first, closes), "start")] if (first - opens) / _US_MIN > before else []
    return found + ([(max(last, opens), closes, "end")] if (closes - last) / _US_MIN > after else [])


def coverage(record: Trace | pd.Series, *, start: pd.Timestamp, end: pd.Timestamp, interval_min: Minutes = None) -> dict[str, float | int]:
    """How much of a window the readings cover.

    Returns
    -------
    dict: covered_share (0..1: the window less the time of missing readings and of coarse stretches, one interval each held; of
    an uneven logger less its gaps; nothing is held where no interval is known), missing_readings (int), gap_minutes [min],
    lost_minutes [min, the window's time that is not covered].

    Cannot see: whether a reading that stands there is true.

    Examples
    --------
    One reading of an hour is missing, 5 of 60 minutes:

    >>> times = pd.date_range("2026-03-01", periods=13, freq="5min", tz="UTC")
    >>> found = coverage(pd.Series(4.0, index=times).drop(times[6]), start=times[0], end=times[-1], interval_min=5)
    >>> round(found["covered_share"] * 60, 6), found["missing_readings"], found["gap_minutes"]
    (55.0, 1, 0.0)
    """
    found, opens, closes = pairs(record, interval_min=interval_min), _micros(start), _micros(end)
    window, edges = (closes - opens) / _US_MIN, _edges(record, opens, closes, interval_min)
    silent = {edge: (to - since) / _US_MIN for since, to, edge in edges}
    whole = np.clip(np.minimum(found.end_us, closes) - np.maximum(found.start_us, opens), 0, None) / _US_MIN
    nameless = np.isnan(found.interval_min)
    first, usual = end_intervals(record, interval_min=interval_min)
    held = (found.missing > 0) & ~nameless
    parts = [part[held].astype("float64") for part in (found.start_us, found.end_us, found.interval_min, found.missing)]
    after = silent.get("end", 0.0)
    if after and np.isfinite(usual):  # after the last reading as between two
        last = _us(_series(record).index)[np.flatnonzero(_series(record).notna().to_numpy())[-1]]
        parts = [np.append(part, one) for part, one in zip(parts, (last, closes, usual, np.inf), strict=True)]
        after = 0.0
    missing, without = _missing_of(*parts, opens=opens, closes=closes)
    before = silent.get("start", 0.0)
    missing += int(np.floor(before / first + 1e-6)) if first > 0 else 0
    lost = without + float(whole[found.gap & nameless].sum()) + before + after
    share = 1.0 - lost / window if window > 0 else 0.0
    return {
        "covered_share": float(min(1.0, max(0.0, share))), "missing_readings": missing, "gap_minutes": float(whole[found.gap].sum()) + sum(silent.values()),
        "lost_minutes": float(min(max(lost, 0.0), max(window, 0.0))),
    }  # fmt: skip


def _missing_of(left: np.ndarray, right: np.ndarray, usual: np.ndarray, count: np.ndarray, *, opens: int, closes: int) -> tuple[int, float]:
    """Missing readings of these steps that would stand in a window, and the window's time without them [min]: a reading holds one interval."""
    step = usual * _US_MIN
    before = np.clip(np.ceil((opens - left) / step - 1e-6) - 1, 0, count)  # of the missing, those that would stand before the window
    through = np.clip(np.ceil((closes - left) / step - 1e-6) - 1, 0, count)
    lost = np.clip(np.minimum(right, closes) - np.maximum(left + step, opens), 0.0, None) / _US_MIN
    return int((through - before).sum()), float(lost.sum())


def side_by_side(series: dict[str, pd.Series], *, tolerance_min: float) -> pd.DataFrame:
    """Probes on the times of the first one, each by its nearest reading within a stated tolerance, else NaN.

    Parameters
    ----------
    series : dict of name -> Series [°C] on a UTC index
    tolerance_min : float
        How far apart two readings may be and still stand side by side [min].

    Examples
    --------
    >>> t = pd.date_range("2026-03-01", periods=2, freq="10min", tz="UTC")
    >>> both = side_by_side({"A": pd.Series([1.0, 2.0], t), "B": pd.Series([5.0], t[:1] + pd.Timedelta("1min"))}, tolerance_min=2)
    >>> both["B"].tolist()
    [5.0, nan]
    """
    names = list(series)
    base = series[names[0]].rename(names[0]).rename_axis("time").reset_index()
    for name in names[1:]:
        other = series[name].rename(name).rename_axis("time").reset_index()
        base = pd.merge_asof(base, other, on="time", direction="nearest", tolerance=pd.Timedelta(minutes=tolerance_min))
    return base.set_index("time")
