"""Probes that stand still longer than they are used to: each judged by the still runs of its own record.

A well buffered probe in a quiet refrigerator stands still for hours, an air probe hardly ever: one limit for all of
them finds a stuck
probe after two days. Here the record itself says what is usual.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import pandas as pd

from coldchain_kit.model import GOOD, NOT_EVALUATED, SUSPECT
from coldchain_kit.quality.series import Course, course, covered, resolution_c, still, table
from coldchain_kit.quality.witness import Moved

# A run is odd from this many minutes and this many times the longest shorter one on; less where something else moved
# meanwhile (power was
# off, another probe or the room moved). A little under four hours and three times, so that a probe stuck since shortly
# before a reading is
# found within these. Own rule, no source; sound simulated records: longest run 1 to 390 min, median 20 (5 min, 0.1 °C).
FLOOR_MIN, TIMES = 225.0, 2.8
WITNESS_FLOOR_MIN, WITNESS_TIMES = 120.0, 2.0
# What comes more often than this is a habit, not a fault; runs that a jump begins or ends do not count, a resting
# probe is not reached by one
# (a step of at least this many degrees and times the 99.5 % quantile of the record's steps). So many long runs at the
# very same value make that
# value one where the probe rests (melting ice, the end of a scale). Own rule, no source (rooms and buffered probes at
# night: 6 and more in ten days).
MOST_ODD, JUMP_C, JUMP_TIMES, REST_RUNS = 3, 3.0, 3.0, 4
# A record moves enough to judge where, over blocks of four hours outside of the odd runs, at least this share moves by
# two steps of
# the resolution and at most this share not at all, in at least so many blocks (a day). Own rule, no source.
BLOCK_MIN, MOVING_STEPS, MOVING_SHARE, IDLE_SHARE, LEAST_BLOCKS = 240.0, 2.0, 0.6, 0.02, 6


class Habit(NamedTuple):
    """A probe's habit of standing still: whether it could be judged, its longest usual run [min], and which runs are
    odd [bool]."""

    judged: bool
    longest_min: float
    odd: np.ndarray
    rests_c: list[float]  # where it rests again and again [°C]; such runs do not count for the longest



class OddRun(Moved):
    """An odd run: first and last reading among those with a value, its length and the longest usual one [min], what
    moved meanwhile."""

    first: int
    last: int
    minutes: float
    usual_min: float
    rests_c: list[float]


def still_habit(series: pd.Series, *, step_c: float | None = None) -> pd.DataFrame:
    """Readings of a run that stands exactly still longer than this probe is used to: 3; 2 where the record moves too
    little to tell.

    A run is odd where it lasts 3.75 hours or longer and 2.8 times the longest of the shorter runs. Judged: minutes of
    the run so far.

    Parameters
    ----------
    series : Series of °C on a UTC index
    step_c : float, optional
        Resolution [°C]; that of the record where not given.

    Cannot see
    ----------
    A probe that stood still from the first to the last reading; one that is stuck again and again without a jump (more
    than three times); a stuck probe whose last digit still flickers.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=600, freq="5min", tz="UTC")
    >>> moving = pd.Series(np.round(5 + np.sin(np.arange(600) / 4.0), 1), index=times)
    >>> stuck = moving.where((times < times[400]) | (times >= times[460]), 5.0)
    >>> int((still_habit(moving)["flag"] == 3).sum()), int((still_habit(stuck)["flag"] == 3).sum())
    (0, 60)
    """
    line = course(series)
    step_c = step_c or resolution_c(line.value)
    runs = still(line)
    codes, _ = habit_codes(line, runs, {}, step_c=step_c)
    since = line.minute - np.repeat(line.minute[runs["first"]], runs["last"] - runs["first"] + 1)
    return table(line, series.index, codes, since)


def habit_codes(
    line: Course, runs: pd.DataFrame, witnessed: Mapping[int, Moved], *, step_c: float | None
) -> tuple[np.ndarray, list[OddRun]]:
    """Codes of :func:`still_habit`, and one finding for each odd run.

    ``witnessed``: place in ``runs`` -> what moved meanwhile.
    """
    told = np.zeros(len(runs), dtype=bool)
    told[list(witnessed)] = True
    found = habit(line, runs, step_c=step_c, witnessed=told)
    codes = np.full(len(line.value), GOOD if found.judged else NOT_EVALUATED, dtype=np.int8)
    rows: list[OddRun] = []
    starts, ends = runs["first"].to_numpy(), runs["last"].to_numpy()
    for k in np.flatnonzero(found.odd).tolist():
        first, last = _continued(line, int(starts[k]), int(ends[k]))
        codes[first : last + 1] = SUSPECT
        rows.append(
            {
                "first": first,
                "last": last,
                "minutes": float(line.minute[last] - line.minute[first]),
                "usual_min": found.longest_min,
                "rests_c": found.rests_c,
                **witnessed.get(k, {}),
            }
        )
    return codes, rows


def _continued(line: Course, first: int, last: int) -> tuple[int, int]:
    """An odd run with what goes on at exactly the same value on the other side of gaps."""
    value, n = line.value[first], len(line.value)
    while last + 1 < n and line.value[last + 1] == value:
        last += 1
    while first > 0 and line.value[first - 1] == value:
        first -= 1
    return first, last


def habit(line: Course, runs: pd.DataFrame, *, step_c: float | None, witnessed: np.ndarray | None = None) -> Habit:
    """What a record's still runs (``series.still``) say of the probe's habit.

    ``witnessed``: runs [bool] in which something else moved. A run at a value where the probe rests again and again is
    judged among the other runs there.
    """
    rests = resting(runs)
    every = runs["minutes"].to_numpy()
    minutes = np.where(rests, 0.0, every)
    odd = odd_runs(minutes, floor_min=FLOOR_MIN, times=TIMES)
    if witnessed is not None and witnessed.any():
        odd |= odd_runs(minutes, floor_min=WITNESS_FLOOR_MIN, times=WITNESS_TIMES, among=odd | witnessed)
    longest = float(minutes[~odd].max(initial=0.0))
    odd |= _beyond_rest(runs, rests)
    calm = odd & ~_after_jumps(line, runs, odd) if int(odd.sum()) > MOST_ODD else odd
    judged = (
        step_c is not None
        and int(calm.sum()) <= MOST_ODD
        and _moves(line, ~_inside(runs, odd | rests, len(line.value)), step_c)
    )
    return Habit(judged, longest, odd & judged, np.unique(runs["value"].to_numpy()[rests & ~odd]).tolist())


def resting(runs: pd.DataFrame) -> np.ndarray:
    """Runs [bool] of at least ``FLOOR_MIN`` at a value that has ``REST_RUNS`` of them or more.

    Examples
    --------
    >>> runs = pd.DataFrame({"minutes": [300.0, 400.0, 300.0, 500.0, 300.0], "value": [0.0, 0.0, 0.0, 0.0, 5.0]})
    >>> resting(runs).tolist()
    [True, True, True, True, False]
    """
    long = np.flatnonzero(runs["minutes"].to_numpy() >= FLOOR_MIN)
    _, group, counts = np.unique(runs["value"].to_numpy()[long], return_inverse=True, return_counts=True)
    found = np.zeros(len(runs), dtype=bool)
    found[long[counts[group] >= REST_RUNS]] = True
    return found


def _beyond_rest(runs: pd.DataFrame, rests: np.ndarray) -> np.ndarray:
    """Resting runs [bool] that last ``TIMES`` as long as any other run at their value."""
    minutes, value, found = runs["minutes"].to_numpy(), runs["value"].to_numpy(), np.zeros(len(runs), dtype=bool)
    for one in np.unique(value[rests]).tolist():
        at = np.flatnonzero(rests & (value == one))
        longest = at[np.argsort(minutes[at])[-2:]]
        found[longest[1]] = minutes[longest[1]] >= TIMES * minutes[longest[0]]
    return found


def _after_jumps(line: Course, runs: pd.DataFrame, which: np.ndarray) -> np.ndarray:
    """Runs [bool] of ``which`` that begin or end with a step far beyond the record's usual ones."""
    size = np.abs(np.diff(line.value))
    least = max(JUMP_C, JUMP_TIMES * float(np.quantile(size, 0.995)))
    found = np.zeros(len(runs), dtype=bool)
    starts, ends = runs["first"].to_numpy(), runs["last"].to_numpy()
    for k in np.flatnonzero(which).tolist():
        first, last = int(starts[k]), int(ends[k])
        found[k] = (first > 0 and size[first - 1] >= least) or (last < len(size) and size[last] >= least)
    return found


