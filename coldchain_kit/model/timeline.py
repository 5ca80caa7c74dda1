"""When there are readings and when there are none: interval in force, steps, gaps, coverage, probes side by side.

Nothing is interpolated into the record. Rules: CONTRACTS "How the numbers are made", rule 4.
"""

from __future__ import annotations

from typing import TypedDict, cast

import numpy as np
import pandas as pd

GAP_FACTOR = 2.5  # a step longer than this many intervals is a gap (rule 4)
GAP_FLOOR_MIN = 5.0  # unless it is no longer than this: loggers with uneven steps (rule 4)
MISSING_FACTOR = 1.5  # a longer step of an even logger holds missing readings (rule 4)
_US_MIN = 60e6

# A stretch is recognised by the running median of its steps: it must jump by more than a quarter and last at
# least half the running window, else a few missing readings would look like a change of the interval.
_WINDOW = 25
_JUMP = 1.25


def times_of(held: pd.Series | pd.DataFrame) -> pd.DatetimeIndex:
    """The times of a record: its index, under the type that it has (the stubs of pandas know only "an index").

    Examples
    --------
    >>> times_of(pd.Series([4.0], index=pd.DatetimeIndex(["2026-03-01"], tz="UTC"))).tz
    datetime.timezone.utc
    """
    return cast(pd.DatetimeIndex, held.index)


def interval_min(times: pd.DatetimeIndex) -> float | None:
    """The median step [min] of a whole record; None with fewer than two times.

    Examples
    --------
    >>> interval_min(pd.date_range("2026-03-01", periods=4, freq="5min", tz="UTC"))
    5.0
    """
    step = np.diff(_us(times))
    step = step[step > 0]
    return float(np.median(step) / _US_MIN) if len(step) else None


def intervals(times: pd.DatetimeIndex) -> np.ndarray:
    """The interval in force [min] at each step between neighbouring times: the median step of its stretch.

    Parameters
    ----------
    times : DatetimeIndex, n strictly increasing times

    Returns
    -------
    array of float, n - 1 intervals [min].

    Examples
    --------
    >>> a = pd.date_range("2026-03-01", periods=40, freq="5min", tz="UTC")
    >>> b = pd.date_range(a[-1] + pd.Timedelta("15min"), periods=40, freq="15min", tz="UTC")
    >>> np.unique(intervals(a.append(b))).tolist()
    [5.0, 15.0]
    """
    return _timing(times)[0]


def _timing(times: pd.DatetimeIndex) -> tuple[np.ndarray, bool]:
    """The interval in force at each step [min], and whether the logger reads at even steps.

    An uneven logger has one interval, its median step: its stretches would be chance.
    """
    step = np.diff(_us(times)) / _US_MIN
    if not len(step):
        return step, True
    overall = np.full(len(step), np.median(step))
    if len(step) < 2 * _WINDOW:
        return overall, _even(step, overall)
    typical = np.abs(step - overall) <= (_JUMP - 1) * overall
    if typical.mean() > 0.98 and not _long_runs(~typical):
        return overall, _even(step, overall)
    running = pd.Series(step).rolling(_WINDOW, center=True, min_periods=1).median().to_numpy()
    level = np.concatenate(([0], np.cumsum(np.abs(np.diff(np.log(running))) > np.log(_JUMP))))
    force = np.empty(len(step))
    for start, stop in _stretches(level):
        force[start:stop] = np.median(step[start:stop])
    even = _even(step, force)
    return (force if even else overall), even


def _even(step: np.ndarray, force: np.ndarray) -> bool:
    """Whether four of five steps lie within a tenth of the interval in force or of a multiple of it (missing readings make no logger uneven)."""
    if len(step) < 3:
        return True
    ratio = step / force
    return bool((np.abs(ratio - np.maximum(np.round(ratio), 1)) <= 0.1).mean() >= 0.8)


def _us(times: pd.DatetimeIndex) -> np.ndarray:
    return times.as_unit("us").asi8


