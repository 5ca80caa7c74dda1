"""A trace against one limit of its condition, and its totals in a window: at least, on the straight line, at most.

Rules: CONTRACTS "How the numbers are made", rules 3 to 6; the minutes between two readings come from
:mod:`coldchain_kit.excursions.time_beyond`. Assumption printed with every bound: between neighbouring readings the temperature stays
between them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from coldchain_kit.excursions import swing, time_beyond
from coldchain_kit.excursions.time_beyond import StepTable
from coldchain_kit.model import Condition, Direction, OutsideTotals, Trace, one_sided, timeline

SIGN: dict[Direction, float] = {"above": 1.0, "below": -1.0}


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
    direction: Direction
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


def course(trace: Trace, condition: Condition, direction: Direction) -> Course | None:
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
    at = np.flatnonzero(one_sided.heard(readings) & ~one_sided.unknown(readings, condition))
    corrected, as_read = (one_sided.judged_c(readings, column)[at] for column in ("celsius", "as_read_c"))
    ruling = np.where(sign * as_read > sign * corrected, as_read, corrected)
    expanded = 2.0 * np.nan_to_num(readings["u_c"].to_numpy()[at])
    outside = condition.outside(ruling, direction)
    distance = np.round(sign * (ruling - limit), 9)
    distance = np.where(outside, np.maximum(distance, 1e-9), np.minimum(distance, 0.0))
    edge = -0.5e-6 if _exclusive(condition, direction, limit) else 0.0  # a limit that is itself outside, as in the steps
    surely = outside & (np.round(sign * (corrected - limit) - expanded, 6) > edge)
    near = outside | (np.round(distance + expanded, 6) > edge)
    steps = trace_steps(trace, limit_c=limit, direction=direction, condition=condition)
    us = timeline.times_of(readings).as_unit("us").asi8[at]
    return Course(condition, direction, limit, us, at, as_read, corrected, ruling, expanded, distance, outside, surely, near, readings["one_sided"].to_numpy()[at], steps)


def totals(trace: Trace, condition: Condition, direction: Direction, *, start: pd.Timestamp, end: pd.Timestamp) -> OutsideTotals | None:
    """Minutes beyond one limit in a window, each step once.

    Returns
    -------
    dict: minutes, minutes_least, minutes_most [min]; None where the condition has no such limit.

    Examples
    --------
    >>> from coldchain_kit.model import conditions
    >>> times = pd.date_range("2026-03-01", periods=3, freq="30min", tz="UTC")
    >>> trace = Trace.of(pd.Series([5.0, 10.0, 5.0], index=times), u_c=0.25, interval_min=30)
    >>> totals(trace, conditions.get("refrigerated"), "above", start=times[0], end=times[-1])
    {'minutes': 24.0, 'minutes_least': 0.0, 'minutes_most': 60.0}
    """
    limit = condition.limit_c(direction)
    if limit is None:
        return None
    steps = trace_steps(trace, limit_c=limit, direction=direction, condition=condition)
    first, last = pd.DatetimeIndex([start, end]).as_unit("us").asi8.tolist()
    minutes, least, most = time_beyond.total(steps, start_us=first, end_us=last)
    return {"minutes": minutes, "minutes_least": least, "minutes_most": most}


def unknown_min(trace: Trace, condition: Condition, *, start: pd.Timestamp, end: pd.Timestamp) -> float:
    """Minutes of a window of which nothing is known: gaps and coarser stretches that nothing states, as far as no "at most" of either limit holds them.

    The window's edges without readings are included [min].

    Examples
    --------
    A gap of 2 h between readings well inside both limits; one between a warm reading and another belongs to its "at most":

    >>> from coldchain_kit.model import conditions
    >>> times = pd.to_datetime([f"2026-03-01T{clock}Z" for clock in ("00:00", "00:10", "00:20", "02:20", "02:30")])
    >>> [unknown_min(Trace.of(pd.Series([5.0, 5, before, 5, 5], index=times), u_c=0.25, interval_min=10), conditions.get("refrigerated"), start=times[0], end=times[-1]) for before in (5.0, 9.0)]
    [120.0, 0.0]
    """
    told = known(trace, condition)
    spans = timeline.gaps(told, start=start, end=end)
    edges = float(spans.loc[spans["edge"] != "", "minutes"].sum())
    found = pairs_without(trace, one_sided.unknown(trace.readings, condition))
    free = found.gap | found.coarse
    for direction in SIGN:
        limit = condition.limit_c(direction)
        if limit is not None and len(free):
            free = free & ~trace_steps(trace, limit_c=limit, direction=direction, condition=condition).most
    first, last = pd.DatetimeIndex([start, end]).as_unit("us").asi8
    inside = np.clip(np.minimum(found.end_us, last) - np.maximum(found.start_us, first), 0, None) / time_beyond.US_PER_MIN
    return edges + float(inside[free].sum())


def known(trace: Trace, condition: Condition) -> Trace:
    """The trace without its one-sided readings of any value, which say nothing about the condition's limits: for what is known, and coverage."""
    return _without(trace, one_sided.unknown(trace.readings, condition))


