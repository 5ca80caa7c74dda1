"""A trace against one limit of its condition, and its totals in a window: at least, on the straight line, at most.

Rules: CONTRACTS "How the numbers are made", rules 3 to 6; the minutes between two readings come from
:mod:`coldchain_kit.excursions.time_beyond`. Assumption printed with every bound: between neighbouring readings the temperature stays
between them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from coldchain_kit.excursions import time_beyond
from coldchain_kit.excursions.time_beyond import StepTable
from coldchain_kit.model import Condition, Trace, one_sided, timeline

SIGN = {"above": 1.0, "below": -1.0}


@dataclass(frozen=True)
class Course:
    """A trace's readings against one limit, and the steps between them.

    One-sided readings stand with their bound, or infinite on their side without one; those that say nothing about the limits
    are left out, and the step over them is marked like a gap (CONTRACTS rule 9).

    Per reading (n): ``us`` time [µs], ``ruling_c`` the one of as-read and corrected that lies further outside [°C],
    ``corrected_c``, ``as_read_c``, ``expanded_c`` U [°C], ``beyond_c`` distance of the ruling value beyond the limit [°C,
    negative inside], ``outside`` bool, ``surely`` bool (corrected beyond by more than U), ``near`` bool (ruling beyond
    limit - U), ``side`` of one-sided readings (0 else), ``at`` positions in the trace. Per step (n - 1): ``steps``.
    """

    condition: Condition
    direction: str
    limit_c: float
    us: np.ndarray
    at: np.ndarray
    as_read_c: np.ndarray
    corrected_c: np.ndarray
    ruling_c: np.ndarray
    expanded_c: np.ndarray
    beyond_c: np.ndarray
    outside: np.ndarray
    surely: np.ndarray
    near: np.ndarray
    side: np.ndarray
    steps: StepTable


def course(trace: Trace, condition: Condition, direction: str) -> Course | None:
    """The trace against one limit of a condition; None where the condition has no limit on that side.

    Examples
    --------
    >>> from coldchain_kit.model import conditions
    >>> times = pd.date_range("2026-03-01", periods=3, freq="30min", tz="UTC")
    >>> line = course(Trace.of(pd.Series([5.0, 8.3, 9.0], index=times), u_c=0.25), conditions.get("refrigerated"), "above")
    >>> line.outside.tolist(), line.surely.tolist(), line.expanded_c.tolist()
    ([False, True, True], [False, False, True], [0.5, 0.5, 0.5])
    """
    limit = condition.limit_c(direction)
    if limit is None:
        return None
    sign = SIGN[direction]
    readings = trace.readings
    at = known_at(trace, condition)
    corrected, as_read = (one_sided.judged_c(readings, column)[at] for column in ("celsius", "as_read_c"))
    ruling = np.where(sign * as_read > sign * corrected, as_read, corrected)
    expanded = 2.0 * np.nan_to_num(readings["u_c"].to_numpy()[at])
    outside = condition.outside(ruling, direction)
    distance = np.round(sign * (ruling - limit), 9)
    distance = np.where(outside, np.maximum(distance, 1e-9), np.minimum(distance, 0.0))
    surely = outside & (np.round(sign * (corrected - limit) - expanded, 6) > 0)
    near = outside | (np.round(distance + expanded, 6) > 0)
    steps = trace_steps(trace, limit_c=limit, direction=direction, condition=condition)
    us = readings.index.as_unit("us").asi8[at]
    return Course(condition, direction, limit, us, at, as_read, corrected, ruling, expanded, distance, outside, surely, near, readings["one_sided"].to_numpy()[at], steps)


def totals(trace: Trace, condition: Condition, direction: str, *, start: pd.Timestamp, end: pd.Timestamp) -> dict[str, float] | None:
    """Minutes beyond one limit in a window, each step once.

    Returns
    -------
    dict: minutes, minutes_least, minutes_most [min]; None where the condition has no such limit.

    Examples
    --------
    >>> from coldchain_kit.model import conditions
    >>> times = pd.date_range("2026-03-01", periods=3, freq="30min", tz="UTC")
    >>> trace = Trace.of(pd.Series([5.0, 10.0, 5.0], index=times), u_c=0.25)
    >>> totals(trace, conditions.get("refrigerated"), "above", start=times[0], end=times[-1])
    {'minutes': 24.0, 'minutes_least': 0.0, 'minutes_most': 60.0}
    """
    limit = condition.limit_c(direction)
    if limit is None:
        return None
    steps = trace_steps(trace, limit_c=limit, direction=direction, condition=condition)
    first, last = pd.DatetimeIndex([start, end]).as_unit("us").asi8
    minutes, least, most = time_beyond.total(steps, start_us=first, end_us=last)
    return {"minutes": minutes, "minutes_least": least, "minutes_most": most}


def unknown_min(trace: Trace, condition: Condition, *, start: pd.Timestamp, end: pd.Timestamp) -> float:
    """Gap minutes of a window that no "at most" of either limit holds, its edges without readings included [min].

    Examples
    --------
    A gap of 2 h between readings well inside both limits; one between a warm reading and another belongs to its "at most":

    >>> from coldchain_kit.model import conditions
    >>> times = pd.to_datetime([f"2026-03-01T{clock}Z" for clock in ("00:00", "00:10", "00:20", "02:20", "02:30")])
    >>> [unknown_min(Trace.of(pd.Series([5.0, 5, before, 5, 5], index=times), u_c=0.25), conditions.get("refrigerated"), start=times[0], end=times[-1]) for before in (5.0, 9.0)]
    [120.0, 0.0]
    """
    told = known(trace, condition)
    spans = timeline.gaps(told, start=start, end=end)
    edges = float(spans.loc[spans["edge"] != "", "minutes"].sum())
    table = timeline.steps(told)
    free = marks(trace, known_at(trace, condition))
    for direction in SIGN:
        limit = condition.limit_c(direction)
        if limit is not None and len(table):
            free = free & ~trace_steps(trace, limit_c=limit, direction=direction, condition=condition).most
    return edges + float(timeline.clip(table[free], start=start, end=end)["minutes"].sum())


def known_at(trace: Trace, condition: Condition | None = None) -> np.ndarray:
    """Positions of the readings that say something about the condition's limits: all but one-sided ones of any value."""
    here = one_sided.heard(trace.readings)
    return np.flatnonzero(here if condition is None else here & ~one_sided.unknown(trace.readings, condition))


