"""Product beside the probe: what contents of another time constant may have met while the probe showed what it showed.

An estimate beside its assumptions, printed beside the probe's own figures: no verdict and no allowance rests on it. Contents
and probe are taken as first-order bodies in the same air. A probe of time constant p that shows P met the air P + p dP/dt
(``estimates.behind_buffer`` is the same over single steps), so contents of time constant q follow C = a P + (1 - a) F with a = p / q, where F
is P behind a lag of q: the air is never worked out, and its noise never blown up by more than a. The range of q, its long end twice over for
still air, is tried at nine values spread evenly in log q.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypedDict

import numpy as np
import pandas as pd

from coldchain_kit.base import KitError
from coldchain_kit.excursions import bounds, time_beyond
from coldchain_kit.model import Condition, Direction, Trace, timeline

# From a single vial to a full carton [min]: own assumption, no source. The quickest bodies in the sources are bare sensors in air,
# minutes (FACTS C13, READ); nothing was read on vials and cartons.
ASSUMED_MIN = (3.0, 240.0)
ASSUMED_SOURCE = "assumed by the kit, from a single vial to a full carton; no text was read for it"
# A probe whose own time constant is not declared [min]: buffered probes 5 to 30 (FACTS G2, G4, COMPUTED cases), air probes up to 5 (C13, READ).
PROBE_MIN = {"buffered": (5.0, 30.0)}
PROBE_AIR_MIN = (0.0, 5.0)
STEPS = 9  # time constants tried within a range (own rule, no source)
# While a fan rests, as in a power failure, a body meets still air and follows it more slowly: the longest constant counts this many times
# (heat transfer to still and to gently moving air, about 5 to 10 and 10 to 20 W/m2K: common practice, no source).
STILL_AIR = 2.0
RUN_IN = 3.0  # time constants after which a first-order body has forgotten 95 % (FACTS G1, COMPUTED)
ASSUMES = (
    "Contents and probe are taken as simple bodies in the same air, the contents at the place of the probe and at rest with it when the record begins; "
    "in still air the contents may follow half as fast. "
    "Goods put in warm or cold are not covered: no probe shows their temperature."
)


class ContentsOutside(TypedDict):
    """Contents beyond one limit [°C, min]."""

    limit_c: float
    minutes_least: float
    minutes_most: float


class Contents(TypedDict):
    """What contents may have met between two instants [°C, min]."""

    max_least_c: float
    max_most_c: float
    min_least_c: float
    min_most_c: float
    outside: dict[Direction, ContentsOutside]
    unknown_minutes: float


@dataclass(frozen=True)
class Courses:
    """Possible courses of contents at the readings of a trace: ``celsius`` one row a pair of time constants [°C], ``index`` their times.

    ``unknown``: spans (start, end) [µs] in which nothing is known: time without readings and as long as it may still be felt.
    """

    index: pd.DatetimeIndex
    celsius: np.ndarray
    u_c: np.ndarray
    unknown: np.ndarray


def behind(celsius: np.ndarray, minutes: np.ndarray, *, tau_min: float, start_c: float) -> np.ndarray:
    """A course on the straight line between readings, behind a first-order lag: exact for that line [°C].

    Parameters
    ----------
    celsius, minutes : arrays of float
        Readings and their times [min], increasing.
    tau_min : float
        Time constant [min].
    start_c : float
        Where the lagging body is at the first reading [°C].

    Examples
    --------
    One time constant after a step has passed, 63 % of it is seen (FACTS G1):

    >>> minutes = np.array([0.0, 1e-9, 10.0])
    >>> round(float(behind(np.array([0.0, 1.0, 1.0]), minutes, tau_min=10.0, start_c=0.0)[-1]), 4)
    0.6321
    """
    from scipy.signal import lfilter

    out = np.empty(len(celsius))
    out[:1] = start_c
    step = np.diff(minutes)
    edges = np.flatnonzero(np.abs(np.diff(step)) > 1e-9) + 1
    for first, last in zip([0, *edges.tolist()], [*edges.tolist(), len(step)], strict=True):
        if last <= first:
            continue
        keep = float(np.exp(-step[first] / tau_min))
        mean = tau_min / step[first] * (1.0 - keep)
        part = celsius[first : last + 1]
        force = (1.0 - mean) * part[1:] + (mean - keep) * part[:-1]
        out[first + 1 : last + 1] = lfilter([1.0], [1.0, -keep], force, zi=[keep * out[first]])[0]
    return out


def courses(trace: Trace, *, tau_min: tuple[float, float]) -> Courses | None:
    """Possible courses of contents with time constants between two ends [min]; None with fewer than two readings with a value.

    Raises
    ------
    KitError
        A range that is not two numbers above zero, the shorter first.
    """
    low, high = tau_min
    if not 0 < low <= high:
        raise KitError(f"the range of time constants is {low:g} to {high:g} min", expected="two numbers of minutes above zero, the shorter first")
    valued = trace.readings[trace.readings["celsius"].notna().to_numpy()]
    if len(valued) < 2:
        return None
    index = pd.DatetimeIndex(valued.index)
    celsius, us = valued["celsius"].to_numpy(), index.as_unit("us").asi8.astype("float64")
    minutes = (us - us[0]) / time_beyond.US_PER_MIN
    rest_c = float(celsius[minutes <= high].mean())  # at rest with the unit when the record begins
    rows = []
    for tau in np.geomspace(low, STILL_AIR * high, STEPS):
        lagged = behind(celsius, minutes, tau_min=float(tau), start_c=rest_c)
        rows += [own / tau * celsius + (1.0 - own / tau) * lagged for own in probe_min(trace)]
    return Courses(index, np.array(rows), np.nan_to_num(valued["u_c"].to_numpy()), _unknown(trace, us, longest_min=high))


def probe_min(trace: Trace) -> tuple[float, ...]:
    """The probe's own time constant [min]: as declared, else the two ends of what is usual for its role."""
    declared = trace.probe.time_constant_min
    return (declared,) if declared else PROBE_MIN.get(trace.probe.role, PROBE_AIR_MIN)