def odd_runs(minutes: np.ndarray, *, floor_min: float, times: float, among: np.ndarray | None = None) -> np.ndarray:
    """Runs of at least ``floor_min`` and ``times`` the longest shorter one, and every longer run; ``among``: only
    these may be odd.

    Examples
    --------
    >>> odd_runs(np.array([20.0, 300.0, 40.0, 90.0, 700.0]), floor_min=240.0, times=3.0).tolist()
    [False, True, False, False, True]
    """
    may = np.ones(len(minutes), dtype=bool) if among is None else among
    usual = float(minutes[~may | (minutes < floor_min)].max(initial=0.0))
    for length in np.unique(minutes[may & (minutes >= floor_min)]).tolist():
        if length >= times * usual:
            return may & (minutes >= length)
        usual = max(usual, length)
    return np.zeros(len(minutes), dtype=bool)


def _inside(runs: pd.DataFrame, which: np.ndarray, n: int) -> np.ndarray:
    """The readings [bool] that lie in these runs."""
    return covered(runs["first"].to_numpy()[which], runs["last"].to_numpy()[which], n)


def _moves(line: Course, usual: np.ndarray, step_c: float) -> bool:
    """Whether the usual readings move enough against their resolution for a still run to mean something."""
    value = line.value if usual.all() else line.value[usual]
    each = max(2, round(BLOCK_MIN / float(np.median(line.step_min)))) if len(line.step_min) else 2
    count = len(value) // each
    if count < LEAST_BLOCKS:
        return False
    blocks = value[: count * each].reshape(count, each)
    moved = (blocks.max(axis=1) - blocks.min(axis=1)) / step_c
    return bool((moved > MOVING_STEPS - 0.5).mean() >= MOVING_SHARE and (moved < 0.5).mean() <= IDLE_SHARE)
