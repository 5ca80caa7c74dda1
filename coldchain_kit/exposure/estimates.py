"""What no reading shows: air that a buffered probe damped away, and the course inside a gap. Estimates only.

They stand beside their assumptions; the only bound of a gap is "unknown", and no verdict and no allowance rests on them.
"""

from __future__ import annotations

from typing import TypedDict

import numpy as np
import numpy.typing as npt
import pandas as pd

from coldchain_kit import thermal
from coldchain_kit.base import KitError
from coldchain_kit.excursions import bounds, time_beyond
from coldchain_kit.model import BufferRow, ExcursionRow, GapEstimateRow, GapRow, Trace, physics, rows_of, timeline

LEAST_READINGS = 8  # of a warm-up, so that its time constant can be bounded (own rule, no source)
LEAST_RISE_C = 2.0  # several steps of any display


class Estimates(TypedDict):
    """Both estimates of one probe."""

    buffer: list[BufferRow[pd.Timestamp]]
    gap_estimates: list[GapEstimateRow[pd.Timestamp]]


def behind_buffer(celsius: pd.Series, *, tau_min: float, resolution_c: float | None = None, gap: npt.ArrayLike | None = None) -> BufferRow[pd.Timestamp] | None:
    """What a buffered probe's lag hides: the air that a first-order probe must have met to move as it did.

    Over each step the air is taken as constant: air = (b - a r) / (1 - r), r = exp(-step / tau) (FACTS G1). The
    product has a lag of its own, often another one: this shows how far air went, no verdict uses it.

    Parameters
    ----------
    celsius : Series of float
    tau_min : float
        The probe's declared time constant [min].
    resolution_c : float, optional
        One step of the display [°C]; it becomes the doubt of the estimate.

    Returns
    -------
    dict: air_high_c, air_high_time, warmer_by_c (above the highest reading), air_low_c, air_low_time, colder_by_c, doubt_c
    [°C; None without a resolution]; None without two neighbouring readings.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=2, freq="10min", tz="UTC")
    >>> round(behind_buffer(pd.Series([5.0, 5.0 + 15 * 0.6321205588], index=times), tau_min=10.0, gap=[False])["air_high_c"], 6)
    20.0
    """
    if tau_min <= 0:
        raise KitError("the time constant must be above zero", expected="minutes, for example 12")
    keep = np.isfinite(celsius.to_numpy(dtype="float64"))
    values, index = time_beyond.known(celsius), celsius.index[keep]
    use = ~time_beyond.gap_marks(celsius, gap, readings=len(values))
    if not use.any():
        return None
    step_min = np.diff(time_beyond.times_us(celsius)[keep]) / time_beyond.US_PER_MIN
    left = np.exp(-step_min / tau_min)
    air = np.where(use, (values[1:] - values[:-1] * left) / (1.0 - left), np.nan)
    high, low = int(np.nanargmax(air)), int(np.nanargmin(air))
    doubt = None if resolution_c is None else float(resolution_c / 2.0 * (1.0 + left[high]) / (1.0 - left[high]))
    return {
        "air_high_c": float(air[high]), "air_high_time": index[high + 1], "warmer_by_c": max(0.0, float(air[high] - values.max())),
        "air_low_c": float(air[low]), "air_low_time": index[low + 1], "colder_by_c": max(0.0, float(values.min() - air[low])), "doubt_c": doubt,
    }  # fmt: skip


