"""Probes of one unit against each other, each pair judged by its own history: level, drift, lag, and one that stands still."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from coldchain_kit.quality.series import Course, course, spread
from coldchain_kit.trace import FAIL, GOOD, NOT_EVALUATED, SUSPECT

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


class Hours(NamedTuple):
    """Hourly means [°C] of a probe from hour ``first`` (hours since 1970) on; NaN where an hour has no reading."""

    first: int
    mean_c: np.ndarray


def hourly(series: pd.Series) -> Hours:
    """Hourly means of a Series, by the clock hour UTC."""
    return course_hours(course(series))


def course_hours(line: Course) -> Hours:
    """Hourly means of the readings with a value."""
    if not len(line.value):
        return Hours(0, np.zeros(0))
    hour = np.floor(line.minute / 60.0).astype(np.int64)
    count = np.bincount(hour - hour[0])
    total = np.bincount(hour - hour[0], weights=line.value)
    with np.errstate(invalid="ignore"):
        return Hours(int(hour[0]), np.where(count > 0, total / np.maximum(count, 1), np.nan))


def side_by_side(a: Hours, b: Hours) -> tuple[int, np.ndarray, np.ndarray]:
    """First common hour and both hourly means over the common span."""
    first, stop = max(a.first, b.first), min(a.first + len(a.mean_c), b.first + len(b.mean_c))
    if stop <= first:
        return first, np.zeros(0), np.zeros(0)
    return first, a.mean_c[first - a.first : stop - a.first], b.mean_c[first - b.first : stop - b.first]


class Apart(NamedTuple):
    """Hours (since 1970) in which a probe left the other, the difference there less its usual level [°C], the threshold [°C], how."""

    hours: np.ndarray
    by_c: np.ndarray
    threshold_c: float
    how: str


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
    return Apart(first + at, apart[at], threshold, "level")


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


def disagreement(own: pd.Series, other: pd.Series, *, resolution_c: float = 0.0) -> pd.DataFrame:
    """Readings of ``own`` taken while it was apart from ``other`` beyond their usual difference: 3; else 1; 2 without enough history.

    Judged: difference less its usual level [°C], by hours. Never 4: which of the two is wrong is not in the numbers.

    Cannot see
    ----------
    A difference that was there from the first to the last reading; both probes wrong alike.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=24 * 14, freq="h", tz="UTC")
    >>> steady = pd.Series(5.0, index=times)
    >>> shifted = steady.where(times < times[200], 8.0).where(times < times[240], 5.0)
    >>> int((disagreement(shifted, steady)["flag"] == 3).sum()), int((disagreement(steady, shifted)["flag"] == 3).sum())
    (40, 0)
    """
    line = course(own)
    found = [apart(course_hours(line), hourly(other), resolution_c=resolution_c)]
    codes, judged = apart_codes(line, found)
    whole = np.full(line.n, np.nan)
    whole[line.at] = judged
    return pd.DataFrame({"flag": spread(line, codes), "judged": whole}, index=own.index)


def apart(own: Hours, other: Hours, *, resolution_c: float = 0.0) -> list[Apart] | None:
    """What :func:`level_apart` and :func:`drift_apart` find; None where neither could judge."""
    found = [row for row in (level_apart(own, other, resolution_c=resolution_c), drift_apart(own, other)) if row is not None]
    return found or None


def apart_codes(line: Course, found: list[list[Apart] | None]) -> tuple[np.ndarray, np.ndarray]:
    """Codes and judged numbers of a probe from what its comparison with each other probe found."""
    n = len(line.value)
    judged_at_all = any(rows is not None for rows in found)
    codes = np.full(n, GOOD if judged_at_all else NOT_EVALUATED, dtype=np.int8)
    judged = np.full(n, 0.0 if judged_at_all else np.nan)
    hour = np.floor(line.minute / 60.0).astype(np.int64) if any(len(row.hours) for rows in found for row in rows or ()) else None
    for rows in found:
        for row in rows or ():
            if len(row.hours):
                at = np.minimum(np.searchsorted(row.hours, hour), len(row.hours) - 1)
                hit = row.hours[at] == hour
                codes[hit] = SUSPECT
                judged[hit] = row.by_c[at[hit]]
    return codes, judged


def still_against(run_minutes: tuple[float, float], other: Hours) -> float:
    """How far the other probe's three-hour mean moved [°C] while this one stood still from minute to minute (since 1970)."""
    first, stop = int(np.ceil(run_minutes[0] / 60.0)) - other.first, int(np.floor(run_minutes[1] / 60.0)) - other.first
    part = other.mean_c[max(first, 0) : max(stop, 0)]
    part = part[np.isfinite(part)]
    return float(np.ptp(part)) if len(part) >= STILL_HOURS else 0.0


