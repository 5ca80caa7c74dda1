"""Rules 3 to 7 for one probe: runs outside, their times and bounds, and runs near the limit."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tests.oracle.model import EPS
from tests.oracle.readings import Series, is_gap

Window = tuple[float, float]


@dataclass(frozen=True)
class Side:
    """One probe seen in one direction: everything times the sign, so that outside is always "above"."""

    sign: int
    limit: float
    x: np.ndarray  # further outside of as read and corrected
    xc: np.ndarray  # corrected
    xr: np.ndarray  # as read

    @property
    def direction(self) -> str:
        return "above" if self.sign > 0 else "below"


def side(s: Series, sign: int, limit: float) -> Side:
    xr, xc = sign * s.as_read, sign * s.value
    return Side(sign, limit, np.maximum(xr, xc), xc, xr)


def outside(x: np.ndarray, limit: float) -> np.ndarray:
    return x > limit + EPS * 10


def crossing(s: Series, seen: Side, inner: int, outer: int) -> float:
    """Where the straight line crosses; beside a one-sided reading without a number that reading itself."""
    if not np.isfinite(seen.x[outer]) or not np.isfinite(seen.x[inner]):
        return s.t[outer]
    share = (seen.limit - seen.x[inner]) / (seen.x[outer] - seen.x[inner])
    return s.t[inner] + share * (s.t[outer] - s.t[inner])


def runs(mask: np.ndarray, gap: np.ndarray) -> list[tuple[int, int]]:
    found, k = [], 0
    while k < len(mask):
        if not mask[k]:
            k += 1
            continue
        j = k
        while j + 1 < len(mask) and mask[j + 1] and not gap[j]:
            j += 1
        found.append((k, j))
        k = j + 1
    return found


def sure(s: Series, seen: Side) -> np.ndarray:
    """Readings beyond the limit by more than U, a one-sided one without a number among them."""
    return seen.xc > seen.limit + s.u_exp + EPS


def pair_least(s: Series, seen: Side) -> np.ndarray:
    beyond = sure(s, seen)
    return beyond[:-1] & beyond[1:] & ~is_gap(s) & ~s.coarse


def pair_most(s: Series, seen: Side) -> np.ndarray:
    near = seen.x > seen.limit - s.u_exp + EPS
    return near[:-1] | near[1:]


def clipped_min(starts: np.ndarray, ends: np.ndarray, window: Window) -> np.ndarray:
    return np.clip(np.minimum(ends, window[1]) - np.maximum(starts, window[0]), 0, None) / 60


def excursions(s: Series, seen: Side, window: Window) -> list[dict]:
    gap = is_gap(s)
    return [_excursion(s, seen, window, gap, i, j) for i, j in runs(outside(seen.x, seen.limit), gap)]


def _excursion(s: Series, seen: Side, window: Window, gap: np.ndarray, i: int, j: int) -> dict:
    last = len(s.t) - 1
    open_start, open_end = i == 0 or bool(gap[i - 1]), j == last or bool(gap[j])
    start = s.t[i] if open_start else crossing(s, seen, i - 1, i)
    end = s.t[j] if open_end else crossing(s, seen, j + 1, j)
    back = np.flatnonzero(~outside(seen.x[j + 1 :], seen.limit))
    return {
        "direction": seen.direction,
        "limit_c": seen.sign * seen.limit,
        "start": start,
        "end": end,
        "first_out": s.t[i],
        "last_out": s.t[j],
        "first_back": s.t[j + 1 + back[0]] if len(back) else None,
        "start_earliest": s.t[max(i - 1, 0)],
        "end_latest": s.t[min(j + 1, last)],
        "open_start": open_start,
        "open_end": open_end,
        "minutes": (end - start) / 60,
        "minutes_in_window": float(clipped_min(np.array([start]), np.array([end]), window)[0]),
        "readings": j - i + 1,
        **_bounds(s, seen, i, j),
        **_size(s, seen, i, j, start, end),
        **_judged(s, seen, i, j),
    }


def _bounds(s: Series, seen: Side, i: int, j: int) -> dict:
    """``most_touching`` to ``most_reach``: the pairs that ``minutes_most`` may gain, tails within U among them."""
    most, least, step, last = pair_most(s, seen), pair_least(s, seen), np.diff(s.t) / 60, len(s.t) - 1
    left, right = i, j
    while left > 0 and most[left - 1]:
        left -= 1
    while right < last and most[right]:
        right += 1
    return {
        "minutes_least": float(step[i:j][least[i:j]].sum()),
        "most_touching": float(step[max(i - 1, 0) : min(j + 1, last)].sum()),
        "most_reach": float(step[left:right].sum()),
    }


def _size(s: Series, seen: Side, i: int, j: int, start: float, end: float) -> dict:
    """Extreme and degree-minutes; null beside a reading without a number, bounds beside one with a bound."""
    excess, sided = seen.x[i : j + 1] - seen.limit, s.sided[i : j + 1]
    top = int(np.argmax(excess))
    found = {
        "extreme_time": s.t[i + top],
        "extreme_bound": bool(sided.any()),
        "degree_minutes_bound": bool(sided.any()),
    }
    if not np.isfinite(excess).all():
        return found | {
            "extreme_c": None,
            "degree_minutes": None,
            "extreme_bound": False,
            "degree_minutes_bound": False,
        }
    line_t = np.concatenate([[start], s.t[i : j + 1], [end]])
    line_y = np.concatenate([[0.0 if start < s.t[i] else excess[0]], excess, [0.0 if end > s.t[j] else excess[-1]]])
    return found | {
        "extreme_c": seen.sign * (excess[top] + seen.limit),
        "degree_minutes": float(np.trapezoid(line_y, line_t) / 60),
    }


def _judged(s: Series, seen: Side, i: int, j: int) -> dict:
    """reading: U belongs to the corrected value, so verdict and probability rest on it."""
    excess, u = seen.xc[i : j + 1] - seen.limit, s.u_exp[i : j + 1]
    kinds = (bool(outside(x[i : j + 1], seen.limit).any()) for x in (seen.xr, seen.xc))
    ratio = float((excess / u).max())
    return {
        "verdict": "outside" if sure(s, seen)[i : j + 1].any() else "undecided",
        "basis": {(True, True): "both", (True, False): "as_read", (False, True): "corrected"}[tuple(kinds)],
        "p_outside": 0.5 * (1 + math.erf(ratio * math.sqrt(2))) if math.isfinite(ratio) else None,
    }


def in_window(row: dict, window: Window) -> bool:
    return row["start"] < window[1] and (row["end"] > window[0] or row["start"] >= window[0])


def near_runs(s: Series, seen: Side) -> list[dict]:
    """Runs inside the limit but within U of it that touch no excursion (those beside one may or may not be listed)."""
    out, gap, found = outside(seen.x, seen.limit), is_gap(s), []
    near = (seen.x > seen.limit - s.u_exp + EPS) & ~out
    for i, j in runs(near, gap):
        beside = (i > 0 and not gap[i - 1] and out[i - 1]) or (j + 1 < len(out) and not gap[j] and out[j + 1])
        extreme = seen.sign * float(seen.x[i : j + 1].max())
        found.append(
            {"direction": seen.direction, "start": s.t[i], "end": s.t[j], "beside": bool(beside), "extreme_c": extreme}
        )
    return found
