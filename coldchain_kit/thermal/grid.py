"""Minutes of a Series, and its values on an even grid."""

from __future__ import annotations

import numpy as np
import pandas as pd


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
