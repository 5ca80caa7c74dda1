"""Probes of one unit against each other, each pair judged by its own history: level, drift, one that stands still; spread and lag: ``response``."""

from __future__ import annotations

from typing import Literal, NamedTuple, TypedDict

import numpy as np
import pandas as pd

from coldchain_kit.model import FAIL, GOOD, SUSPECT
from coldchain_kit.quality.series import Course, course, resolution_c

# Two probes of one unit disagree where their difference leaves its own usual level by more than a degree and by six times its
# usual scatter for six hours, while the other probe stays at its level. Common practice, no source; the degree is twice the
# accuracy of a logger (FACTS B9, READ).
LEVEL_C, SCATTERS, HOURS, HISTORY_HOURS = 1.0, 6.0, 6, 72
OTHER_MOVES_SHARE = 0.25
# A slow drift apart: the accuracy of a logger (FACTS B9) and four times the scatter about the line, over ten days or more.
DRIFT_C, DRIFT_SCATTERS, DRIFT_DAYS = 0.5, 4.0, 10
# A standing reading is odd where the other probe's three-hour mean moves by this many steps of resolution and degrees meanwhile.
# Common practice, no source; one shelf of a household refrigerator moves by 3 °C while another stands still (open data, measured).
STILL_SUSPECT, STILL_FAIL, STILL_HOURS = (8.0, 4.0), (16.0, 8.0), 2.0
# Readings that make an hour's scatter (fewer cannot tell a quick rhythm from a slow one), the finest rounding [°C] and the time [min] over which its pace is taken: common practice, no source.
SWING_READINGS, LEAST_STEP_C, PACE_MIN = 5, 0.02, 5.0


UNITS = {"level": "°C", "drift": "°C", "spread": "times", "lag": "min"}
ANSWERS = ("spread", "lag")  # how a probe answers, not what it shows


class Hours(NamedTuple):
    """A probe hour by hour from hour ``first`` (since 1970) on; NaN where an hour has too few readings.

    ``mean_c`` [°C]; ``swing`` the scatter of the readings within the hour and ``pace`` how quickly they go up and down, both as
    powers of two (1 more = twice as much); ``still`` the swing of a probe that stands still, from rounding alone.
    """

    first: int
    still: float
    mean_c: np.ndarray
    swing: np.ndarray
    pace: np.ndarray


def hourly(series: pd.Series) -> Hours:
    """Hours of a Series, by the clock hour UTC."""
    line = course(series)
    return course_hours(line, resolution_c=resolution_c(line.value))


def course_hours(line: Course, *, resolution_c: float | None) -> Hours:
    """Hours of the readings with a value; the scatter is never taken as less than rounding to ``resolution_c`` [°C] makes."""
    if not len(line.value):
        return Hours(0, 0.0, *(np.zeros(0) for _ in range(3)))
    hour = np.floor(line.minute / 60.0).astype(np.int64)
    hour, first = hour - hour[0], int(hour[0])
    count = np.bincount(hour)
    total = np.bincount(hour, weights=line.value)
    mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    floor = max(resolution_c or 0.0, LEAST_STEP_C) ** 2 / 12
    away = line.value - mean[hour]
    spread2 = np.where(count >= SWING_READINGS, np.bincount(hour, weights=away * away) / np.maximum(count, 1) + floor, np.nan)
    back = max(1, round(PACE_MIN / float(np.median(line.step_min)))) if len(line.step_min) else 1
    change = line.value[back:] - line.value[:-back]
    change2 = np.bincount(hour[back:], weights=change * change, minlength=len(count)) / np.maximum(count, 1) + 2 * floor
    swing = 0.5 * np.log2(spread2)
    return Hours(first, 0.5 * float(np.log2(floor)), mean, swing, 0.5 * np.log2(change2) - swing)


def common(a: Hours, b: Hours) -> tuple[int, slice, slice]:
    """First common hour, and the common span in each of two probes' hours."""
    first, stop = max(a.first, b.first), min(a.first + len(a.mean_c), b.first + len(b.mean_c))
    stop = max(stop, first)
    return first, slice(first - a.first, stop - a.first), slice(first - b.first, stop - b.first)