def inside_gaps(record: Trace | pd.Series, *, room_c: float, tau_min: float, high_c: float | None, start: pd.Timestamp, end: pd.Timestamp) -> list[GapEstimateRow[pd.Timestamp]]:
    """What might have happened inside each gap if cooling had stopped at its start: warm-up towards the room.

    An estimate beside its assumptions. The only bound of a gap is "unknown"; no verdict and no allowance uses this.

    Parameters
    ----------
    room_c : float
        The room [°C].
    tau_min : float
        The unit's warm-up time constant, fitted or stated [min].
    high_c : float or None
        High limit [°C].

    Returns
    -------
    list of dict, a row a gap between two readings: start, end, minutes, before_c, after_c, warmest_c (at the gap's end) [°C],
    minutes_to_limit [min; None where it is not reached], assumes (text).
    """
    rows: list[GapEstimateRow[pd.Timestamp]] = []
    celsius = record.celsius if isinstance(record, Trace) else record
    for gap in rows_of(timeline.gaps(record, start=start, end=end), GapRow[pd.Timestamp]):
        if gap["edge"] or gap["start"] not in celsius.index or pd.isna(celsius[gap["start"]]):
            continue
        before = float(celsius[gap["start"]])
        warmest = float(physics.first_order(before, room_c, gap["minutes"], tau_min=tau_min))
        reach = None if high_c is None else physics.minutes_to_reach(before, room_c, high_c, tau_min=tau_min)
        rows.append({
            "start": gap["start"], "end": gap["end"], "minutes": gap["minutes"], "before_c": before,
            "after_c": _number_at(celsius, gap["end"]), "warmest_c": warmest,
            "minutes_to_limit": reach if reach is not None and reach <= gap["minutes"] else None,
            "assumes": f"Cooling stops at the gap's start, the room stays at {room_c:.1f} °C, the unit warms with a time constant of {tau_min / 60:.1f} h. What really happened is unknown.",
        })  # fmt: skip
    return rows


def _number_at(celsius: pd.Series, time: pd.Timestamp) -> float | None:
    value = celsius.get(time, np.nan)
    return None if pd.isna(value) else float(value)


def warm_up(trace: Trace, excursions: pd.DataFrame, *, room: Trace | None) -> tuple[float, float] | None:
    """The unit's own warm-up, off the longest excursion above that rose towards the room: (time constant [min], room [°C]).

    None without a room probe, or without a rise long enough to fit.
    """
    if room is None or not len(excursions):
        return None
    rows = excursions[(excursions["probe"] == trace.probe.name) & (excursions["direction"] == "above") & ~excursions["faulty"].astype(bool)]
    for row in rows_of(rows.sort_values("minutes", ascending=False), ExcursionRow[pd.Timestamp]):
        rise = trace.celsius[row["start_earliest"] : row["extreme_time"]].dropna()
        around = room.celsius[row["start_earliest"] : row["extreme_time"]].dropna()
        if len(rise) < LEAST_READINGS or rise.iloc[-1] - rise.iloc[0] < LEAST_RISE_C or not len(around):
            continue
        fit = thermal.warm_up(rise, end_c=float(around.mean()), probe_tau_min=trace.probe.time_constant_min or 0.0)
        if np.isfinite(fit.tau_high_min):
            return fit.tau_min, float(around.mean())
    return None


def rows(trace: Trace, excursions: pd.DataFrame, *, room: Trace | None, high_c: float | None, start: pd.Timestamp, end: pd.Timestamp) -> Estimates:
    """Both estimates of one probe in a window, as result rows.

    Returns
    -------
    dict: buffer (at most one row, of a probe with a declared time constant), gap_estimates (a row a gap; none where the unit's
    warm-up or the room is not known).
    """
    index = trace.readings.index
    celsius = trace.celsius[(index >= start) & (index < end)]
    tau = trace.probe.time_constant_min
    found: list[BufferRow[pd.Timestamp]] = []
    if tau and trace.probe.role == "buffered":
        hidden = behind_buffer(celsius, tau_min=tau, resolution_c=trace.probe.resolution_c, gap=bounds.number_gaps(trace, start=start, stop=end))
        found = [{"probe": trace.probe.name, "time_constant_min": tau, **hidden}] if hidden else []
    own = warm_up(trace, excursions, room=room)
    gaps = [] if own is None else inside_gaps(trace, room_c=own[1], tau_min=own[0], high_c=high_c, start=start, end=end)
    return {"buffer": found, "gap_estimates": [{"probe": trace.probe.name, **row} for row in gaps]}