def _without(trace: Trace, left_out: np.ndarray) -> Trace:
    if not left_out.any():
        return trace
    readings = trace.readings
    side, bound = np.where(left_out, 0, readings["one_sided"]).astype("int8"), np.where(left_out, np.nan, readings["bound_c"])
    return replace(trace, readings=readings.assign(one_sided=side, bound_c=bound))


def pairs_without(trace: Trace, left_out: np.ndarray) -> timeline.Pairs:
    """:func:`timeline.pairs` between the readings that stay; a step over a one-sided reading that is left out is marked like a gap.

    Parameters
    ----------
    left_out : array of bool, one a row of the readings
        One-sided readings.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=4, freq="5min", tz="UTC")
    >>> trace = Trace.of(pd.Series([5.0, np.nan, 5.0, 5.0], index=times), one_sided=np.array([0, 1, 0, 0]), interval_min=5)
    >>> pairs_without(trace, trace.readings["one_sided"] != 0).gap.tolist()
    [True, False]
    """
    left_out = np.asarray(left_out, dtype=bool)
    found = timeline.pairs(_without(trace, left_out))
    if not left_out.any():
        return found
    before = np.concatenate(([0], np.cumsum(left_out)))
    return found._replace(gap=found.gap | (before[found.right] > before[found.left]))


def number_gaps(trace: Trace, *, start: pd.Timestamp, stop: pd.Timestamp) -> np.ndarray:
    """Which steps between readings with a number in [start, stop) no line may bridge: gaps, and those over a one-sided reading."""
    found = pairs_without(trace, trace.readings["one_sided"].to_numpy() != 0)
    first, last = pd.DatetimeIndex([start, stop]).as_unit("us").asi8
    return found.gap[(found.start_us >= first) & (found.end_us < last)]


def _exclusive(condition: Condition | None, direction: str, limit_c: float) -> bool:
    """Whether the limit itself is already outside."""
    return bool(condition and condition.high_exclusive and direction == "above" and limit_c == condition.limit_c("above"))


def _no_further(values: np.ndarray, condition: Condition, direction: Direction, limit_c: float) -> np.ndarray:
    """Readings without a number put at the condition's own limit, as far as they are known to have gone, where another one is asked about."""
    own, sign = condition.limit_c(direction), SIGN[direction]
    if own is not None and sign * (limit_c - own) <= 0:
        return values
    return np.where(np.isposinf(sign * values), -sign * np.inf if own is None else own, values)


def trace_steps(trace: Trace, *, limit_c: float, direction: Direction, condition: Condition | None = None, cut: bool = False) -> time_beyond.StepTable:
    """:func:`time_beyond.step_table` of a trace: corrected and as read, each reading's own uncertainty, exclusive limits of the condition.

    One-sided readings stand with their bound; those of any value are left out, and one whose bound does not reach this limit may lie beyond it.
    ``cut``: the limit is a further temperature, not one of the condition's own. A reading without a number is known to be outside
    the condition's limit, and no more: it proves no minutes beyond a further temperature, but they cannot be ruled out.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=3, freq="10min", tz="UTC")
    >>> table = trace_steps(Trace.of(pd.Series([7.0, 9.0, 9.0], index=times), u_c=0.25, interval_min=10), limit_c=8.0, direction="above")
    >>> table.least.tolist(), table.most.tolist()
    ([False, True], [True, True])
    """
    readings = trace.readings
    lost = np.zeros(len(readings), dtype=bool) if condition is None else one_sided.unknown(readings, condition)
    at = np.flatnonzero(one_sided.heard(readings) & ~lost)
    corrected, as_read = (one_sided.judged_c(readings, column)[at] for column in ("celsius", "as_read_c"))
    sided = one_sided.any_of(readings)
    short = one_sided.short_of(readings, limit_c, direction)[at] if sided else np.zeros(0, dtype=bool)
    if cut and condition is not None and sided:
        corrected, as_read = (_no_further(values, condition, direction, limit_c) for values in (corrected, as_read))
        short = short | (np.isposinf(SIGN[direction] * one_sided.judged_c(readings)[at]) & ~np.isinf(corrected))
    found = pairs_without(trace, lost)
    steps = time_beyond.steps_of(
        timeline.times_of(readings).as_unit("us").asi8[at], corrected, as_read, limit_c=limit_c, direction=direction, expanded_c=2.0 * np.nan_to_num(readings["u_c"].to_numpy())[at],
        gap=found.gap, coarse=found.coarse, hidden_k=swing.hidden_k(_without(trace, lost)), inclusive=_exclusive(condition, direction, limit_c),
    )  # fmt: skip
    return steps._replace(most=steps.most | short[:-1] | short[1:]) if short.any() else steps
