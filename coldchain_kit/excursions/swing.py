"""What a unit that cycles may do between two readings that stand far apart."""

from __future__ import annotations

import numpy as np
import pandas as pd

from coldchain_kit import thermal
from coldchain_kit.model import Trace, timeline

SHARE_OF_PERIOD = 1 / 3  # a step longer than this share of a cycle may hide its turn (own rule, no source)
MOST_READINGS = 20_000  # of the record's end, that tell the cycle: 70 days of five minutes (own rule, no source)


def usual(celsius: pd.Series) -> tuple[float, float]:
    """Period [min] and swing [K] of a unit's usual cycle; NaN and 0 where none shows.

    The swing is the middle one of the ranges over one period, so that an excursion does not count.

    Cannot see: a cycle of fewer than three readings (thermal.cycle).

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=288, freq="5min", tz="UTC")
    >>> period, swing = usual(pd.Series(5.0 + np.sin(2 * np.pi * np.arange(288) * 5.0 / 50.0), index=times))
    >>> round(period), round(swing, 1)
    (50, 1.9)
    """
    part = celsius.dropna().iloc[-MOST_READINGS:]
    period = thermal.cycle(part).period_min
    if not np.isfinite(period):
        return float("nan"), 0.0
    values, step = thermal.even(part)
    window = pd.Series(values).rolling(max(2, int(round(period / step)) + 1))
    return float(period), float((window.max() - window.min()).median())


def hidden_k(trace: Trace) -> np.ndarray:
    """How far beyond both readings of each step the usual cycle may have gone [K]; 0 where the step is short beside its period.

    Only steps with missing readings are asked: thermal.cycle finds no period under three steps, so that no full step is too long.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=288, freq="10min", tz="UTC")
    >>> wave = pd.Series(5.0 + np.sin(2 * np.pi * np.arange(288) * 10.0 / 50.0), index=times).drop(times[100])
    >>> hidden_k(Trace.of(wave, interval_min=10)).round(1)[[50, 99]].tolist()
    [0.0, 1.9]
    """
    return trace.remembered("hidden_k", lambda: _hidden_k(trace))


def _hidden_k(trace: Trace) -> np.ndarray:
    known = timeline.pairs(trace)
    found = np.zeros(len(known.gap))
    asked = (known.minutes > timeline.MISSING_FACTOR * known.interval_min) & ~known.gap
    if asked.any():
        period, swing = usual(trace.celsius)
        long = asked & (known.minutes > SHARE_OF_PERIOD * period) if np.isfinite(period) else asked & False
        found[long] = swing
    found.flags.writeable = False
    return found
