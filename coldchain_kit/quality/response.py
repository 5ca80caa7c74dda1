"""How two probes of one unit answer the same air: spread and lag against the pair's own history; everything a pair disagrees about."""

from __future__ import annotations

from typing import NamedTuple, TypedDict

import numpy as np
import pandas as pd

from coldchain_kit.model import GOOD, NOT_EVALUATED, SUSPECT, timeline
from coldchain_kit.quality.pairs import LEVEL_C, Apart, Hours, common, drift_apart, hourly, level_apart
from coldchain_kit.quality.series import Course, course, runs, spread

# Spread: one probe's scatter within the hour, as a ratio to the other's, over a day (so that night and day weigh alike), leaves its usual value
# by this factor and by six times its usual scatter from day to day for 18 h, while the other probe's own scatter and pace stay: they moved at most
# half as far as this one's, and its scatter by at most a quarter; both probes' level stays within a degree (an event is evidence); its usual scatter is at least twice what rounding makes. Common practice, no source; a probe of 12 min that becomes one of
# 2 min scatters 1.4 to 4 times as much (simulated refrigerators and freezers).
SPREAD_TIMES, SPREAD_SCATTERS, SPREAD_HOURS, SPREAD_LEAST_HOURS, SPREAD_JOIN_HOURS = 1.4, 6.0, 24, 18, 6
KEEPS_SHARE, KEEPS_TIMES = 0.5, 1.25
# Lag: the delay between the two leaves its usual value by two intervals, two minutes and six times its usual scatter, on two days or more.
# A day counts where the match is at least 0.5 and no other delay matches nearly as well (a steady rhythm fits itself again a period later).
LAG_INTERVALS, LAG_MIN, LAG_SCATTERS, LAG_MATCH, LAG_CLEAR = 2.0, 2.0, 6.0, 0.5, 0.1
LAG_MOST_MIN, LAG_WINDOW_MIN, LAG_CLIP, LAG_STEP_MIN = 120.0, 180.0, 4.0, 12.0
HISTORY_DAYS, BEFORE_DAYS = 5, 3  # days in all, and days before a change that tell what is usual
FILLED_SHARE = 0.8  # of a day's readings

Kept = dict[tuple[int, float], "Days | None"]  # days of each probe at each step, worked out once


class Usual(NamedTuple):
    """What is usual of a daily number: its level and scatter, and the days [bool] that tell (before the clearest change)."""

    level: float
    scatter: float
    before: np.ndarray


def usual(daily: np.ndarray) -> Usual | None:
    """The usual level of a daily number from the days before its clearest change; the scatter is that of the wilder side of it.

    None with fewer than five days that have a number.

    Examples
    --------
    >>> found = usual(np.array([1.0, 1.1, 0.9, 1.0, 1.1, 3.0, 3.1, 2.9, 3.0]))
    >>> round(found.level, 2), int(found.before.sum())
    (1.0, 5)
    """
    at = np.flatnonzero(np.isfinite(daily))
    if len(at) < HISTORY_DAYS:
        return None
    y = daily[at]
    n, count = len(y), np.arange(BEFORE_DAYS, len(y))
    total = np.cumsum(y)
    before, after = total[count - 1] / count, (total[-1] - total[count - 1]) / (n - count)
    split = int(count[np.argmax(np.abs(before - after) * np.sqrt(count * (n - count)))])
    scatter = max(1.4826 * float(np.median(np.abs(part - np.median(part)))) for part in (y[:split], y[split:]))
    told = np.zeros(len(daily), dtype=bool)
    told[at[:split]] = True
    return Usual(float(np.median(y[:split])), scatter, told)


