"""What comes back: compressor cycles, warm humps, clocks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from coldchain_kit.thermal.grid import even

# A course repeats itself where the autocorrelation at one period is at least this: the reading one period before then explains a
# quarter of the variance (r**2 = 0.25).
REPEATS_R = 0.5

# A period of four or five steps seldom meets a whole number of them: at half a step beside, a cycle of 4.5 steps has a likeness of only
# cos(40°) = 0.77 to itself, and its double wins. Four places to a step leave at most an eighth of a step, cos(10°) = 0.985.
FINER = 4

# Compared with the clock, an event counts as on time within an eighth of the period to either side (a quarter of all
# phases in all): a chance hit has odds of one in four.
ON_CLOCK_SHARE = 0.125


@dataclass(frozen=True)
class Cycle:
    """Compressor cycle of a stretch; NaN where no cycle shows.

    ``period_min`` [min], ``range_k`` 5 % to 95 % range [K], ``duty`` share of time falling, ``level_c`` mean [°C],
    ``strength`` autocorrelation at one period (0..1).
    """

    period_min: float
    range_k: float
    duty: float
    level_c: float
    strength: float


def cycle(series: pd.Series, *, least_r: float = REPEATS_R) -> Cycle:
    """Compressor cycle of a stretch: period from the autocorrelation, after a slow course is taken out.

    A period under three steps cannot be told from noise and is not looked for; the stretch must hold three periods.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=288, freq="5min", tz="UTC")
    >>> wave = pd.Series(5.0 + np.sin(2 * np.pi * np.arange(288) * 5.0 / 50.0), index=times)
    >>> round(cycle(wave).period_min, 1)
    50.0
    """
    values, step = even(series)
    nan = float("nan")
    nothing = Cycle(nan, nan, nan, float(np.mean(values)) if len(values) else nan, 0.0)
    if len(values) < 12:
        return nothing
    spread = np.percentile(values, 95) - np.percentile(values, 5)
    rest = values - _running_mean(values, max(5, len(values) // 6))
    power = rest @ rest
    if power <= 1e-12:
        return Cycle(nan, float(spread), nan, nothing.level_c, 0.0)
    acf = _likeness(rest)
    below = np.flatnonzero(acf < 0)
    places = np.arange(3 * FINER, len(acf) - 1)
    tops = places[(acf[places] > 0) & (acf[places] >= acf[places - 1]) & (acf[places] > acf[places + 1])]
    peaks = tops[tops > below[0]] if len(below) else tops[:0]
    if not len(peaks):
        return Cycle(nan, float(spread), nan, nothing.level_c, 0.0)
    first = peaks[np.argmax(acf[peaks] >= 0.7 * acf[peaks].max())]
    if acf[first] < least_r:
        return Cycle(nan, float(spread), nan, nothing.level_c, float(max(0.0, acf[first])))
    bend = acf[first - 1] - 2 * acf[first] + acf[first + 1]
    shift = 0.5 * (acf[first - 1] - acf[first + 1]) / bend if bend else 0.0
    slope = np.diff(values)
    falling = np.count_nonzero(slope < 0) / max(1, int(np.count_nonzero(slope)))
    return Cycle(float((first + shift) / FINER * step), float(spread), float(falling), nothing.level_c, float(min(1.0, acf[first])))


def _likeness(rest: np.ndarray) -> np.ndarray:
    """Autocorrelation up to a third of the stretch, at ``FINER`` places to a step (band-limited: the spectrum padded with zeros)."""
    count = len(rest)
    power = np.abs(np.fft.rfft(rest, 2 * count)) ** 2
    acf = np.fft.irfft(power, 2 * count * FINER)[: (count // 3 + 2) * FINER]
    return acf / acf[0] * count / (count - np.arange(len(acf)) / FINER)


def _running_mean(values: np.ndarray, width: int) -> np.ndarray:
    width = min(len(values), width + 1 - width % 2)
    padded = np.pad(values, width // 2, mode="edge")
    total = np.cumsum(np.concatenate([[0.0], padded]))
    return ((total[width:] - total[:-width]) / width)[: len(values)]


def humps(series: pd.Series, *, least_k: float | None = None) -> pd.DataFrame:
    """Warm humps of a record.

    Parameters
    ----------
    series : Series of float
        Temperatures [°C] on a UTC index.
    least_k : float, optional
        Least height over the higher shoulder [K]; by default half of the height that the tallest tenth of humps reach.

    Returns
    -------
    DataFrame
        One row a hump: start, peak, end (half height, UTC), height_k, minutes (between start and end).

    Cannot see
    ----------
    Humps shorter than two steps of the record.
    """
    values, step = even(series)
    if len(values) < 12:
        return pd.DataFrame(columns=["start", "peak", "end", "height_k", "minutes"])
    steps = np.diff(values)
    noise = max(0.3, 3.0 * 1.4826 * float(np.median(np.abs(steps - np.median(steps)))))
    peaks, heights = _prominences(values)
    keep = heights >= (noise if least_k is None else least_k)
    peaks, heights = peaks[keep], heights[keep]
    if least_k is None and len(peaks):
        tall = heights >= 0.5 * np.percentile(heights, 90)
        peaks, heights = peaks[tall], heights[tall]
    sides = [_half_height(values, peak, values[peak] - height / 2.0) for peak, height in zip(peaks, heights, strict=True)]
    left, right = (np.array([side[k] for side in sides], dtype="float64") for k in (0, 1))
    begin = series.dropna().index[0]
    start, peak_at, end = (begin + pd.to_timedelta(np.round(place * step * 60.0), unit="s") for place in (left, peaks.astype("float64"), right))
    return pd.DataFrame({"start": start, "peak": peak_at, "end": end, "height_k": heights, "minutes": (right - left) * step})


def _prominences(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Local maxima and their height over the higher of the lowest points on either side before a higher maximum."""
    change = np.flatnonzero(np.diff(values) != 0)
    if len(change) < 2:
        return np.empty(0, int), np.empty(0)
    rising = np.sign(values[change + 1] - values[change])
    turn = np.flatnonzero((rising[:-1] > 0) & (rising[1:] < 0))
    peaks = (change[turn] + 1 + change[turn + 1]) // 2
    if not len(peaks):
        return peaks, np.empty(0)
    low = np.minimum.reduceat(values, np.concatenate([[0], peaks]))
    tops = values[peaks]
    left = _lowest_before_higher(tops, low[:-1])
    right = _lowest_before_higher(tops[::-1], low[::-1][:-1])[::-1]
    return peaks, tops - np.maximum(left, right)


