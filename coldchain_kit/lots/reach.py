"""Missing readings of a lot's stay: how many, and whether the course could have crossed a limit between them (CONTRACTS rule 14)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce

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
    table, readings = timeline.steps(trace), trace.readings
    flag = quality.rolled(trace).to_numpy()
    sound = (flag != SUSPECT) & (flag != FAIL) & (readings["one_sided"].to_numpy() == 0)
    left, right = table["left"].to_numpy(), table["right"].to_numpy()
    single = (table["minutes"] <= timeline.MISSING_FACTOR * table["interval_min"]).to_numpy()
    use = single & sound[left] & sound[right]
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
    pace_c = steps.pace_c(trace, fastest_pace_c)
    cover = timeline.coverage(trace, start=here.opens, end=here.closes)
    length = here.minutes
    table = timeline.steps(trace)
    table = table[(table["missing"] > 0) & ~table["gap"] & (table["end"] > here.opens) & (table["start"] < here.closes)]
    found = [_crossings(trace, table, here.stay.condition, side, pace_c) for side in SIGNS if here.stay.condition.limit_c(side) is not None]
    crossed = sorted(reduce(lambda one, other: one + other, found, []))
    share = cover["lost_minutes"] / length if length > 0 else 0.0
    return Losses(int(cover["missing_readings"]), float(share), int(table["missing"].sum()), tuple(crossed), pace_c)


def _crossings(trace: Trace, table: pd.DataFrame, condition: Condition, side: str, pace_c: float | None) -> list[tuple[pd.Timestamp, pd.Timestamp, str]]:
    if not len(table):
        return []
    sign, limit = SIGNS[side], condition.limit_c(side)
    ends = [sign * stays.further(trace.readings.iloc[table[name]], side) for name in ("left", "right")]
    intervals = np.round(table["minutes"].to_numpy() / table["interval_min"].to_numpy())
    highest = np.full(len(table), np.inf) if pace_c is None else peak(*ends, pace=pace_c, intervals=intervals)
    out = condition.outside(np.round(sign * highest, 6), side) if np.isfinite(highest).all() else highest > sign * limit
    return [(start, end, side) for start, end in zip(table["start"][out], table["end"][out], strict=True)]
