"""Minutes beyond a limit between neighbouring readings: the linear course, and at least / at most.

Rules: CONTRACTS "How the numbers are made", rules 3 to 6. Assumption printed with every bound: between
neighbouring readings the temperature stays between them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from coldchain_kit import timeline
from coldchain_kit.conditions import Condition
from coldchain_kit.trace import Trace

SIGN = {"above": 1.0, "below": -1.0}


@dataclass(frozen=True)
class Course:
    """A trace's readings with a value against one limit, and the pairs between them.

    Per reading (n): ``us`` time [µs], ``ruling_c`` the one of as-read and corrected that lies further outside [°C],
    ``corrected_c``, ``as_read_c``, ``beyond_c`` distance of the ruling value beyond the limit [°C, negative inside],
    ``outside`` bool, ``surely`` bool (corrected beyond by more than U), ``near`` bool (ruling beyond limit - U),
    ``at`` positions in the trace. Per pair (n - 1): ``steps`` of :func:`timeline.steps`.
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
    steps: pd.DataFrame

    @property
    def gap(self) -> np.ndarray:
        return self.steps["gap"].to_numpy()

    @property
    def minutes(self) -> np.ndarray:
        return self.steps["minutes"].to_numpy()


def course(trace: Trace, condition: Condition, direction: str) -> Course | None:
    """The trace against one limit of a condition; None where the condition has no limit on that side."""
    limit = condition.limit_c(direction)
    if limit is None:
        return None
    sign = SIGN[direction]
    readings = trace.readings
    steps = timeline.steps(readings["celsius"])
    corrected = readings["celsius"].to_numpy()
    at = np.flatnonzero(np.isfinite(corrected))
    corrected = corrected[at]
    as_read = np.round(readings["as_read_c"].to_numpy()[at], 6)
    ruling = np.where(sign * as_read > sign * corrected, as_read, corrected)
    expanded = 2.0 * np.nan_to_num(readings["u_c"].to_numpy()[at])
    outside = condition.outside(ruling, direction)
    beyond = np.round(sign * (ruling - limit), 9)
    beyond = np.where(outside, np.maximum(beyond, 1e-9), np.minimum(beyond, 0.0))
    surely = np.round(sign * (corrected - limit) - expanded, 9) > 0
    near = outside | (np.round(beyond + expanded, 9) > 0)
    return Course(condition, direction, limit, readings.index.as_unit("us").asi8[at], at, as_read, corrected, ruling, expanded, beyond, outside, surely & outside, near, steps)


def linear_spans_min(course: Course) -> tuple[np.ndarray, np.ndarray]:
    """Where, within each pair, the straight line lies beyond the limit: minutes from the pair's first reading.

    Nothing (0, 0) in gaps and where both readings are inside.
    """
    first, second = course.beyond_c[:-1], course.beyond_c[1:]
    out0, out1 = course.outside[:-1], course.outside[1:]
    with np.errstate(divide="ignore", invalid="ignore"):
        cross = course.minutes * first / (first - second)
    lo = np.where(out0, 0.0, np.where(out1, cross, 0.0))
    hi = np.where(out1, course.minutes, np.where(out0, cross, 0.0))
    none = course.gap | ~(out0 | out1)
    return np.where(none, 0.0, lo), np.where(none, 0.0, hi)


def counts_least(course: Course) -> np.ndarray:
    """Pairs whose whole step counts to "at least": both readings beyond by more than U, no gap (rule 6)."""
    return course.surely[:-1] & course.surely[1:] & ~course.gap


def counts_most(course: Course) -> np.ndarray:
    """Pairs whose whole step counts to "at most": either reading beyond the limit less U, gaps included (rule 6)."""
    return course.near[:-1] | course.near[1:]


def totals(trace: Trace, condition: Condition, direction: str, *, start: pd.Timestamp, end: pd.Timestamp) -> dict[str, float] | None:
    """Minutes beyond one limit in a window, each pair once.

    Returns
    -------
    dict: minutes, minutes_least, minutes_most [min]; None where the condition has no such limit.

    Examples
    --------
    >>> from coldchain_kit import conditions
    >>> times = pd.date_range("2026-03-01", periods=3, freq="30min", tz="UTC")
    >>> trace = Trace.of(pd.Series([5.0, 10.0, 5.0], index=times), u_c=0.25)
    >>> totals(trace, conditions.get("refrigerated"), "above", start=times[0], end=times[-1])
    {'minutes': 24.0, 'minutes_least': 0.0, 'minutes_most': 60.0}
    """
    line = course(trace, condition, direction)
    if line is None:
        return None
    if len(line.steps) == 0:
        return {"minutes": 0.0, "minutes_least": 0.0, "minutes_most": 0.0}
    lo, hi = linear_spans_min(line)
    a, b = _window_min(line, start, end)
    part = np.maximum(0.0, b - a)
    return {
        "minutes": float(np.maximum(0.0, np.minimum(hi, b) - np.maximum(lo, a)).sum()),
        "minutes_least": float(part[counts_least(line)].sum()),
        "minutes_most": float(part[counts_most(line)].sum()),
    }


def unknown_min(trace: Trace, condition: Condition, *, start: pd.Timestamp, end: pd.Timestamp) -> float:
    """Gap minutes of a window that no "at most" of either limit holds, its edges without readings included [min]."""
    spans = timeline.gaps(trace.celsius, start=start, end=end)
    unknown = float(spans.loc[spans["edge"] != "", "minutes"].sum())
    lines = [line for line in (course(trace, condition, side) for side in SIGN) if line is not None]
    steps = lines[0].steps if lines else timeline.steps(trace.celsius)
    if not len(steps):
        return unknown
    held = np.zeros(len(steps), bool)
    for line in lines:
        held |= counts_most(line)
    free = steps[steps["gap"].to_numpy() & ~held]
    return unknown + float(timeline.clip(free, start=start, end=end)["minutes"].sum())


def _window_min(course: Course, start: pd.Timestamp, end: pd.Timestamp) -> tuple[np.ndarray, np.ndarray]:
    """The window's edges as minutes from each pair's first reading, kept within the pair."""
    edges = pd.DatetimeIndex([start, end]).as_unit("us").asi8
    first = course.us[:-1]
    return tuple(np.clip((edge - first) / 60e6, 0.0, course.minutes) for edge in edges)
