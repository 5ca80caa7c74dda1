"""Levels, paces, lags between probes, the room and the hour."""

from __future__ import annotations

import numpy as np
import pandas as pd

from coldchain_kit.model import timeline
from coldchain_kit.thermal.grid import even


def level(series: pd.Series) -> tuple[float, float]:
    """Median [°C] and robust standard deviation [K] of a stretch.

    Examples
    --------
    >>> level(pd.Series([4.0, 5.0, 6.0]))
    (5.0, 1.4826)
    """
    values = series.dropna().to_numpy(dtype="float64")
    if not len(values):
        return float("nan"), float("nan")
    middle = float(np.median(values))
    return middle, float(1.4826 * np.median(np.abs(values - middle)))


def level_step(before: pd.Series, after: pd.Series) -> tuple[float, float]:
    """Step of the level [K] and its standard uncertainty, from the medians of six-hour blocks.

    Blocks, not readings, carry the uncertainty, because neighbouring readings are alike.
    """
    blocks = [part.dropna().resample("6h").median().dropna().to_numpy() for part in (before, after)]
    if not all(len(block) for block in blocks):
        return float("nan"), float("nan")
    step = float(np.median(blocks[1]) - np.median(blocks[0]))
    spread = [max(0.05, float(np.std(block, ddof=1)) if len(block) > 1 else 0.5) ** 2 / len(block) for block in blocks]
    return step, float(np.sqrt(sum(spread)))


def cooling_rate_k_h(series: pd.Series, *, window_min: float = 30.0) -> float:
    """Fastest sustained fall [K/h] over ``window_min`` in a stretch; 0 where nothing falls, NaN where it is too short.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=13, freq="5min", tz="UTC")
    >>> cooling_rate_k_h(pd.Series(12.0 - np.arange(13) * 0.5, index=times))
    6.0
    """
    values, step = even(series)
    if not np.isfinite(step):
        return float("nan")
    ahead = max(1, round(window_min / step))
    if len(values) <= ahead:
        return float("nan")
    return float(max(0.0, (values[:-ahead] - values[ahead:]).max() / (ahead * step / 60.0)))


def lag(first: pd.Series, second: pd.Series, *, most_min: float = 120.0) -> tuple[float, float]:
    """How many minutes ``second`` runs after ``first``, and the ratio of their swings.

    From the peak of the cross-correlation on a common grid; NaN where they share less than twelve steps.
    """
    begin, end = max(first.index[0], second.index[0]), min(first.index[-1], second.index[-1])
    a, step = even(first[begin:end])
    b, _ = even(second[begin:end], step_min=step if np.isfinite(step) else None)
    count = min(len(a), len(b))
    if count < 12 or not np.isfinite(step):
        return float("nan"), float("nan")
    a, b = a[:count] - a[:count].mean(), b[:count] - b[:count].mean()
    if not a.any() or not b.any():
        return float("nan"), float("nan")
    most = min(count // 2, max(1, round(most_min / step)))
    shifts = np.arange(-most, most + 1)
    score = np.array([a[max(0, -k) : count - max(0, k)] @ b[max(0, k) : count - max(0, -k)] / (count - abs(k)) for k in shifts.tolist()])
    top = int(np.argmax(score))
    shift = float(shifts[top])
    if 0 < top < len(score) - 1:
        bend = score[top - 1] - 2 * score[top] + score[top + 1]
        shift += 0.5 * (score[top - 1] - score[top + 1]) / bend if bend else 0.0
    return shift * step, float(np.std(b) / np.std(a))


def room_dependence(inside: pd.Series, room: pd.Series) -> tuple[float, float]:
    """Slope [K inside per K of room] and correlation of hourly means; NaN with fewer than twelve common hours."""
    both = pd.concat([inside.resample("1h").mean(), room.resample("1h").mean()], axis=1).dropna().to_numpy()
    if len(both) < 12 or both[:, 1].std() < 1e-9:
        return float("nan"), float("nan")
    x, y = both[:, 1] - both[:, 1].mean(), both[:, 0] - both[:, 0].mean()
    return float(x @ y / (x @ x)), float(x @ y / np.sqrt(max(1e-12, (x @ x) * (y @ y))))


def daily_pattern(series: pd.Series, *, zone: str) -> pd.DataFrame:
    """Mean and highest temperature [°C] for each weekday (0 = Monday) and hour of the site's time.

    Returns
    -------
    DataFrame
        Columns weekday, hour, mean_c, max_c, readings.
    """
    local = series.dropna()
    at = timeline.times_of(local).tz_convert(zone)
    local.index = at
    grouped = local.groupby([at.day_of_week, at.hour])
    table = pd.DataFrame({"mean_c": grouped.mean(), "max_c": grouped.max(), "readings": grouped.size()})
    table.index.names = ["weekday", "hour"]
    return table.reset_index()