def side_by_side(a: Hours, b: Hours) -> tuple[int, np.ndarray, np.ndarray]:
    """First common hour and both hourly means over the common span."""
    first, mine, theirs = common(a, b)
    return first, a.mean_c[mine], b.mean_c[theirs]


class Apart(NamedTuple):
    """Hours (since 1970) in which a probe left the other; how: level, drift, spread or lag, in that unit of ``UNITS``.

    ``by`` is judged: the difference less its usual level, how far the drift has come, how many times its usual scatter, how much
    longer it follows than usual. ``usual``: that level, ratio or lag.
    """

    hours: np.ndarray
    by: np.ndarray
    threshold: float
    how: str
    usual: float = 0.0


class Stand(TypedDict):
    """A run of readings that stands exactly still: positions, length [h], how far another probe moved meanwhile [°C], why it counts."""

    first: int
    last: int
    code: int
    hours: float
    moved_c: float
    why: Literal["length", "other", "outside"]


def level_apart(own: Hours, other: Hours, *, resolution_c: float = 0.0) -> Apart | None:
    """Hours in which this probe left its usual level against the other one, which stayed. None with less than three days in common."""
    first, a, b = side_by_side(own, other)
    both = np.isfinite(a) & np.isfinite(b)
    if both.sum() < HISTORY_HOURS:
        return None
    difference, centre = a - b, float(np.median((a - b)[both]))
    scatter = max(1.4826 * float(np.median(np.abs(difference[both] - centre))), resolution_c / 2, 0.1)
    threshold = max(LEVEL_C, SCATTERS * scatter)
    moved_own, moved_other = (_smooth(x - np.median(x[both])) for x in (a, b))
    apart = _smooth(difference - centre)
    with np.errstate(invalid="ignore"):
        hit = (np.abs(apart) > threshold) & (np.abs(moved_other) < OTHER_MOVES_SHARE * np.abs(moved_own)) & both
    at = np.flatnonzero(hit)
    return Apart(first + at, apart[at], threshold, "level", centre)


