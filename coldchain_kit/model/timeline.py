"""When there are readings and when there are none: interval in force, steps, gaps, coverage, probes side by side.

Nothing is interpolated into the record. Rules: CONTRACTS "How the numbers are made", rule 4; the interval in force
comes from :mod:`coldchain_kit.model.cadence`. Where a function takes a Trace, what its downloads are stated to keep is
known; of a bare Series only what it keeps itself, or ``interval_min``.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from coldchain_kit.model import cadence
from coldchain_kit.model.cadence import GAP_FACTOR, GAP_FLOOR_MIN, MISSING_FACTOR, Cadence, Stated
from coldchain_kit.model.trace import Trace

__all__ = [
    "GAP_FACTOR", "GAP_FLOOR_MIN", "MISSING_FACTOR",
    "clip", "coverage", "end_intervals", "gap_marks", "gaps", "interval_min", "neighbours", "side_by_side", "steps", "usual_min",
]  # fmt: skip

_US_MIN = 60e6
_TICK_MIN = 1e-3 / 60  # times are compared to a millisecond
Minutes = float | tuple[float, ...] | None


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


def usual_min(index: pd.DatetimeIndex) -> float | None:
    """The median step [min] of some times, for drawing and for slack, never for what counts; None with fewer than two.

    Examples
    --------
    >>> usual_min(pd.date_range("2026-03-01", periods=4, freq="5min", tz="UTC"))
    5.0
    """
    step = np.diff(_us(index))
    step = step[step > 0]
    return float(np.median(step) / _US_MIN) if len(step) else None


def _us(times: pd.DatetimeIndex) -> np.ndarray:
    return times.as_unit("us").asi8


def _series(record: Trace | pd.Series) -> pd.Series:
    """The readings that stand there; of a Trace one-sided ones, too, which are no gap (CONTRACTS rule 9)."""
    return record.heard if isinstance(record, Trace) else record


def _downloads(record: object, index: pd.DatetimeIndex, stated_min: Minutes) -> tuple[Cadence, ...]:
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


def steps(record: Trace | pd.Series, *, interval_min: Minutes = None) -> pd.DataFrame:
    """Every pair of neighbouring readings that have a value; of a Trace worked out once.

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
    if isinstance(record, Trace) and interval_min is None:
        return record.remembered("steps", lambda: _steps(record, None)).copy(deep=False)
    return _steps(record, interval_min)


def _steps(record: Trace | pd.Series, stated_min: Minutes) -> pd.DataFrame:
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
    if not cadence.even(minutes, force):
        missing = np.where(gap | coarse, missing, 0)
    return pd.DataFrame(
        {
            "start": index[left], "end": index[right], "minutes": minutes, "interval_min": force, "gap": gap, "coarse": coarse,
            "missing": missing, "left": left, "right": right,
        }
    )  # fmt: skip


def neighbours(series: pd.Series) -> pd.DataFrame:
    """:func:`steps` of a bare Series whose median step is taken where it keeps none: for paces and drawing, never for what counts.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=3, freq="30min", tz="UTC")
    >>> neighbours(pd.Series(4.0, index=times))["gap"].tolist(), steps(pd.Series(4.0, index=times))["gap"].tolist()
    ([False, False], [True, True])
    """
    table = _steps(series, None)
    return _steps(series, usual_min(series.index)) if len(table) and table["interval_min"].isna().all() else table


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
    table = steps(record)
    return table.loc[(table["start"] >= start) & (table["end"] < stop), "gap"].to_numpy(dtype=bool)