def _long_runs(mask: np.ndarray) -> bool:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.view("int8"), [0]))))
    return bool(len(edges)) and int((edges[1::2] - edges[::2]).max()) >= _WINDOW // 2


def _stretches(level: np.ndarray) -> list[tuple[int, int]]:
    """Runs of one level; a run shorter than half the window belongs to the one before it."""
    cuts = np.concatenate(([0], np.flatnonzero(np.diff(level)) + 1, [len(level)]))
    runs: list[list[int]] = []
    for start, stop in zip(cuts[:-1].tolist(), cuts[1:].tolist(), strict=True):
        if runs and (stop - start < _WINDOW // 2 or level[start] == level[runs[-1][0]]):
            runs[-1][1] = stop
        else:
            runs.append([start, stop])
    if len(runs) > 1 and runs[0][1] - runs[0][0] < _WINDOW // 2:
        runs[1][0] = 0
        runs = runs[1:]
    return [(start, stop) for start, stop in runs]


def end_intervals(times: pd.DatetimeIndex) -> tuple[float, float]:
    """The interval in force at the record's first and at its last step [min]; 0 with fewer than two times.

    Examples
    --------
    >>> end_intervals(pd.date_range("2026-03-01", periods=4, freq="5min", tz="UTC"))
    (5.0, 5.0)
    """
    force = intervals(times)
    return (float(force[0]), float(force[-1])) if len(force) else (0.0, 0.0)


def steps(series: pd.Series) -> pd.DataFrame:
    """Every pair of neighbouring readings that have a value.

    Parameters
    ----------
    series : Series of float [°C], UTC index; NaN = a row without a value

    Returns
    -------
    DataFrame, one row a pair: start, end (UTC), minutes [min], interval_min [min, in force there], gap (bool),
    missing (int, readings that should stand between them), left, right (positions in ``series``).

    Examples
    --------
    >>> times = pd.to_datetime(["2026-03-01T00:00Z", "2026-03-01T00:05Z", "2026-03-01T00:10Z", "2026-03-01T03:00Z", "2026-03-01T03:05Z"])
    >>> steps(pd.Series([4.0, 4, 4, 4, 4], index=times)).gap.tolist()
    [False, False, True, False]
    """
    index = times_of(series)
    values = series.to_numpy(dtype="float64")
    at = np.flatnonzero(np.isfinite(values))
    us = _us(index)
    if len(at) < 2:
        empty = pd.DatetimeIndex([], tz="UTC").as_unit("us")
        return pd.DataFrame({"start": empty, "end": empty, "minutes": np.zeros(0), "interval_min": np.zeros(0), "gap": np.zeros(0, bool), "missing": np.zeros(0, "int64"), "left": at[:0], "right": at[:0]})
    left, right = at[:-1], at[1:]
    minutes = (us[right] - us[left]) / _US_MIN
    force, even = _timing(index)
    force = force[left]
    gap = minutes > np.maximum(GAP_FACTOR * force, GAP_FLOOR_MIN)
    missing = np.where(minutes > MISSING_FACTOR * force, np.round(minutes / force) - 1, 0).astype("int64")
    if not even:
        missing = np.where(gap, missing, 0)
    return pd.DataFrame(
        {"start": index[left], "end": index[right], "minutes": minutes, "interval_min": force, "gap": gap, "missing": missing, "left": left, "right": right}
    )


def gap_marks(series: pd.Series, *, start: pd.Timestamp, stop: pd.Timestamp) -> np.ndarray:
    """Which steps between the readings with a value in [start, stop) are gaps, judged on the whole record.

    A window must not judge on its own: its few steps may have another median than the stretch they belong to.

    Returns
    -------
    array of bool, one fewer than those readings.

    Examples
    --------
    >>> times = pd.to_datetime([f"2026-03-01T{clock}Z" for clock in ("00:00", "00:05", "00:10", "03:00", "03:05")])
    >>> gap_marks(pd.Series(4.0, index=times), start=times[1], stop=times[4]).tolist()
    [False, True]
    """
    table = steps(series)
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
    cut = table.assign(start=table["start"].clip(lower=start), end=table["end"].clip(upper=end))  # type: ignore[call-overload]  # the stub knows no bound in time
    cut = cut[cut["end"] > cut["start"]]
    return cut.assign(minutes=(cut["end"] - cut["start"]) / pd.Timedelta(minutes=1))  # type: ignore[operator]  # the stub does not know that these are times


def gaps(series: pd.Series, *, start: pd.Timestamp, end: pd.Timestamp) -> pd.DataFrame:
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
    table = steps(series)
    inner = clip(table[table["gap"]], start=start, end=end).assign(edge="")[["start", "end", "minutes", "edge"]]
    valued = series.index[series.notna().to_numpy()]
    if not len(valued):
        return pd.DataFrame({"start": [start], "end": [end], "minutes": [(end - start) / pd.Timedelta(minutes=1)], "edge": ["start"]})
    rows = [inner]
    beyond = {"start": (valued[0] - start, start, min(valued[0], end)), "end": (end - valued[-1], max(valued[-1], start), end)}
    for (edge, (silent, a, b)), usual in zip(beyond.items(), end_intervals(times_of(series)), strict=True):
        if silent / pd.Timedelta(minutes=1) > max(GAP_FACTOR * usual, GAP_FLOOR_MIN):
            rows.append(pd.DataFrame({"start": [a], "end": [b], "minutes": [(b - a) / pd.Timedelta(minutes=1)], "edge": [edge]}))
    return pd.concat([row for row in rows if len(row)] or [inner], ignore_index=True).sort_values("start", ignore_index=True)


class Coverage(TypedDict):
    """How much of a window readings cover: share 0 to 1, readings that are missing, minutes of gaps [min]."""

    covered_share: float
    missing_readings: int
    gap_minutes: float


def coverage(series: pd.Series, *, start: pd.Timestamp, end: pd.Timestamp) -> Coverage:
    """How much of a window the readings cover.

    Returns
    -------
    dict: covered_share (0..1: the window less the time of missing readings, one interval each; of an uneven logger
    less its gaps), missing_readings (int), gap_minutes [min].

    Cannot see: whether a reading that stands there is true.

    Examples
    --------
    One reading of an hour is missing, 5 of 60 minutes:

    >>> times = pd.date_range("2026-03-01", periods=13, freq="5min", tz="UTC")
    >>> found = coverage(pd.Series(4.0, index=times).drop(times[6]), start=times[0], end=times[-1])
    >>> round(found["covered_share"] * 60, 6), found["missing_readings"], found["gap_minutes"]
    (55.0, 1, 0.0)
    """
    window = (end - start) / pd.Timedelta(minutes=1)
    spans = gaps(series, start=start, end=end)
    table = steps(series)
    held = table[table["missing"] > 0]
    first, usual = end_intervals(times_of(series))
    if usual and (spans["edge"] == "end").any():  # after the last reading as between two
        last = series.index[series.notna().to_numpy()][-1]
        held = pd.concat([held, pd.DataFrame({"start": [last], "end": [end], "interval_min": [usual], "missing": [np.iinfo("int64").max]})])
    missing, lost = _missing_of(held, start=start, end=end)
    before = float(spans.loc[spans["edge"] == "start", "minutes"].sum())
    missing, lost = missing + (int(np.floor(before / first + 1e-6)) if first else 0), lost + before
    share = 1.0 - lost / window if window > 0 else 0.0
    return {"covered_share": float(min(1.0, max(0.0, share))), "missing_readings": missing, "gap_minutes": float(spans["minutes"].sum())}


def _missing_of(held: pd.DataFrame, *, start: pd.Timestamp, end: pd.Timestamp) -> tuple[int, float]:
    """Missing readings of these steps that would stand in a window, and the window's time without them [min]: a reading holds one interval."""
    first, last = (pd.DatetimeIndex([edge]).as_unit("us").asi8[0] / _US_MIN for edge in (start, end))
    left, right = (pd.DatetimeIndex(held[side]).asi8 / _US_MIN for side in ("start", "end"))
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
