"""Numbers of a Series that is turned so that an episode points upwards: paces, swings, steps, what is left afterwards."""

from __future__ import annotations

import numpy as np
import pandas as pd

from coldchain_kit import thermal

# A pace is measured over at least this long, so that a display step does not pass for a course.
PACE_MIN = 10.0


def cut(series: pd.Series, start: pd.Timestamp, end: pd.Timestamp) -> pd.Series:
    first, last = series.index.searchsorted(start), series.index.searchsorted(end, side="right")
    return series.iloc[first:last].dropna()


def noise(series: pd.Series) -> float:
    """Standard deviation of one reading, from second differences (a smooth course leaves them near zero)."""
    values = series.to_numpy()
    if len(values) < 5:
        return 0.05
    return float(1.4826 * np.median(np.abs(np.diff(values, 2))) / np.sqrt(6.0))


def minutes_until(tail: pd.Series, below: float) -> float:
    hit = np.flatnonzero(tail.to_numpy() <= below)
    return float((tail.index[hit[0]] - tail.index[0]) / pd.Timedelta(minutes=1)) if len(hit) else float("nan")


def returned(tail: pd.Series, back_at: float, rise_min: float, after_min: float) -> bool | None:
    """Back to the old level and staying there; None while the record after the peak is shorter than the rise itself."""
    hit = np.flatnonzero(tail.to_numpy() <= back_at)
    if len(hit):
        rest = tail.iloc[hit[0] :]
        return bool(np.mean(rest.to_numpy() <= back_at) >= 0.5) if len(rest) >= 4 else True
    return False if after_min > max(rise_min, 180.0) else None


def steps_over(up: pd.Series, window_min: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Change over at least ``window_min`` from each reading on: positions, minutes, change."""
    t, values = thermal.minutes_of(up), up.to_numpy()
    ahead = np.searchsorted(t, t + window_min - 1e-6)
    use = np.flatnonzero(ahead < len(t))
    gone = t[ahead[use]] - t[use]
    fine = gone <= 2.5 * window_min
    return use[fine], gone[fine], (values[ahead[use]] - values[use])[fine]


def jump(up: pd.Series, onset: pd.Timestamp, peak: pd.Timestamp, tau: float, step: float) -> float:
    """Rise of the surroundings within minutes that the probe's fastest course implies: pace times (window + tau)."""
    window = max(PACE_MIN, step)
    stretch = up[(up.index >= onset - pd.Timedelta(minutes=window)) & (up.index <= peak)]
    _, minutes, change = steps_over(stretch, window)
    return float(max(0.0, (change / minutes).max()) * (window + tau)) if len(minutes) else 0.0


def habit_jump(habit: pd.Series, tau: float, step: float) -> float:
    window = max(PACE_MIN, step)
    _, minutes, change = steps_over(habit, window)
    return float(max(0.0, np.quantile(change / minutes, 0.98)) * (window + tau)) if len(minutes) > 10 else float("nan")


def pace_ratio(rise: pd.Series, habit: pd.Series, step: float) -> float:
    """Pace over the first hour of the rise against its own usual rises (90 % of the rising paces over 30 min)."""
    window = max(20.0, 2 * step)
    _, minutes, change = steps_over(habit, window)
    usual = change / minutes if len(minutes) else np.empty(0)
    usual = usual[usual > 0]
    first = rise[rise.index <= rise.index[0] + pd.Timedelta(minutes=max(60.0, 3 * step))]
    if len(usual) < 10 or len(first) < 2:
        return float("nan")
    pace = (first.iloc[-1] - first.iloc[0]) / max(step, thermal.minutes_of(first)[-1])
    return float(max(0.0, pace) / max(1e-6, np.quantile(usual, 0.9)))


def quick_share(up: pd.Series, onset: pd.Timestamp, peak: pd.Timestamp, rise_k: float, tau: float, step: float) -> float:
    """Largest share of the whole rise that was made within half an hour and a probe time constant."""
    window = max(30.0 + tau, 2 * step)
    stretch = up[(up.index >= onset - pd.Timedelta(minutes=step)) & (up.index <= peak)]
    if len(stretch) < 2 or rise_k <= 0:
        return float("nan")
    if thermal.minutes_of(stretch)[-1] <= window:
        return 1.0
    _, _, change = steps_over(stretch, window)
    return float(min(1.0, max(0.0, change.max()) / rise_k)) if len(change) else float("nan")


def tail(tail: pd.Series, level: float, peak: float, tau: float, step: float) -> float:
    """Mean excess over three hours after the extreme (two probe time constants left for the probe's own lag), as a share of the rise."""
    begin = tail.index[0] + pd.Timedelta(minutes=2 * tau + step)
    rest = tail[(tail.index > begin) & (tail.index <= begin + pd.Timedelta(hours=3))]
    if len(rest) * step < 90 or len(rest) < 3 or peak <= level:
        return float("nan")
    return float((rest.mean() - level) / (peak - level))


def cycle_min(habit: pd.Series) -> float:
    """Compressor period of the last two days before [min]; NaN where none shows. Defrost clocks run in hours and are no cycle."""
    recent = habit[habit.index >= habit.index[-1] - pd.Timedelta(days=2)]
    steps = np.diff(thermal.minutes_of(recent))
    if len(recent) < 24 or np.max(steps) > 20 * np.median(steps):
        recent = habit
    # Doors and the room disturb a cycle: a weaker likeness than half is taken here, because only the swing at that period is used.
    period = thermal.cycle(recent, least_r=0.3).period_min
    return period if period <= 150.0 else float("nan")


def longest_gap(series: pd.Series, onset: pd.Timestamp, end: pd.Timestamp, step: float) -> float:
    inside = series[(series.index >= onset - pd.Timedelta(minutes=3 * step)) & (series.index <= end + pd.Timedelta(minutes=3 * step))]
    steps = np.diff(thermal.minutes_of(inside))
    longest = float(steps.max()) if len(steps) else 0.0
    return longest if longest > max(2.5 * step, 5.0) else 0.0


def swing(series: pd.Series, period_min: float) -> float:
    """Swing at the compressor's period: interquartile range of each reading against the mean of those half a period away.

    A straight course gives 0 and a bend a constant, so only what comes and goes with the period is left. NaN where the stretch
    holds fewer than two periods.
    """
    values, step = thermal.even(series)
    half = int(round(period_min / 2 / step)) if np.isfinite(step) and np.isfinite(period_min) else 0
    if half < 1 or len(values) < 4 * half + 4:
        return float("nan")
    rest = values[half:-half] - (values[: -2 * half] + values[2 * half :]) / 2.0
    return float(np.percentile(rest, 75) - np.percentile(rest, 25))


def longest_equal(values: np.ndarray) -> int:
    if len(values) < 2:
        return len(values)
    breaks = np.flatnonzero(np.diff(values) != 0)
    return int(np.diff(np.concatenate([[-1], breaks, [len(values) - 1]])).max())