def known(trace: Trace, condition: Condition | None = None) -> pd.Series:
    """0 at the readings of :func:`known_at`, else NaN: for coverage, which a reading of any value does not add to."""
    told = pd.Series(np.nan, index=trace.readings.index)
    told.iloc[known_at(trace, condition)] = 0.0
    return told


def marks(trace: Trace, at: np.ndarray, *, gap: np.ndarray | None = None) -> np.ndarray:
    """Which steps between these readings are like a gap: a gap lies in it, or a reading that is left out.

    ``gap``: marks of the steps between all readings, where they are known already.
    """
    every = timeline.steps(trace.heard)["gap"].to_numpy(dtype=bool) if gap is None else np.asarray(gap, dtype=bool)
    heard = np.flatnonzero(one_sided.heard(trace.readings))
    if len(at) == len(heard) or len(at) < 2:
        return every if len(at) > 1 else np.zeros(0, dtype=bool)
    place = np.searchsorted(heard, at)
    return (np.diff(place) > 1) | every[place[:-1]]


def trace_steps(trace: Trace, *, limit_c: float, direction: str, gap=None, condition: Condition | None = None) -> time_beyond.StepTable:
    """:func:`beyond.step_table` of a trace: corrected and as read, each reading's own uncertainty, exclusive limits of the condition.

    ``gap``: marks of the steps between all readings, one-sided ones among them, where they are known already.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=3, freq="10min", tz="UTC")
    >>> table = trace_steps(Trace.of(pd.Series([7.0, 9.0, 9.0], index=times), u_c=0.25), limit_c=8.0, direction="above")
    >>> table.least.tolist(), table.most.tolist()
    ([False, True], [True, True])
    """
    inclusive = bool(condition and condition.high_exclusive and direction == "above" and limit_c == condition.limit_c("above"))
    readings, at = trace.readings, known_at(trace, condition)
    corrected, as_read = (one_sided.judged_c(readings, column)[at] for column in ("celsius", "as_read_c"))
    expanded = 2.0 * np.nan_to_num(readings["u_c"].to_numpy())[at]
    us = readings.index.as_unit("us").asi8[at]
    steps = time_beyond.steps_of(us, corrected, as_read, limit_c=limit_c, direction=direction, expanded_c=expanded, gap=marks(trace, at, gap=gap), inclusive=inclusive)
    short = one_sided.short_of(readings, limit_c, direction)[at]
    return steps._replace(most=steps.most | short[:-1] | short[1:]) if short.any() else steps
