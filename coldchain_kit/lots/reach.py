"""Missing readings of a lot's stay: how many, and whether the course could have crossed a limit between them (CONTRACTS rule 14)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from coldchain_kit import quality
from coldchain_kit.lots import stays
from coldchain_kit.lots.stays import Place, Steps
from coldchain_kit.model import FAIL, SUSPECT, Condition, Trace, timeline

SHARE = 0.01  # of a stay missing asks for a decision by itself (rule 14)
SIGNS = {"above": 1.0, "below": -1.0}


@dataclass(frozen=True)
class Losses:
    """Missing readings of one probe during one stay.

    ``count``; ``share`` of the stay's time without them (0..1); ``isolated``: how many of them are no gap;
    ``crossed``: (start, end, direction) of the steps in which the course could have crossed a limit; ``pace_c`` the probe's
    fastest sound change in one interval [°C], None where no two sound neighbours show one.
    """

    count: int
    share: float
    isolated: int
    crossed: tuple[tuple[pd.Timestamp, pd.Timestamp, str], ...]
    pace_c: float | None


def fastest_pace_c(trace: Trace) -> float | None:
    """The probe's largest sound change in one interval [°C]: of neighbours that no test calls suspect, neither of them one-sided.

    None where there are none.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=14, freq="5min", tz="UTC")
    >>> round(fastest_pace_c(Trace.of(pd.Series([5.0] * 12 + [5.4, 5.2], index=times))), 6)
    0.4
    """
    known, readings = timeline.pairs(trace), trace.readings
    flag = quality.rolled(trace).to_numpy()
    sound = (flag != SUSPECT) & (flag != FAIL) & (readings["one_sided"].to_numpy() == 0)
    left, right = known.left, known.right
    use = (known.minutes <= timeline.MISSING_FACTOR * known.interval_min) & sound[left] & sound[right]
    celsius = readings["celsius"].to_numpy()
    return float(np.abs(celsius[right] - celsius[left])[use].max()) if use.any() else None


def peak(left: np.ndarray, right: np.ndarray, *, pace: float, intervals: np.ndarray) -> np.ndarray:
    """How far a course can go between two readings and be back in time, rising and falling at one pace.

    Examples
    --------
    From 5 to 5.2 °C over two intervals, 0.5 °C an interval:

    >>> float(peak(np.array([5.0]), np.array([5.2]), pace=0.5, intervals=np.array([2]))[0])
    5.6
    """
    return np.maximum((left + right + pace * intervals) / 2.0, np.maximum(left, right))


def losses(trace: Trace, here: Place, steps: Steps) -> Losses:
    """Missing readings of a probe during a stay, and those between which it could have left the product's limits.

    Where no sound pace is known, every loss is within reach: nothing says that it is not.
    """
    return steps.once(trace, ("losses", here.opens, here.closes, here.stay.condition), lambda: _losses(trace, here, steps))


def _losses(trace: Trace, here: Place, steps: Steps) -> Losses:
    cover = timeline.coverage(trace, start=here.opens, end=here.closes)
    known, length = timeline.pairs(trace), here.minutes
    at = np.flatnonzero((known.missing > 0) & ~known.gap & (known.end_us > stays.micros(here.opens)) & (known.start_us < stays.micros(here.closes)))
    pace_c = steps.once(trace, ("pace",), lambda: fastest_pace_c(trace)) if len(at) else None
    found = [_crossings(trace, at, here.stay.condition, side, pace_c) for side in SIGNS if len(at) and here.stay.condition.limit_c(side) is not None]
    crossed = sorted(one for part in found for one in part)
    share = cover["lost_minutes"] / length if length > 0 else 0.0
    return Losses(int(cover["missing_readings"]), float(share), int(known.missing[at].sum()), tuple(crossed), pace_c)


def _crossings(trace: Trace, at: np.ndarray, condition: Condition, side: str, pace_c: float | None) -> list[tuple[pd.Timestamp, pd.Timestamp, str]]:
    sign, known = SIGNS[side], timeline.pairs(trace)
    left, right = (sign * stays.further(trace.readings.iloc[place[at]], side) for place in (known.left, known.right))
    intervals = np.round(known.minutes[at] / known.interval_min[at])
    highest = np.full(len(at), np.inf) if pace_c is None else peak(left, right, pace=pace_c, intervals=intervals)
    out = np.isinf(highest) | condition.outside(np.round(sign * highest, 6), side)
    index = trace.readings.index
    return [(index[known.left[one]], index[known.right[one]], side) for one in at[out].tolist()]