def _smooth(x: np.ndarray) -> np.ndarray:
    """Six-hour median, centred; NaN where fewer than half of the hours have a value."""
    return pd.Series(x).rolling(HOURS + 1, center=True, min_periods=HOURS // 2 + 1).median().to_numpy()


def drift_apart(own: Hours, other: Hours) -> Apart | None:
    """Hours by which a steady drift of this probe against the other has passed its threshold; None with less than ten days in common.

    The difference of daily medians gets a line through medians of slopes (Theil-Sen); it must run one way (Kendall's tau above 0.6) and the
    probe that moves itself is the one that drifts.
    """
    first, a, b = side_by_side(own, other)
    days = len(a) // 24
    if days < DRIFT_DAYS:
        return None
    a, b = (pd.DataFrame(x[: days * 24].reshape(days, 24).T).median().to_numpy() for x in (a, b))
    good = np.flatnonzero(np.isfinite(a) & np.isfinite(b))
    if len(good) < DRIFT_DAYS:
        return None
    good = good[:: max(1, len(good) // 120)]
    slope, level, tau = _theil_sen(good.astype("float64"), (a - b)[good])
    residual = (a - b)[good] - level - slope * good
    threshold = max(DRIFT_C, DRIFT_SCATTERS * 1.4826 * float(np.median(np.abs(residual))))
    total, share = slope * (good[-1] - good[0]), abs(_theil_sen(good.astype("float64"), a[good])[0])
    if abs(total) <= threshold or abs(tau) < 0.6 or share < abs(_theil_sen(good.astype("float64"), b[good])[0]):
        return Apart(np.zeros(0, np.int64), np.zeros(0), threshold, "drift")
    from_day = int(np.ceil(threshold / abs(slope))) + int(good[0])
    hours = np.arange(first + from_day * 24, first + days * 24)
    return Apart(hours, slope * ((hours - first) / 24.0 - good[0]), threshold, "drift")


def _theil_sen(x: np.ndarray, y: np.ndarray) -> tuple[float, float, float]:
    """Slope, intercept and Kendall's tau by all pairs."""
    i, j = np.triu_indices(len(x), 1)
    slopes = (y[j] - y[i]) / (x[j] - x[i])
    slope = float(np.median(slopes))
    return slope, float(np.median(y - slope * x)), float(np.sign(slopes).mean())


def still_against(run_minutes: tuple[float, float], other: Hours) -> float:
    """How far the other probe's three-hour mean moved [°C] while this one stood still from minute to minute (since 1970)."""
    first, stop = int(np.ceil(run_minutes[0] / 60.0)) - other.first, int(np.floor(run_minutes[1] / 60.0)) - other.first
    part = other.mean_c[max(first, 0) : max(stop, 0)]
    part = part[np.isfinite(part)]
    return float(np.ptp(part)) if len(part) >= STILL_HOURS else 0.0


def still_codes(line: Course, table: pd.DataFrame, others: list[Hours], *, resolution_c: float, limits_h: tuple[float, float], outside: np.ndarray | None = None,
                outside_h: tuple[float, float] | None = None, rests: np.ndarray | None = None,
                ) -> tuple[np.ndarray, list[Stand]]:  # fmt: skip
    """Codes of readings that stand exactly still (runs from ``series.still``), and one finding for each such run.

    A refrigerator may hold a steady temperature for hours; a run counts where it lasts longer than ``limits_h`` (suspect, fail) [h],
    than ``outside_h`` while ``outside`` says its value is beyond the storage limits, or where another probe of the unit moved meanwhile by
    many steps of the resolution (see STILL_SUSPECT, STILL_FAIL). ``rests``: runs [bool] at a value where this
    probe is used to rest: their length alone tells nothing.
    """
    hours = table["minutes"].to_numpy() / 60.0
    code = _longer(hours if rests is None else np.where(rests, 0.0, hours), limits_h)
    by_length = code.copy()
    if outside is not None and outside_h is not None:
        code = np.maximum(code, np.where(outside, _longer(hours, outside_h), GOOD))
    moved, firsts, lasts = np.zeros(len(table)), table["first"].to_numpy(), table["last"].to_numpy()
    others = [other._replace(mean_c=pd.Series(other.mean_c).rolling(3, center=True, min_periods=1).mean().to_numpy()) for other in others]
    restless = [other for other in others if len(other.mean_c) and np.nanmax(other.mean_c) - np.nanmin(other.mean_c) >= STILL_SUSPECT[1]]
    for k in np.flatnonzero(hours >= STILL_HOURS).tolist() if restless else []:
        span = (float(line.minute[firsts[k]]), float(line.minute[lasts[k]]))
        moved[k] = max(still_against(span, other) for other in restless)
    for (steps, degrees), value in ((STILL_SUSPECT, SUSPECT), (STILL_FAIL, FAIL)):
        code = np.maximum(code, np.where(moved >= max(steps * resolution_c, degrees), value, GOOD))
    codes = np.full(len(line.value), GOOD, dtype=np.int8)
    findings: list[Stand] = []
    for k in np.flatnonzero(code > GOOD).tolist():
        first, last = int(firsts[k]), int(lasts[k])
        codes[first : last + 1] = code[k]
        why: Literal["length", "other", "outside"] = "length" if by_length[k] == code[k] else "other" if moved[k] else "outside"
        findings.append({"first": first, "last": last, "code": int(code[k]), "hours": float(hours[k]), "moved_c": float(moved[k]), "why": why})
    return codes, findings


def _longer(hours: np.ndarray, limits_h: tuple[float, float]) -> np.ndarray:
    return np.where(hours >= limits_h[1], FAIL, np.where(hours >= limits_h[0], SUSPECT, GOOD)).astype(np.int8)