def _unknown(trace: Trace, us: np.ndarray, *, longest_min: float) -> np.ndarray:
    """Steps that are gaps, of a coarse stretch, or hold a reading without a number, each with three times its length after it, at most three times the longest constant."""
    known = timeline.pairs(trace)
    sided = timeline.times_of(trace.readings[trace.readings["one_sided"].to_numpy() != 0]).as_unit("us").asi8
    lost = np.zeros(len(us) - 1, dtype=bool)
    starts = np.concatenate((known.start_us[known.gap | known.coarse].astype("float64"), sided.astype("float64")))
    at = np.searchsorted(us, starts, side="right") - 1
    lost[at[(at >= 0) & (at < len(lost))]] = True
    length = us[1:][lost] - us[:-1][lost]
    return np.column_stack((us[:-1][lost], us[1:][lost] + RUN_IN * np.minimum(length, longest_min * time_beyond.US_PER_MIN)))


def beside(held: Courses, condition: Condition, *, start: pd.Timestamp, end: pd.Timestamp) -> Contents | None:
    """What contents may have met between two instants: extremes and minutes outside, at least to at most, with the probe's uncertainty.

    Returns
    -------
    dict: max_least_c, max_most_c, min_least_c, min_most_c [°C]; outside {above | below: {limit_c, minutes_least, minutes_most}} [min];
    unknown_minutes [min], which stand in both ``minutes_most``. None where no reading with a value lies between the two.

    Examples
    --------
    >>> from coldchain_kit.model import Probe, conditions
    >>> times = pd.date_range("2026-03-01", periods=300, freq="5min", tz="UTC")
    >>> values = pd.Series(5.0, index=times)
    >>> values.iloc[100:136] = 12.0  # three hours
    >>> trace = Trace.of(values, probe=Probe("A", "buffered", time_constant_min=12.0), u_c=0.25)
    >>> row = beside(courses(trace, tau_min=(3.0, 240.0)), conditions.get("refrigerated"), start=times[0], end=times[-1])
    >>> round(row["max_least_c"], 1), round(row["outside"]["above"]["minutes_least"]), round(row["outside"]["above"]["minutes_most"])
    (6.8, 0, 225)
    """
    inside = np.flatnonzero((held.index >= start) & (held.index < end))
    if not len(inside):
        return None
    first, last = pd.DatetimeIndex([start, end]).as_unit("us").asi8
    around = slice(max(inside[0] - 1, 0), inside[-1] + 2)
    part, expanded = held.celsius[:, inside], 2.0 * held.u_c[inside]
    spans = np.clip(held.unknown, first, last)
    unknown = float(_length(spans))
    us = held.index[around].as_unit("us").asi8.astype("float64")
    minutes = np.clip(np.minimum(us[1:], float(last)) - np.maximum(us[:-1], float(first)), 0.0, None) / time_beyond.US_PER_MIN
    minutes[_meets(us[:-1], us[1:], held.unknown)] = 0.0
    outside: dict[Direction, ContentsOutside] = {}
    for side, sign in bounds.SIGN.items():
        limit_c = condition.limit_c(side)
        if limit_c is not None:
            times = [_minutes(sign * (row[around] - limit_c), 2.0 * held.u_c[around], minutes) for row in held.celsius]
            outside[side] = {"limit_c": limit_c, "minutes_least": min(low for low, _ in times), "minutes_most": max(high for _, high in times) + unknown}
    return {
        "max_least_c": float((part - expanded).max(axis=1).min()), "max_most_c": float((part + expanded).max(axis=1).max()),
        "min_least_c": float((part - expanded).min(axis=1).min()), "min_most_c": float((part + expanded).min(axis=1).max()), "outside": outside, "unknown_minutes": unknown,
    }  # fmt: skip


def _minutes(beyond_c: np.ndarray, expanded_c: np.ndarray, minutes: np.ndarray) -> tuple[float, float]:
    """At least and at most of one course, each step by its two ends (as CONTRACTS rule 6 does for readings) [min]."""
    surely, maybe = beyond_c > expanded_c, beyond_c > -expanded_c
    return float(minutes[surely[:-1] & surely[1:]].sum()), float(minutes[maybe[:-1] | maybe[1:]].sum())


def _meets(starts: np.ndarray, ends: np.ndarray, spans: np.ndarray) -> np.ndarray:
    """Which steps lie in one of the spans, in part at least."""
    found = np.zeros(len(starts), dtype=bool)
    for low, high in spans:
        found |= (starts < high) & (ends > low)
    return found


def _length(spans: np.ndarray) -> float:
    """Minutes that spans cover together [min]."""
    total, reach = 0.0, -np.inf
    for low, high in spans[np.argsort(spans[:, 0], kind="stable")] if len(spans) else ():
        total += max(0.0, high - max(low, reach))
        reach = max(reach, high)
    return total / time_beyond.US_PER_MIN