def _lowest_before_higher(tops: np.ndarray, valley: np.ndarray) -> np.ndarray:
    """For each maximum the lowest valley before it, back to the last higher maximum."""
    found = np.empty(len(tops))
    stack: list[tuple[float, float]] = []
    for k, (top, lowest) in enumerate(zip(tops.tolist(), valley.tolist(), strict=True)):
        while stack and stack[-1][0] <= top:
            lowest = min(lowest, stack.pop()[1])
        stack.append((top, lowest))
        found[k] = lowest
    return found


def _half_height(values: np.ndarray, peak: int, height: float) -> tuple[float, float]:
    """Where the course crosses a height on either side of a maximum, between the readings."""
    below = np.flatnonzero(values[:peak] <= height)
    k = below[-1] if len(below) else -1
    left = k + (height - values[k]) / (values[k + 1] - values[k]) if k >= 0 else 0.0
    below = np.flatnonzero(values[peak:] <= height)
    k = peak + below[0] if len(below) else -1
    right = k - (height - values[k]) / (values[k - 1] - values[k]) if k >= 0 else len(values) - 1.0
    return float(left), float(right)


def defrosts(series: pd.Series, *, least_k: float | None = None) -> tuple[pd.DataFrame, float]:
    """Warm humps of a record, which of them come by the clock, and the clock's period.

    Parameters
    ----------
    series, least_k : see :func:`humps`

    Returns
    -------
    DataFrame
        The humps with a further column on_clock (bool; False without a period).
    float
        Period [h], NaN where the humps do not come regularly.
    """
    table = humps(series, least_k=least_k)
    hours = ((table["peak"] - table["peak"].min()) / pd.Timedelta(hours=1)).to_numpy(dtype="float64") if len(table) else np.empty(0)
    period, phase = recurrence(hours)
    table["on_clock"] = np.abs(phase) <= ON_CLOCK_SHARE if np.isfinite(period) else np.zeros(len(table), bool)
    return table, period


def recurrence(hours: np.ndarray, *, least_hours: float = 0.5) -> tuple[float, np.ndarray]:
    """Period [h] at which events come back, and each event's phase (-0.5..0.5) against the common clock.

    For each period the events are laid on a circle; the length of their mean vector (0..1) says how well they
    agree. The longest period that reaches nine tenths of the best agreement is taken (its halves agree as well). Fewer than four events, or
    agreement under 0.8, give NaN.

    Examples
    --------
    >>> period, phase = recurrence(np.array([3.0, 9.1, 15.0, 20.9, 27.0]))
    >>> round(period, 1), bool((np.abs(phase) < 0.05).all())
    (6.0, True)
    """
    hours = np.asarray(hours, dtype="float64")
    none = float("nan"), np.full(len(hours), np.nan)
    if len(hours) < 4:
        return none
    steps = np.diff(np.sort(hours))
    span = float(hours.max() - hours.min())
    longest = min(48.0, span / 2.5)
    shortest = max(least_hours, 0.5 * float(np.min(steps[steps > 0], initial=span)))
    if longest <= shortest:
        return none
    # Fine enough that the phase of the last event turns by less than a fiftieth of a circle from one trial to the next.
    trials = 1.0 / np.linspace(1.0 / shortest, 1.0 / longest, int(50 * span * (1.0 / shortest - 1.0 / longest)) + 10)
    agreement = np.abs(np.exp(2j * np.pi * hours[None, :] / trials[:, None]).mean(axis=1))
    if agreement.max() < 0.8:
        return none
    good = np.flatnonzero(agreement >= 0.9 * agreement.max())
    group = good[good >= good[-1] - np.argmax(np.diff(good[::-1], prepend=good[-1] + 1) < -1)] if len(good) > 1 else good
    top = group[np.argmax(agreement[group])]
    period = float(trials[top])
    centre = np.angle(np.exp(2j * np.pi * hours / period).mean()) / (2 * np.pi)
    phase = (hours / period - centre + 0.5) % 1.0 - 0.5
    return period, phase
