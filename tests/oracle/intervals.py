"""Rule 4: the interval in force on each step of a download, and the coarser stretches that nothing states."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.oracle.model import TICK_S

KEPT = 12
TENTH = 0.1
States = Callable[[float], tuple[float, ...]]  # the steps in seconds that something states at an instant


@dataclass(frozen=True)
class Steps:
    """A download's instants and, for each step between them, the interval in force (nan: not known)."""

    times: np.ndarray
    interval_s: np.ndarray
    coarse: np.ndarray
    edges_s: tuple[float, float]  # in force at the first and at the last reading

    @property
    def base_s(self) -> float:
        """The one interval of the download; nan where it has none or several."""
        found = {round(float(step), 1) for step in self.interval_s} or {self.edges_s[0]}
        return found.pop() if len(found) == 1 else math.nan


def _near(steps: np.ndarray, step: float) -> np.ndarray:
    return np.abs(steps - step) <= TENTH * step + TICK_S


def _longest(mask: np.ndarray) -> int:
    longest = run = 0
    for one in mask:
        run = run + 1 if one else 0
        longest = max(longest, run)
    return longest


def finest_kept(steps: np.ndarray) -> float:
    """reading: steps need not be equal, the median of those within a tenth stands for them."""
    for step in np.unique(np.round(steps, 1)):
        near = _near(steps, float(step))
        if _longest(near) >= KEPT or near.sum() >= max(KEPT, TENTH * len(steps)):
            return float(np.median(steps[near]))
    return math.nan


def regular(steps: np.ndarray, step_of: float) -> list[tuple[int, int]]:
    """Stretches of 12 and more steps that keep one step coarser than ``step_of``; half-open."""
    found, k = [], 0
    while k < len(steps):
        stop = k
        while stop < len(steps) and _near(steps[stop : stop + 1], float(steps[k]))[0]:
            stop += 1
        if stop - k >= KEPT and steps[k] > (1 + TENTH) * step_of + TICK_S:
            found.append((k, stop))
        k = max(stop, k + 1)
    return found


def in_force(times: np.ndarray, states: States) -> Steps:
    times = np.unique(times)
    steps = np.diff(times)
    kept = finest_kept(steps)
    base = np.array([_finer(states(float(time)), kept) for time in times])
    interval, coarse = base[:-1].copy(), np.zeros(len(steps), bool)
    known = base[~np.isnan(base)]
    for first, stop in regular(steps, float(known.min())) if len(known) else []:
        step = float(np.median(steps[first:stop]))
        word = states(float(times[first]))
        stated = [one for one in word if abs(one - step) <= TENTH * one + TICK_S]
        while_it_stands = times[[states(float(time)) == word for time in times]]
        if stated and finest_kept(np.diff(while_it_stands)) < min(word) * (1 - TENTH):
            stated = []  # reading: a word that the download itself contradicts completes nothing
        if stated:
            interval[first:stop] = stated[0]
        else:
            coarse[first:stop] = True
    edges = (float(interval[0]), float(interval[-1])) if len(interval) else (float(base[0]), float(base[-1]))
    return Steps(times, interval, coarse, edges)


def _finer(stated: tuple[float, ...], kept: float) -> float:
    return min([*stated, *([] if math.isnan(kept) else [kept])], default=math.nan)


def on_steps(t: np.ndarray, downloads: list[Steps]) -> tuple[np.ndarray, np.ndarray]:
    """Interval in force and coarseness of each step of a probe's readings, by the downloads it lies in.

    reading: of two downloads the finer; between two downloads the longer of theirs.
    """
    interval, coarse = np.full(max(len(t) - 1, 0), math.nan), np.zeros(max(len(t) - 1, 0), bool)
    for k in range(len(interval)):
        inside = [
            _within(one, t[k], t[k + 1])
            for one in downloads
            if one.times[0] <= t[k] + TICK_S and one.times[-1] >= t[k + 1] - TICK_S
        ]
        if inside:
            interval[k] = _least([step for step, _ in inside])
            coarse[k] = all(flag for _, flag in inside)
        else:
            touching = [
                one.edges_s[1]
                for one in downloads
                if abs(one.times[-1] - t[k]) <= TICK_S or t[k] < one.times[-1] < t[k + 1]
            ]
            touching += [one.edges_s[0] for one in downloads if t[k] < one.times[0] <= t[k + 1] + TICK_S]
            known = [step for step in touching if not math.isnan(step)]
            interval[k] = max(known, default=math.nan)
    return interval, coarse


def _within(download: Steps, first: float, last: float) -> tuple[float, bool]:
    a = int(np.searchsorted(download.times, first + TICK_S)) - 1
    b = max(int(np.searchsorted(download.times, last - TICK_S)), a + 1)
    return _least(list(download.interval_s[a:b])), b == a + 1 and bool(download.coarse[a])


def _least(steps: list[float]) -> float:
    return min((step for step in steps if not math.isnan(step)), default=math.nan)