def spread_apart(own: Hours, other: Hours) -> Apart | None:
    """Hours in which this probe's scatter left its usual ratio to the other's, which kept its own. None with less than five days in common."""
    first, mine, theirs = common(own, other)
    a, b = (Hours(first, hours.still, *(column[part] for column in hours[2:])) for hours, part in ((own, mine), (other, theirs)))
    ratio, *columns = (_day_median(x) for x in (a.swing - b.swing, a.swing, b.swing, b.pace, a.mean_c, b.mean_c))
    known = usual(ratio[SPREAD_HOURS // 2 :: SPREAD_HOURS])
    if known is None:
        return None
    threshold = max(float(np.log2(SPREAD_TIMES)), SPREAD_SCATTERS * known.scatter)
    levels = [float(np.nanmedian(x[SPREAD_HOURS // 2 :: SPREAD_HOURS][known.before])) for x in columns]
    lively = levels[1] >= b.still + 1.0  # a probe that hardly moves tells nothing
    moved, beside, pace, warmer, warmer_beside = (np.abs(x - level) for x, level in zip(columns, levels, strict=True))
    with np.errstate(invalid="ignore"):
        keeps = lively & (np.maximum(warmer, warmer_beside) < LEVEL_C) & (beside < KEEPS_SHARE * moved) & (pace < KEEPS_SHARE * moved) & (beside < np.log2(KEEPS_TIMES))
        at = _lasting((np.abs(ratio - known.level) > threshold) & keeps, least=SPREAD_LEAST_HOURS, join=SPREAD_JOIN_HOURS)
    return Apart(first + at, 2.0 ** (ratio[at] - known.level), 2.0**threshold, "spread", 2.0**known.level)


def _lasting(hit: np.ndarray, *, least: int, join: int) -> np.ndarray:
    """Positions that are hit, in stretches of at least ``least`` of them with at most ``join`` others between two."""
    spans = [first + np.flatnonzero(hit[first : last + 1]) for first, last in runs(hit, join=join)]
    spans = [span for span in spans if len(span) >= least]
    return np.concatenate(spans) if spans else np.zeros(0, np.int64)


def _day_median(x: np.ndarray) -> np.ndarray:
    """Median over the day around each hour; NaN where fewer than half of the hours have a value."""
    return pd.Series(x).rolling(SPREAD_HOURS + 1, center=True, min_periods=SPREAD_HOURS // 2).median().to_numpy()


class Days(NamedTuple):
    """A probe's readings as a spectrum of each UTC day from day ``first`` (since 1970) on, by steps of ``step_min``; power NaN where too few."""

    first: int
    step_min: float
    slots: int
    spectrum: np.ndarray
    power: np.ndarray


def step_min(line: Course) -> float:
    """Usual step [min] between readings, NaN without."""
    return float(np.median(line.step_min)) if len(line.step_min) else float("nan")


def days(line: Course, step: float) -> Days | None:
    """Spectra of the days without what is slower than three hours; None where the step does not suit (over 12 min) or nothing is there."""
    if not 0 < step <= LAG_STEP_MIN or not len(line.value):
        return None
    slots = max(1, round(1440.0 / step))
    at = np.floor(line.minute * (slots / 1440.0) + 0.5).astype(np.int64)
    first, count = int(at[0] // slots), int(at[-1] // slots - at[0] // slots) + 1
    flat = np.full(count * slots, np.nan)
    flat[at - first * slots] = line.value
    missing = np.isnan(flat)
    if missing.any():
        flat[missing] = np.interp(np.flatnonzero(missing), np.flatnonzero(~missing), flat[~missing])
    quick = (flat - _moving_mean(flat, max(1, round(LAG_WINDOW_MIN / step / 2)))).reshape(count, slots)
    quick -= quick.mean(axis=1, keepdims=True)
    most = LAG_CLIP * np.median(np.abs(quick[:, :: max(1, slots // 288)]), axis=1, keepdims=True)
    np.clip(quick, -most, most, out=quick)  # one great event must not outweigh the day
    power = (quick * quick).sum(axis=1)
    power[(missing.reshape(count, slots).mean(axis=1) > 1 - FILLED_SHARE) | (power <= 0)] = np.nan
    return Days(first, 1440.0 / slots, slots, np.fft.rfft(quick, slots + _most_shift(slots), axis=1), power)


def _most_shift(slots: int) -> int:
    return int(LAG_MOST_MIN * slots / 1440.0)


def _moving_mean(x: np.ndarray, half: int) -> np.ndarray:
    """Mean over ``half`` values on either side; the first and the last whole one stand for those nearer to the ends."""
    half = min(half, (len(x) - 1) // 2)
    total = np.cumsum(x)
    mean = np.empty(len(x))
    mean[half] = total[2 * half] / (2 * half + 1)
    np.subtract(total[2 * half + 1 :], total[: -2 * half - 1], out=mean[half + 1 : len(x) - half])
    mean[half + 1 : len(x) - half] /= 2 * half + 1
    mean[:half], mean[len(x) - half :] = mean[half], mean[len(x) - half - 1]
    return mean


def daily_lag_min(own: Days, other: Days) -> tuple[int, np.ndarray]:
    """First common day (since 1970) and for each day the minutes by which ``own`` follows ``other``; NaN where a day cannot tell."""
    first, stop = max(own.first, other.first), min(own.first + len(own.power), other.first + len(other.power))
    if stop <= first or own.slots != other.slots:
        return first, np.zeros(0)
    a, b = slice(first - own.first, stop - own.first), slice(first - other.first, stop - other.first)
    most = _most_shift(own.slots)
    match = np.fft.irfft(own.spectrum[a] * np.conj(other.spectrum[b]), own.slots + most, axis=1)
    match = np.concatenate((match[:, -most:], match[:, : most + 1]), axis=1) / np.sqrt(own.power[a] * other.power[b])[:, None]
    match[np.isnan(match)] = 0.0
    day, best = np.arange(len(match)), match.argmax(axis=1)
    peak = match[day, best]
    inside = np.clip(best, 1, 2 * most - 1)
    left, mid, right = (match[day, inside + k] for k in (-1, 0, 1))
    bend = left - 2 * mid + right
    between = np.where((bend < 0) & (inside == best), 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
    rival = np.zeros_like(match)
    rival[:, 1:-1] = np.where((match[:, 1:-1] >= match[:, :-2]) & (match[:, 1:-1] >= match[:, 2:]), match[:, 1:-1], 0.0)
    for k in (-1, 0, 1):
        rival[day, np.clip(best + k, 0, 2 * most)] = 0.0
    clear = (peak >= LAG_MATCH) & (peak - rival.max(axis=1) >= LAG_CLEAR)
    return first, np.where(clear, (best - most + between) * own.step_min, np.nan)


def lag_apart(own: Hours, other: Hours, own_days: Days | None, other_days: Days | None) -> Apart | None:
    """Hours of the days on which this probe follows the other by another delay than usual. None with less than five days that tell.

    Which of the two changed is seen from their scatter: a probe whose scatter moved less than half as much as the other's is not the one.
    """
    if own_days is None or other_days is None:
        return None
    first, lag = daily_lag_min(own_days, other_days)
    known = usual(lag)
    if known is None:
        return None
    threshold = max(LAG_MIN, LAG_INTERVALS * own_days.step_min, LAG_SCATTERS * known.scatter)
    smooth = pd.Series(lag).rolling(3, center=True, min_periods=2).median().to_numpy()
    with np.errstate(invalid="ignore"):
        hit = (np.abs(lag - known.level) > threshold) & (np.abs(smooth - known.level) > threshold)
    at = _lasting(hit, least=2, join=1)
    moved = [_moved(hours, first, at, known.before) for hours in (own, other)]
    if not len(at) or (moved[0] < KEEPS_SHARE * moved[1] and moved[1] > np.log2(KEEPS_TIMES)):
        return Apart(np.zeros(0, np.int64), np.zeros(0), threshold, "lag", known.level)
    hours = (24 * (first + at)[:, None] + np.arange(24)).ravel()
    return Apart(hours, np.repeat(lag[at] - known.level, 24), threshold, "lag", known.level)


def _moved(hours: Hours, first_day: int, at: np.ndarray, before: np.ndarray) -> float:
    """How far a probe's scatter on the days ``at`` lies from that on the days before (powers of two)."""
    day = np.arange(hours.first, hours.first + len(hours.swing)) // 24 - first_day
    here = (day >= 0) & (day < len(before)) & np.isfinite(hours.swing)
    there, usually = (hours.swing[here & np.isin(day, days)] for days in (at, np.flatnonzero(before)))
    return abs(float(np.median(there)) - float(np.median(usually))) if len(there) and len(usually) else 0.0


def disagreement(own: pd.Series, other: pd.Series, *, resolution_c: float = 0.0) -> pd.DataFrame:
    """Readings of ``own`` taken while it was apart from ``other`` in level, drift, spread or lag: 3; else 1; 2 without enough history.

    Judged: by hours, the number of the last of these that found something, in its unit of ``pairs.UNITS``. Never 4: which of the
    two is wrong is not in the numbers.

    Cannot see
    ----------
    A difference that was there from the first to the last reading; both probes wrong alike. Spread needs five readings an hour and five days; lag
    an interval of at most 12 min and five days on which one delay clearly matches best: a very regular rhythm may hide it.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=24 * 14, freq="h", tz="UTC")
    >>> steady = pd.Series(5.0, index=times)
    >>> shifted = steady.where(times < times[200], 8.0).where(times < times[240], 5.0)
    >>> int((disagreement(shifted, steady)["flag"] == 3).sum()), int((disagreement(steady, shifted)["flag"] == 3).sum())
    (40, 0)
    """
    line = course(own)
    found = [apart(hourly(own), hourly(other), resolution_c=resolution_c, lines=(line, course(other)))]
    codes, judged = apart_codes(line, found)
    whole = np.full(line.n, np.nan)
    whole[line.at] = judged
    return pd.DataFrame({"flag": spread(line, codes), "judged": whole}, index=own.index)


def apart(own: Hours, other: Hours, *, resolution_c: float = 0.0, lines: tuple[Course, Course] | None = None, kept: Kept | None = None) -> list[Apart] | None:
    """What level, drift, spread and lag find; None where none of them could judge.

    ``lines``: both probes' readings, for the lag; ``kept``: where their days are kept for the next pair.
    """
    mine, theirs = (None, None) if lines is None else _both_days(*lines, {} if kept is None else kept)
    tried = (level_apart(own, other, resolution_c=resolution_c), drift_apart(own, other), spread_apart(own, other), lag_apart(own, other, mine, theirs))
    return [row for row in tried if row is not None] or None


def _both_days(own: Course, other: Course, kept: Kept) -> tuple[Days | None, Days | None]:
    step = max(step_min(own), step_min(other))
    for line in (own, other):
        if (id(line), step) not in kept:
            kept[id(line), step] = days(line, step)
    return kept[id(own), step], kept[id(other), step]


def apart_codes(line: Course, found: list[list[Apart] | None]) -> tuple[np.ndarray, np.ndarray]:
    """Codes and judged numbers of a probe from what its comparison with each other probe found."""
    n = len(line.value)
    judged_at_all = any(rows is not None for rows in found)
    codes = np.full(n, GOOD if judged_at_all else NOT_EVALUATED, dtype=np.int8)
    judged = np.full(n, 0.0 if judged_at_all else np.nan)
    hour = np.floor(line.minute / 60.0).astype(np.int64) if any(len(row.hours) for rows in found for row in rows or ()) else None
    for rows in found:
        for row in rows or ():
            if hour is not None and len(row.hours):
                at = np.minimum(np.searchsorted(row.hours, hour), len(row.hours) - 1)
                hit = row.hours[at] == hour
                codes[hit] = SUSPECT
                judged[hit] = row.by[at[hit]]
    return codes, judged


class ApartRow(TypedDict):
    """A run in which a probe left another one: hours since 1970, and :class:`Apart` in single figures."""

    other: str
    how: str
    first: int
    last: int
    by: float
    threshold: float
    usual: float


def told(found: dict[str, list[Apart] | None]) -> list[ApartRow]:
    """What comparisons with the other probes found, JSON-ready: a row {other, how, first, last (hours since 1970), by, threshold, usual} a run.

    Hours of one kind less than a day apart make one row; ``by`` is the furthest from usual.
    """
    rows = []
    for name, aparts in sorted(found.items()):
        for row in aparts or ():
            edges = np.concatenate(([0], np.flatnonzero(np.diff(row.hours) > 24) + 1, [len(row.hours)]))
            for first, stop in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
                if stop > first:
                    by = row.by[first:stop]
                    size = np.abs(np.log2(by)) if row.how == "spread" else np.abs(by)
                    span = (int(row.hours[first]), int(row.hours[stop - 1]))
                    rows.append(ApartRow(other=name, how=row.how, first=span[0], last=span[1], by=float(by[size.argmax()]), threshold=float(row.threshold), usual=float(row.usual)))
    return rows


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
    step = max(float(np.median(np.diff(timeline.times_of(x).as_unit("us").asi8))) / 60e6 for x in (own, other)) if min(len(own), len(other)) > 2 else np.nan
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
