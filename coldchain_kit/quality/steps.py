"""How far a probe can move in a step, and readings that moved further.

A probe is a first-order body: in a step of dt it covers at most the share p = 1 - exp(-dt / tau) of the distance to its
surroundings (FACTS G1). A reading that goes out and comes back must do so twice; coming back it can only be drawn past its old
level by air that is colder (or warmer) than that level. Time constants are declared or common for the role, never fitted.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from coldchain_kit.model import FAIL, GOOD, NOT_EVALUATED, SUSPECT, Probe
from coldchain_kit.quality.series import Course, covered

# Time constants [min] by role: the fastest probe that is plausible (faster is impossible: fail), and a usual one (suspect).
# buffered: 10 mL is the smallest bottle on sale (FACTS C6, READ); water-like heat capacity over 25 W/(m2 K) forced air and 25 cm2
# gives 8 min, taken as 5; usual 10 (FACTS G2). Air: a 3 mm sheath in moved air, t0.9 51 s -> 0.35 min (FACTS C13, READ); usual 2,
# probe and cabinet air together (common practice, no source). Unknown: perhaps a bare chip, 0.1 (common practice, no source).
TIME_CONSTANTS_MIN = {"buffered": (5.0, 10.0), "air": (0.35, 2.0), "surface": (0.35, 2.0), "room": (0.35, 2.0), "unknown": (0.1, 2.0)}
# A declared time constant holds within a factor of two (air speed, depth in the bottle; common practice, no source).
DECLARED_MARGIN = 2.0
# Surroundings a probe of a cold unit may get into: hottest and coldest [°C], or this far beyond what the record itself shows
# most of the time (common practice, no source).
HOTTEST_C, COLDEST_C, BEYOND_RECORD_C = 60.0, -40.0, 20.0
# Coming back, the air may be this much colder / warmer than the old level (cold-air outlet; door open to a warm room).
COLDER_BY_C, WARMER_BY_C = 10.0, 20.0
# Below this no step is called impossible or unusual: noise, and four steps of the resolution (common practice, no source).
LEAST_C, LEAST_STEPS = 1.0, 4.0
SHORTEST_SHARE = 0.5  # a step shorter than half the usual one counts as half of it: stamps are not that sure
FEW = 3  # so few readings at the start, before a jump without a way back, are themselves in doubt
MOST_OPEN, WILD_SHARE = 8, 0.2  # so many jumps are kept waiting for their way back; with more than this share of jumps none is
ITSELF_SHARE = 0.5  # of the way out and back by which a reading is away from the ones further off (own rule, no source)
BACK_SHARE = 0.5  # the way back is one step of at least half the jump
LONGEST_MIN = 24 * 60.0  # readings between an impossible jump and its way back are held impossible up to this long


class Reach(NamedTuple):
    """What is known about how fast a probe moves: its fastest and usual time constant [min], surroundings and least step [°C]."""

    fastest_min: float
    usual_min: float
    hottest_c: float
    coldest_c: float
    least_c: float


def reach(probe: Probe, value: np.ndarray, *, resolution_c: float | None) -> Reach:
    """The reach of a probe from its role, its declared time constant and the span its (possible) values keep most of the time."""
    fastest, usual = TIME_CONSTANTS_MIN.get(probe.role, TIME_CONSTANTS_MIN["unknown"])
    if probe.time_constant_min:
        fastest, usual = probe.time_constant_min / DECLARED_MARGIN, probe.time_constant_min
    some = value[:: max(1, len(value) // 20_000)]
    low, high = np.quantile(some, [0.1, 0.9]) if len(some) else (0.0, 0.0)
    least = max(LEAST_C, LEAST_STEPS * (resolution_c or 0.0))
    return Reach(fastest, usual, max(HOTTEST_C, high + BEYOND_RECORD_C), min(COLDEST_C, low - BEYOND_RECORD_C), least)


def judged_min(line: Course) -> np.ndarray:
    """Steps [min] as the tests take them: none shorter than half the usual one."""
    return np.maximum(line.step_min, SHORTEST_SHARE * float(np.median(line.step_min))) if len(line.step_min) else line.step_min


def step_limit_c(before_c: np.ndarray, upward: np.ndarray, step_min: np.ndarray, *, tau_min: float, far: Reach) -> np.ndarray:
    """Longest step [°C] from ``before_c`` in ``step_min`` towards the hottest (upward) or coldest surroundings."""
    share = -np.expm1(-step_min / tau_min)
    room = np.where(upward, far.hottest_c - before_c, before_c - far.coldest_c)
    return np.maximum(far.least_c, room * share)


def spike_limit_c(before_c: np.ndarray, upward: np.ndarray, out_min: np.ndarray, back_min: np.ndarray, *, tau_min: float, far: Reach) -> np.ndarray:
    """Largest out-and-back [°C] of one reading: what the way out and the way back both allow."""
    out = step_limit_c(before_c, upward, out_min, tau_min=tau_min, far=far)
    share = -np.expm1(-back_min / tau_min)
    slack = np.where(upward, COLDER_BY_C, WARMER_BY_C)
    with np.errstate(divide="ignore", over="ignore"):
        back = slack * share / np.maximum(1.0 - share, 1e-12)
    return np.maximum(far.least_c, np.minimum(out, back))


def spike_codes(line: Course, difference: np.ndarray, swing: np.ndarray, far: Reach) -> np.ndarray:
    """Codes: 4 where one reading goes out and back further than the fastest such probe can, 3 further than a usual one."""
    n = len(line.value)
    codes = np.full(n, NOT_EVALUATED, dtype=np.int8)
    if n < 3:
        return codes
    codes[1:-1] = np.where(line.gap[:-1] | line.gap[1:], NOT_EVALUATED, GOOD)
    at = np.flatnonzero((swing > far.least_c) & (codes[1:-1] == GOOD)) + 1
    at = at[_itself(line.value, at, swing[at - 1])]
    for tau, code in ((far.usual_min, SUSPECT), (far.fastest_min, FAIL)):
        codes[at[swing[at - 1] > spike_limits_at(line, difference, at, tau_min=tau, far=far)]] = code
    return codes


def _itself(value: np.ndarray, at: np.ndarray, swing: np.ndarray) -> np.ndarray:
    """Whether the reading itself leaves its place, not the two beside it (a sound one between two spikes).

    Compared with the median of the readings on either side of those two, up to four of them.
    """
    if not len(at):
        return np.zeros(0, dtype=bool)
    around = np.clip(at[:, None] + np.array([-3, -2, 2, 3]), 0, len(value) - 1)
    return np.abs(value[at] - np.median(value[around], axis=1)) >= ITSELF_SHARE * swing


def spike_limits_at(line: Course, difference: np.ndarray, at: np.ndarray, *, tau_min: float, far: Reach) -> np.ndarray:
    """The out-and-back limit [°C] of the readings at these positions (none first or last)."""
    step = judged_min(line)
    return spike_limit_c(line.value[at - 1], difference[at - 1] > 0, step[at - 1], step[at], tau_min=tau_min, far=far)


def step_limits_at(line: Course, difference: np.ndarray, at: np.ndarray, *, tau_min: float, far: Reach) -> np.ndarray:
    """The limit [°C] of the steps at these positions."""
    return step_limit_c(line.value[at], difference[at] > 0, judged_min(line)[at], tau_min=tau_min, far=far)


def rate_codes(line: Course, difference: np.ndarray, far: Reach) -> np.ndarray:
    """Codes of steps that are too long for the probe: 4 and 3 as in :func:`spike_codes`.

    The reading after the step is flagged; where a step back, or a gap, brings the record to its old, usual level within a day, so is
    every reading between the two, and the first one after is not. A jump without a way back within three readings of the start puts those before it in doubt.
    A reading with no neighbour on either side stays 2.
    """
    n = len(line.value)
    codes = np.full(n, NOT_EVALUATED, dtype=np.int8)
    near = ~line.gap
    codes[:-1][near] = GOOD
    codes[1:][near] = GOOD
    size = np.abs(difference)
    at = np.flatnonzero((size > far.least_c) & near)
    for tau, code in ((far.usual_min, SUSPECT), (far.fastest_min, FAIL)):
        jumps = at[size[at] > step_limits_at(line, difference, at, tau_min=tau, far=far)] if len(at) else at
        if len(jumps):
            back = at[size[at] >= BACK_SHARE * size[jumps].min()]
            first, last = np.array(_stretches(line, difference, jumps, back)).T
            codes[covered(first, last, n)] = code
    return codes


def _stretches(line: Course, difference: np.ndarray, jumps: np.ndarray, back: np.ndarray) -> list[tuple[int, int]]:
    """First and last reading of each stretch that jumps put in doubt; ``back``: steps that may be the way back.

    Jumps stay open until a step, or a gap, returns to the level before one of them: that closes it and the later ones.
    """
    gaps = np.flatnonzero(line.gap)
    if len(jumps) > WILD_SHARE * len(line.value) and len(jumps) > MOST_OPEN:
        return [_alone(jump, gaps) for jump in jumps.tolist()]
    stretches: list[tuple[int, int]] = []
    opened: list[int] = []
    jumped = set(jumps.tolist())
    for k in np.union1d(np.union1d(jumps, back), gaps).tolist():
        while opened and (len(opened) > MOST_OPEN or line.minute[k] - line.minute[opened[0]] > LONGEST_MIN):
            stretches.append(_alone(opened.pop(0), gaps))
        closed = next((place for place, jump in enumerate(opened) if _returns(line, difference, jump, k, gaps)), None)
        if closed is not None:
            stretches += [_alone(jump, gaps) for jump in opened[:closed]]
            stretches.append((opened[closed] + 1, k))
            opened = []
        elif line.gap[k]:
            stretches += [_alone(jump, gaps) for jump in opened]
            opened = []
        elif k in jumped:
            opened.append(k)
    return stretches + [_alone(jump, gaps) for jump in opened]


def _since(jump: int, gaps: np.ndarray) -> int:
    """First reading after the last gap before a jump."""
    before = int(np.searchsorted(gaps, jump))
    return int(gaps[before - 1]) + 1 if before else 0


def _alone(jump: int, gaps: np.ndarray) -> tuple[int, int]:
    """What a jump without a way back puts in doubt: the reading after it, or the few since the start or a gap before it."""
    start = _since(jump, gaps)
    return (start, jump) if jump - start < FEW else (jump + 1, jump + 1)


def _returns(line: Course, difference: np.ndarray, opened: int, k: int, gaps: np.ndarray) -> bool:
    """Whether step k brings the record back to the level before the jump at step ``opened``, or undoes it, and that level was the usual
    one: it held for as many readings as there are between, in the same time before."""
    jump, before = difference[opened], line.value[opened]
    near = abs(line.value[k + 1] - before) < 0.5 * abs(jump) or abs(difference[k] + jump) < 0.25 * abs(jump)
    if not near or not (line.gap[k] or -difference[k] * np.sign(jump) >= BACK_SHARE * abs(jump)):
        return False
    level = line.value[max(_since(opened, gaps), 2 * opened - k) : opened + 1]
    return int((np.abs(level - before) < 0.5 * abs(jump)).sum()) >= k - opened
