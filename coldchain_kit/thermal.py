"""Thermal facts that a trace shows about its unit: time constants, compressor cycle, defrost, levels, lags.

Every function takes plain Series of °C on a UTC index and gives numbers with their confidence. Nothing here judges
a reading, and no time constant found here is ever used to flag one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from coldchain_kit.errors import KitError

# Chi-square with one degree of freedom, 95 % (table value): how far a profile may rise above its minimum.
CHI2_95 = 3.841
# Fits look at no more points than this (block means), which keeps a fit under some milliseconds.
FIT_POINTS = 300
# A course repeats itself where the autocorrelation at one period is at least this: half of the variance is then
# shared by two periods. Derived from r**2 >= 0.25.
REPEATS_R = 0.5
# Compared with the clock, an event counts as on time within an eighth of the period to either side (a quarter of all
# phases in all): a chance hit has odds of one in four.
ON_CLOCK_SHARE = 0.125


@dataclass(frozen=True)
class WarmUp:
    """Exponential course fitted to a stretch.

    ``tau_min`` [min] with 95 % bounds (infinity where the stretch is too short to bound it), asymptote ``end_c`` [°C] with
    bounds, ``start_c`` fitted value at the first reading, ``rms_c`` residual, ``readings`` used.
    """

    tau_min: float
    tau_low_min: float
    tau_high_min: float
    end_c: float
    end_low_c: float
    end_high_c: float
    start_c: float
    rms_c: float
    readings: int


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


def minutes_of(series: pd.Series) -> np.ndarray:
    """Minutes since the first reading.

    Examples
    --------
    >>> minutes_of(pd.Series([1.0, 2.0], index=pd.date_range("2026-03-01", periods=2, freq="5min", tz="UTC"))).tolist()
    [0.0, 5.0]
    """
    if not len(series):
        return np.empty(0)
    stamps = pd.DatetimeIndex(series.index).as_unit("us").asi8
    return (stamps - stamps[0]) / 6e7


def warm_up(series: pd.Series, *, end_c: float | None = None, probe_tau_min: float = 0.0) -> WarmUp:
    """Fit ``end + (start - end) exp(-t / tau)`` to a stretch that warms up or cools down.

    The two temperatures are solved exactly for each time constant, so only tau is searched, and it stays bounded
    (a twentieth of a step .. 20 spans). With ``probe_tau_min`` a second exponential of that time constant absorbs the
    probe's own lag.

    Parameters
    ----------
    series : Series of float
        Temperatures [°C] on a UTC index; readings without a value are left out.
    end_c : float, optional
        Asymptote where it is known, for example a measured room [°C].
    probe_tau_min : float
        Time constant of the probe [min].

    Raises
    ------
    KitError
        Fewer than five readings with a value.

    Cannot see
    ----------
    An asymptote far beyond the stretch: then its bounds are wide.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=60, freq="5min", tz="UTC")
    >>> fit = warm_up(pd.Series(22.0 - 17.0 * np.exp(-np.arange(60) * 5.0 / 120.0), index=times))
    >>> round(fit.tau_min, 3), round(fit.end_c, 3)
    (120.0, 22.0)
    """
    series = series.dropna()
    if len(series) < 5:
        raise KitError(f"{len(series)} readings are too few to fit a warm-up", expected="at least five")
    t, y = _thinned(minutes_of(series), series.to_numpy(dtype="float64"), FIT_POINTS)
    span = max(t[-1], 1e-6)
    grid = np.geomspace(max(np.median(np.diff(t)) / 20.0, span / 500.0), span * 20.0, 70)
    sums = np.array([_separable(t, y, tau, end_c, probe_tau_min)[0] for tau in grid])
    best = int(np.argmin(sums))
    tau = _golden(lambda value: _separable(t, y, value, end_c, probe_tau_min)[0], grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)])
    square, end, start, residual = _separable(t, y, tau, end_c, probe_tau_min)
    allowed = square * (1.0 + CHI2_95 / _degrees(residual, 2 if end_c is not None else 3)) + 1e-12
    low, high = (_bound(lambda value: _separable(t, y, value, end_c, probe_tau_min)[0], allowed, tau, grid[edge]) for edge in (0, -1))
    ends = [_separable(t, y, value, end_c, probe_tau_min)[1] for value in (low, tau, high)]
    high = float("inf") if high >= grid[-1] else high
    return WarmUp(float(tau), float(low), float(high), float(end), float(min(ends)), float(max(ends)), float(start), float(np.sqrt(square / len(y))), len(series))


def _thinned(t: np.ndarray, y: np.ndarray, most: int) -> tuple[np.ndarray, np.ndarray]:
    if len(t) <= most:
        return t, y
    each = len(t) // most + 1
    cut = len(t) // each * each
    return t[:cut].reshape(-1, each).mean(axis=1), y[:cut].reshape(-1, each).mean(axis=1)


def _separable(t: np.ndarray, y: np.ndarray, tau: float, end_c: float | None, probe_tau_min: float) -> tuple[float, float, float, np.ndarray]:
    """Least squares of the linear part for one time constant: sum of squares, asymptote, start, residuals."""
    columns = [np.exp(-t / tau)]
    if end_c is None:
        columns.insert(0, np.ones_like(t))
    if probe_tau_min > 0 and abs(np.log(tau / probe_tau_min)) > 0.2:
        columns.append(np.exp(-t / probe_tau_min))
    design = np.column_stack(columns)
    target = y if end_c is None else y - end_c
    # Normal equations with a tiny ridge: at most three columns, and a slope-like exponential stays solvable.
    square = design.T @ design
    solution = np.linalg.solve(square + 1e-10 * np.trace(square) * np.eye(len(square)), design.T @ target)
    residual = target - design @ solution
    end = end_c if end_c is not None else solution[0]
    start = end + solution[1 if end_c is None else 0]
    return float(residual @ residual), float(end), float(start), residual


def _golden(cost, low: float, high: float) -> float:
    ratio = (np.sqrt(5.0) - 1.0) / 2.0
    a, b = np.log(low), np.log(high)
    for _ in range(40):
        c, d = b - ratio * (b - a), a + ratio * (b - a)
        a, b = (a, d) if cost(np.exp(c)) < cost(np.exp(d)) else (c, b)
    return float(np.exp((a + b) / 2))


def _bound(cost, allowed: float, inside: float, edge: float) -> float:
    """Where the profile leaves what is allowed, between the best value and an edge of the search."""
    if cost(edge) <= allowed:
        return float(edge)
    a, b = np.log(inside), np.log(edge)
    for _ in range(20):
        middle = (a + b) / 2
        a, b = (middle, b) if cost(np.exp(middle)) <= allowed else (a, middle)
    return float(np.exp(a))


def _degrees(residual: np.ndarray, parameters: int) -> float:
    """Degrees of freedom left when neighbouring residuals are alike (first-order autocorrelation)."""
    if len(residual) < 4 or not residual.any():
        return max(1.0, len(residual) - parameters)
    r = float(np.clip((residual[1:] @ residual[:-1]) / (residual @ residual), 0.0, 0.98))
    return max(1.0, len(residual) * (1 - r) / (1 + r) - parameters)


def even(series: pd.Series, *, step_min: float | None = None) -> tuple[np.ndarray, float]:
    """Values on an even grid of the median step (straight lines between readings), and the step [min].

    Meant for cycles and lags only; long gaps are the caller's care.
    """
    series = series.dropna()
    t = minutes_of(series)
    if len(t) < 3:
        return series.to_numpy(dtype="float64"), float("nan")
    step = float(np.median(np.diff(t))) if step_min is None else step_min
    return np.interp(np.arange(0.0, t[-1] + 1e-9, step), t, series.to_numpy(dtype="float64")), step


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
    nothing = Cycle(*[float("nan")] * 3, float(np.mean(values)) if len(values) else float("nan"), 0.0)
    if len(values) < 12:
        return nothing
    spread = np.percentile(values, 95) - np.percentile(values, 5)
    rest = values - _running_mean(values, max(5, len(values) // 6))
    power = rest @ rest
    if power <= 1e-12:
        return Cycle(float("nan"), float(spread), float("nan"), nothing.level_c, 0.0)
    padded = np.fft.rfft(rest, 2 * len(rest))
    acf = np.fft.irfft(np.abs(padded) ** 2)[: len(rest) // 3 + 2]
    acf = acf / acf[0] * len(rest) / (len(rest) - np.arange(len(acf)))
    below = np.flatnonzero(acf < 0)
    peaks = [k for k in range(3, len(acf) - 1) if len(below) and k > below[0] and acf[k] > 0 and acf[k] >= acf[k - 1] and acf[k] > acf[k + 1]]
    if not peaks:
        return Cycle(float("nan"), float(spread), float("nan"), nothing.level_c, 0.0)
    top = max(acf[k] for k in peaks)
    first = next(k for k in peaks if acf[k] >= 0.7 * top)
    bend = acf[first - 1] - 2 * acf[first] + acf[first + 1]
    shift = 0.5 * (acf[first - 1] - acf[first + 1]) / bend if bend else 0.0
    if acf[first] < least_r:
        return Cycle(float("nan"), float(spread), float("nan"), nothing.level_c, float(max(0.0, acf[first])))
    slope = np.diff(values)
    falling = np.count_nonzero(slope < 0) / max(1, np.count_nonzero(slope))
    return Cycle(float((first + shift) * step), float(spread), float(falling), nothing.level_c, float(acf[first]))


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
    found, stack = np.empty(len(tops)), []
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
    score = np.array([a[max(0, -k) : count - max(0, k)] @ b[max(0, k) : count - max(0, -k)] / (count - abs(k)) for k in shifts])
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
    local.index = local.index.tz_convert(zone)
    grouped = local.groupby([local.index.day_of_week, local.index.hour])
    table = pd.DataFrame({"mean_c": grouped.mean(), "max_c": grouped.max(), "readings": grouped.size()})
    table.index.names = ["weekday", "hour"]
    return table.reset_index()
