"""What a unit that cycles may do between two readings that stand far apart."""

from __future__ import annotations

import numpy as np
import pandas as pd

from coldchain_kit import thermal
from coldchain_kit.model import Direction, Trace, timeline

USUAL_PERIOD_MIN = 51.4  # of a refrigerator, where readings too far apart show none (FACTS C9, COMPUTED; C7 and C8: 80 and 54 min)
LEAST_READINGS = 48  # a day of half hours: less shows an event rather than a habit (own rule, no source)
NEAR, WIDE = 6, 12  # readings: a course that a clock of its own turns has gone most of its swing within six that are not bound to each other
# The range of six readings over the middle step between two: 5 on a straight course, 2.2 where each stands by itself (normal scatter, or a
# cycle met at random phases: computed), with a slow course under it up to 4.
UNBOUND = 4.5
MOST_CRESTS = 0.5  # share of windows whose crest is no higher: the middle one (own rule, no source)
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


def hidden_k(trace: Trace, direction: Direction) -> np.ndarray:
    """How far beyond both readings of each step the usual cycle may have gone [K]; 0 where the step is short beside its period.

    Steps with missing readings are asked against the cycle that the record shows. No record shows one of under three steps: a whole
    step of more than a third of USUAL_PERIOD_MIN may hide one, where the readings stand by themselves (:func:`crests_k`): the course is
    then taken to have reached the crest that the unit's cycle usually has over its level at that time.

    Cannot see: a cycle much shorter than usual, and a single event between two readings (a door shut again before the next one).

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=288, freq="10min", tz="UTC")
    >>> wave = pd.Series(5.0 + np.sin(2 * np.pi * np.arange(288) * 10.0 / 50.0), index=times).drop(times[100])
    >>> hidden_k(Trace.of(wave, interval_min=10), "above").round(1)[[50, 99]].tolist()
    [0.0, 1.9]
    """
    return trace.remembered(f"hidden_k_{direction}", lambda: _hidden_k(trace, direction))


def _hidden_k(trace: Trace, direction: Direction) -> np.ndarray:
    known = timeline.pairs(trace)
    found = np.zeros(len(known.gap))
    asked = (known.minutes > timeline.MISSING_FACTOR * known.interval_min) & ~known.gap
    if asked.any():
        period, swing = usual(trace.celsius)
        long = asked & (known.minutes > SHARE_OF_PERIOD * period) if np.isfinite(period) else asked & False
        found[long] = swing
    far = (known.minutes > SHARE_OF_PERIOD * USUAL_PERIOD_MIN) & ~known.gap
    if far.any():
        found[far] = np.maximum(found[far], _to_the_crest(trace.celsius, direction, known)[far])
    found.flags.writeable = False
    return found


def _to_the_crest(celsius: pd.Series, direction: Direction, known: timeline.Pairs) -> np.ndarray:
    """From the further reading of each step to the usual crest over the level there [K]."""
    sign = 1.0 if direction == "above" else -1.0
    turned = (sign * celsius).reset_index(drop=True)
    crest = crests_k(turned)
    if not crest:
        return np.zeros(len(known.gap))
    level = turned.rolling(WIDE + 1, center=True, min_periods=NEAR).median().to_numpy() + crest
    values = turned.to_numpy()
    top, further = (np.fmax(row[known.left], row[known.right]) for row in (level, values))
    return np.nan_to_num(np.maximum(top - further, 0.0))


def crests_k(celsius: pd.Series) -> float:
    """Usual crest [K] over the level of readings that are not bound to the ones beside them, as of a cycle shorter than three steps; 0 where they follow a course.

    Stretches that stand still are left out, so that holding a probe does not make its unit calmer.

    Examples
    --------
    >>> hours = np.arange(96) * 0.5
    >>> round(crests_k(pd.Series(5.0 + np.sin(2 * np.pi * hours / 0.78))), 1), crests_k(pd.Series(5.0 + np.sin(2 * np.pi * hours / 24)))
    (0.9, 0.0)
    """
    part = celsius.dropna().iloc[-MOST_READINGS:].reset_index(drop=True)
    if len(part) < LEAST_READINGS:
        return 0.0
    top, middle = part.rolling(WIDE).max(), part.rolling(WIDE).median()
    wide = top - part.rolling(WIDE).min()
    near = part.rolling(NEAR).max() - part.rolling(NEAR).min()
    moving = (wide > 0).to_numpy()
    steps = part.diff().abs().to_numpy()[moving]
    if not len(steps) or near[moving].median() >= UNBOUND * np.median(steps):
        return 0.0
    return float((top - middle)[moving].quantile(MOST_CRESTS))
