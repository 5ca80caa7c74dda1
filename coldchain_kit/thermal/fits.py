"""Exponential courses fitted to a stretch."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from coldchain_kit.base import KitError
from coldchain_kit.thermal.grid import minutes_of

# Chi-square with one degree of freedom, 95 % (table value): how far a profile may rise above its minimum.
CHI2_95 = 3.841

# Fits look at no more points than this (block means), which keeps a fit under some milliseconds.
FIT_POINTS = 300


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


def _golden(cost: Callable[[float], float], low: float, high: float) -> float:
    ratio = (np.sqrt(5.0) - 1.0) / 2.0
    a, b = np.log(low), np.log(high)
    for _ in range(40):
        c, d = b - ratio * (b - a), a + ratio * (b - a)
        a, b = (a, d) if cost(np.exp(c)) < cost(np.exp(d)) else (c, b)
    return float(np.exp((a + b) / 2))


def _bound(cost: Callable[[float], float], allowed: float, inside: float, edge: float) -> float:
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
