"""Missing readings of a lot's stay: how many, and whether the course could have crossed a limit between them (CONTRACTS rule 14)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from coldchain_kit import quality
from coldchain_kit.lots import stays
from coldchain_kit.lots.stays import Place, Steps
from coldchain_kit.model import FAIL, SUSPECT, Condition, Trace, timeline

SHARE = 0.01  # of a stay missing asks for a decision by itself (rule 14)
MOST_MEASURED = 6  # intervals over which out and back is measured on the record (own rule, no source)
SIGNS = {"above": 1.0, "below": -1.0}


class Crossing(NamedTuple):
    """Missing readings between two instants: the course could have been beyond the limit of that direction.

    ``rise_k``: how far beyond the line between them it may have gone [K]; infinite where no sound pace is known.
    """

    start: pd.Timestamp
    end: pd.Timestamp
    direction: str
    rise_k: float


@dataclass(frozen=True)
class Losses:
    """Missing readings of one probe during one stay.

    ``count``; ``share`` of the stay's time without them (0..1); ``isolated``: how many of them are no gap;
    ``crossed``: the steps in which the course could have crossed a limit.
    """

    count: int
    share: float
    isolated: int
    crossed: tuple[Crossing, ...]


@dataclass(frozen=True)
class Pace:
    """A probe's sound course: readings in °C (NaN where a test calls one suspect or it is one-sided), each with its step to the next.

    ``whole``: bool, steps of one interval between sound readings; ``usual_c``: the change in one interval that a quarter of them exceed.
    """

    celsius: np.ndarray
    whole: np.ndarray
    fastest_c: float
    usual_c: float


def pace(trace: Trace) -> Pace | None:
    """How fast a probe moves where no test calls it suspect; None where no two neighbours one interval apart are sound.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=14, freq="5min", tz="UTC")
    >>> round(pace(Trace.of(pd.Series([5.0] * 12 + [5.4, 5.2], index=times))).fastest_c, 6)
    0.4
    """
    known, readings = timeline.pairs(trace), trace.readings
    flag = quality.rolled(trace).to_numpy()
    sound = (flag != SUSPECT) & (flag != FAIL) & (readings["one_sided"].to_numpy() == 0)
    celsius = np.where(sound, readings["celsius"].to_numpy(), np.nan)
    at = np.append(known.left, known.right[-1:])
    step = np.abs(np.diff(celsius[at]))
    whole = (known.minutes <= timeline.MISSING_FACTOR * known.interval_min) & np.isfinite(step)
    if not whole.any():
        return None
    return Pace(celsius[at], whole, float(step[whole].max()), float(np.quantile(step[whole], 0.75)))


def peak_c(found: Pace, *, sign: float, intervals: int) -> float:
    """How far a sound course rose (``sign`` 1) or fell (-1) beyond the line between two readings so many intervals apart, and was back [K].

    Rising and falling back within the step at the fastest sound pace: as fast as the record itself shows it, and not less than at the
    pace that a quarter of its changes exceed. Over more than six intervals the fastest change in one interval is taken for the whole
    way, up and back.

    Examples
    --------
    >>> course = np.array([5.0, 5.4, 5.0, 5.0])
    >>> round(peak_c(Pace(course, np.ones(3, bool), 0.4, 0.1), sign=1, intervals=2), 6)
    0.4
    """
    least = found.usual_c * intervals / 2.0
    if intervals > MOST_MEASURED:
        return found.fastest_c * intervals / 2.0
    values, whole = sign * found.celsius, found.whole
    last = len(values) - intervals
    if last <= 0:
        return max(least, found.fastest_c * intervals / 2.0)
    use = np.ones(last, dtype=bool)
    for k in range(intervals):
        use &= whole[k : k + last]
    if not use.any():
        return max(least, found.fastest_c * intervals / 2.0)
    ends = values[:last], values[intervals:]
    rise = [values[k : k + last] - (ends[0] * (intervals - k) + ends[1] * k) / intervals for k in range(1, intervals)]
    return max(least, *(float(one[use].max()) for one in rise)) if rise else least


def losses(trace: Trace, here: Place, steps: Steps) -> Losses:
    """Missing readings of a probe during a stay, and those between which it could have left the product's limits.

    Where no sound pace is known, every loss is within reach: nothing says that it is not.
    """
    return steps.once(trace, ("losses", here.opens, here.closes, here.stay.condition), lambda: _losses(trace, here, steps))


def _losses(trace: Trace, here: Place, steps: Steps) -> Losses:
    cover = timeline.coverage(trace, start=here.opens, end=here.closes)
    known, length = timeline.pairs(trace), here.minutes
    at = np.flatnonzero((known.missing > 0) & ~known.gap & (known.end_us > stays.micros(here.opens)) & (known.start_us < stays.micros(here.closes)))
    course = steps.once(trace, ("pace",), lambda: pace(trace)) if len(at) else None
    found = [_crossings(trace, at, here.stay.condition, side, course) for side in SIGNS if len(at) and here.stay.condition.limit_c(side) is not None]
    crossed = sorted(one for part in found for one in part)
    share = cover["lost_minutes"] / length if length > 0 else 0.0
    return Losses(int(cover["missing_readings"]), float(share), int(known.missing[at].sum()), tuple(crossed))


def _crossings(trace: Trace, at: np.ndarray, condition: Condition, side: str, course: Pace | None) -> list[Crossing]:
    sign, known = SIGNS[side], timeline.pairs(trace)
    left, right = (sign * stays.further(trace.readings.iloc[place[at]], side) for place in (known.left, known.right))
    many = np.round(known.minutes[at] / known.interval_min[at]).astype("int64")
    peaks = {one: np.inf if course is None else peak_c(course, sign=sign, intervals=one) for one in np.unique(many).tolist()}
    rise = np.array([peaks[one] for one in many.tolist()])
    highest = np.maximum((left + right) / 2.0 + rise, np.maximum(left, right))
    out = np.isinf(highest) | condition.outside(np.round(sign * highest, 6), side)
    index = trace.readings.index
    return [Crossing(index[known.left[k]], index[known.right[k]], side, float(up)) for k, up in zip(at[out].tolist(), rise[out].tolist(), strict=True)]
