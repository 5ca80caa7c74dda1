"""A clue, its threshold, and how an answer leans."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

# Thresholds and where they come from. DERIVED names the physics; TUNED the middle between the causes on the tuning set
# (tests/benchmarks/labelled.py, coldchain_kit.simulate, seeds from 1000), rounded; moving any by 20 % is measured there.
THRESHOLDS = {
    "fast": (0.4, "TUNED between doors (over 0.5) and closed cabinets (under 0.35): share of the way from level to room within minutes"),
    "burst": (0.4, "DERIVED: a door makes most of its rise within half an hour and a probe's lag, a closed cabinet (3 h and more) under a fifth"),
    "pace": (1.5, "TUNED between a room that warms or cools slowly (under 1) and cooling that stops or never stops (over 1.5)"),
    "prompt": (75.0, "TUNED between full cooling of the air (under 60) and a load or a room that cools down (over 80): minutes half way back"),
    "front": (0.5, "DERIVED: a first quarter makes a quarter of a steady rise and 0.7 of one that settles within its span (four time constants); middle"),
    "tail": (0.15, "TUNED between doors (under 0.1) and loads (over 0.4): mean excess of three hours afterwards over the rise"),
    "square": (0.8, "DERIVED: a first-order body needs 2.2 time constants from 10 to 90 % (FACTS G1), the shortest that this probe may have"),
    "whole": (0.85, "DERIVED: a probe taken out meets the whole way to room temperature, an open door only part of it"),
    "alone": (0.4, "TUNED: share of the rise that another inside probe shows; 1 for anything that warms the cabinet, 0 for a probe by itself"),
    "long": (120.0, "DERIVED: a closed cabinet (3 h and more, FACTS G3) needs about an hour for 3 to 5 K; doors stand open shorter; minutes"),
    "slow_back": (1.0, "DERIVED: a warmed-up load gives its heat back over longer than the short rise; half-way back over rise time"),
    "hot_room": (1.35, "TUNED: heat through the walls against before, from room minus level"),
    "holds": (360.0, "DERIVED: longer than three compressor cycles of the longest kind (80 min, FACTS C7) and the way there; minutes"),
    "flat": (0.08, "TUNED between a new set level (under 0.05) and a cabinet still warming (over 0.1): drift over the rise"),
    "swing": (0.45, "TUNED: swing of the cycle now over before; a running thermostat keeps it, a stopped compressor loses it"),
    "corner": (0.3, "TUNED: pace at the end of the rise over its mean pace"),
    "impossible": (10.0, "DERIVED: surroundings this much beyond everything near do not exist in a store; K"),
    "noisy": (4.0, "DERIVED: four times its own noise, far out of chance; ratio"),
    "stuck": (0.5, "DERIVED: the same value for more than half of an episode of an hour or more; share"),
    "failed": (0.5, "DERIVED: the quality tests call most readings impossible; share"),
    "hump": (150.0, "FACTS C7 (40 min) and C10 (50 min) and the way back; minutes"),
    "at_room": (1.5, "DERIVED: two probes of 0.5 °C each (FACTS B9) and half a degree of draught; K"),
    "beyond_room": (2.0, "DERIVED: nothing passive passes the room's temperature; two probes of 0.5 °C (FACTS B9), doubled; K"),
    "cold_room": (1.0, "DERIVED: two probes of 0.5 °C each (FACTS B9); K"),
}  # fmt: skip


# What rests on how far and how fast it went: not known where readings of the episode have no number (CONTRACTS rule 9).
OF_SIZE = frozenset({
    "at_room", "beyond_room", "burst", "corner", "fast", "front", "holds", "hump", "impossible", "long", "noisy", "pace", "prompt", "slow_back", "square",
    "stuck", "swing", "tail", "whole",
})  # fmt: skip


@dataclass(frozen=True)
class Clue:
    """One answered question: ``lean`` -1..1, words, the number judged, its threshold and unit; of something written, from when to when."""

    key: str
    lean: float
    observation: str
    number: float | None
    threshold: float | None
    unit: str
    comment: str
    since: pd.Timestamp | None = None
    until: pd.Timestamp | None = None


def limit(key: str) -> float:
    """The threshold of a clue."""
    return THRESHOLDS[key][0]


def over(x: float, key: str, width: float = 0.4) -> float:
    """Lean for a positive number against its threshold, on a logarithmic scale."""
    return math.tanh(math.log(max(x, 1e-6) / limit(key)) / width)


def known(*values: float | None) -> bool:
    return all(value is not None and np.isfinite(value) for value in values)


def answer(key: str, lean: float, yes: str, no: str, number: float | None, unit: str, comment: str, threshold: float | None = None) -> Clue:
    at = THRESHOLDS[key][0] if threshold is None and key in THRESHOLDS else threshold
    return Clue(key, float(lean), yes if lean >= 0 else no, None if number is None else round(float(number), 3), at, unit, comment)