def lag_min(own: pd.Series, other: pd.Series, *, most_min: float = 180.0) -> float:
    """Minutes by which ``own`` follows ``other`` (negative: it leads), where their changes match best; NaN where nothing matches.

    Both are put on the coarser of their two intervals; the match is the correlation of their changes, at least 0.5.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=400, freq="5min", tz="UTC")
    >>> wave = pd.Series(np.sin(np.arange(400) ** 1.3 / 20), index=times)
    >>> lag_min(wave.shift(3).dropna(), wave)
    15.0
    """
    step = max(float(np.median(np.diff(x.index.as_unit("us").asi8))) / 60e6 for x in (own, other)) if min(len(own), len(other)) > 2 else np.nan
    if not np.isfinite(step) or step <= 0:
        return float("nan")
    grid = pd.Timedelta(minutes=step)
    both = pd.concat([x.resample(grid).mean() for x in (own, other)], axis=1, sort=True).interpolate(limit=2).diff()
    a, b = (both.iloc[:, k].to_numpy() for k in (0, 1))
    best, found = 0.5, float("nan")
    shifts = range(-int(most_min / step), int(most_min / step) + 1)
    for shift in sorted(shifts, key=abs):
        x, y = (a[shift:], b[: len(b) - shift]) if shift >= 0 else (a[:shift], b[-shift:])
        use = np.isfinite(x) & np.isfinite(y)
        if use.sum() < 24 or x[use].std() == 0 or y[use].std() == 0:
            continue
        match = float(np.corrcoef(x[use], y[use])[0, 1])
        if match > best + 1e-9:
            best, found = match, shift * step
    return found


def still_codes(line: Course, table: pd.DataFrame, others: list[Hours], *, resolution_c: float, limits_h: tuple[float, float], outside: np.ndarray | None = None,
                outside_h: tuple[float, float] | None = None) -> tuple[np.ndarray, list[dict]]:  # fmt: skip
    """Codes of readings that stand exactly still (runs from ``series.still``), and one finding for each such run.

    A refrigerator may hold a steady temperature for hours; a run counts where it lasts longer than ``limits_h`` (suspect, fail) [h],
    than ``outside_h`` while ``outside`` says its value is beyond the storage limits, or where another probe of the unit moved meanwhile by
    many steps of the resolution (see STILL_SUSPECT, STILL_FAIL).
    """
    hours = table["minutes"].to_numpy() / 60.0
    code = _longer(hours, limits_h)
    by_length = code.copy()
    if outside is not None and outside_h is not None:
        code = np.maximum(code, np.where(outside, _longer(hours, outside_h), GOOD))
    moved = np.zeros(len(table))
    others = [Hours(other.first, pd.Series(other.mean_c).rolling(3, center=True, min_periods=1).mean().to_numpy()) for other in others]
    restless = [other for other in others if len(other.mean_c) and np.nanmax(other.mean_c) - np.nanmin(other.mean_c) >= STILL_SUSPECT[1]]
    for k in np.flatnonzero(hours >= STILL_HOURS).tolist() if restless else []:
        span = (float(line.minute[table["first"].iat[k]]), float(line.minute[table["last"].iat[k]]))
        moved[k] = max(still_against(span, other) for other in restless)
    for (steps, degrees), value in ((STILL_SUSPECT, SUSPECT), (STILL_FAIL, FAIL)):
        code = np.maximum(code, np.where(moved >= max(steps * resolution_c, degrees), value, GOOD))
    codes = np.full(len(line.value), GOOD, dtype=np.int8)
    findings = []
    for k in np.flatnonzero(code > GOOD).tolist():
        first, last = int(table["first"].iat[k]), int(table["last"].iat[k])
        codes[first : last + 1] = code[k]
        why = "length" if by_length[k] == code[k] else "other" if moved[k] else "outside"
        findings.append({"first": first, "last": last, "code": int(code[k]), "hours": float(hours[k]), "moved_c": float(moved[k]), "why": why})
    return codes, findings


def _longer(hours: np.ndarray, limits_h: tuple[float, float]) -> np.ndarray:
    return np.where(hours >= limits_h[1], FAIL, np.where(hours >= limits_h[0], SUSPECT, GOOD)).astype(np.int8)