def clip(table: pd.DataFrame, *, start: pd.Timestamp, end: pd.Timestamp) -> pd.DataFrame:
    """Steps (or gaps) cut to a half-open window, ``minutes`` recomputed; rows outside are left out.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=3, freq="10min", tz="UTC")
    >>> clip(steps(pd.Series(4.0, index=times)), start=times[0] + pd.Timedelta("6min"), end=times[1])["minutes"].tolist()
    [4.0]
    """
    if not len(table):
        return table
    cut = table.assign(start=table["start"].clip(lower=start), end=table["end"].clip(upper=end))
    cut = cut[cut["end"] > cut["start"]]
    return cut.assign(minutes=(cut["end"] - cut["start"]) / pd.Timedelta(minutes=1))


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
    series, table = _series(record), steps(record, interval_min=interval_min)
    inner = clip(table[table["gap"]], start=start, end=end).assign(edge="")[["start", "end", "minutes", "edge"]]
    valued = series.index[series.notna().to_numpy()]
    if not len(valued):
        return pd.DataFrame({"start": [start], "end": [end], "minutes": [(end - start) / pd.Timedelta(minutes=1)], "edge": ["start"]})
    rows = [inner]
    beyond = {"start": (valued[0] - start, start, min(valued[0], end)), "end": (end - valued[-1], max(valued[-1], start), end)}
    for (edge, (silent, a, b)), usual in zip(beyond.items(), end_intervals(record, interval_min=interval_min), strict=True):
        if silent / pd.Timedelta(minutes=1) > np.fmax(GAP_FACTOR * usual, GAP_FLOOR_MIN) + _TICK_MIN:
            rows.append(pd.DataFrame({"start": [a], "end": [b], "minutes": [(b - a) / pd.Timedelta(minutes=1)], "edge": [edge]}))
    return pd.concat([row for row in rows if len(row)] or [inner], ignore_index=True).sort_values("start", ignore_index=True)


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
    window = (end - start) / pd.Timedelta(minutes=1)
    spans = gaps(record, start=start, end=end, interval_min=interval_min)
    table = steps(record, interval_min=interval_min)
    nameless = table["interval_min"].isna()
    held = table[(table["missing"] > 0) & ~nameless]
    lost = float(clip(table[table["gap"] & nameless], start=start, end=end)["minutes"].sum())
    series, (first, usual) = _series(record), end_intervals(record, interval_min=interval_min)
    after = float(spans.loc[spans["edge"] == "end", "minutes"].sum())
    if after and np.isfinite(usual):  # after the last reading as between two
        last = series.index[series.notna().to_numpy()][-1]
        held = pd.concat([held, pd.DataFrame({"start": [last], "end": [end], "interval_min": [usual], "missing": [np.iinfo("int64").max]})])
        after = 0.0
    missing, without = _missing_of(held, start=start, end=end)
    before = float(spans.loc[spans["edge"] == "start", "minutes"].sum())
    missing += int(np.floor(before / first + 1e-6)) if first > 0 else 0
    lost += without + before + after
    share = 1.0 - lost / window if window > 0 else 0.0
    return {
        "covered_share": float(min(1.0, max(0.0, share))), "missing_readings": missing, "gap_minutes": float(spans["minutes"].sum()),
        "lost_minutes": float(min(max(lost, 0.0), max(window, 0.0))),
    }  # fmt: skip


def _missing_of(held: pd.DataFrame, *, start: pd.Timestamp, end: pd.Timestamp) -> tuple[int, float]:
    """Missing readings of these steps that would stand in a window, and the window's time without them [min]: a reading holds one interval."""
    first, last = (pd.DatetimeIndex([edge]).as_unit("us").asi8[0] / _US_MIN for edge in (start, end))
    left, right = (pd.DatetimeIndex(held[side]).as_unit("us").asi8 / _US_MIN for side in ("start", "end"))
    usual, count = held["interval_min"].to_numpy(), held["missing"].to_numpy()
    before = np.clip(np.ceil((first - left) / usual - 1e-6) - 1, 0, count)  # of the missing, those that would stand before the window
    through = np.clip(np.ceil((last - left) / usual - 1e-6) - 1, 0, count)
    lost = np.clip(np.minimum(right, last) - np.maximum(left + usual, first), 0.0, None)
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
