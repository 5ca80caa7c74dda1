"""What order and cadence of a file's times tell: which pass of a repeated hour, whether a clock followed a change, jumps back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from coldchain_kit.base import zones
from coldchain_kit.downloads.readers.download import Download

GAP_STEPS = 1.5  # a step above this many intervals leaves readings out (CONTRACTS rule 4)
MAX_JUMPS = 8  # more backward steps than this in one file are told as one finding

Finding = tuple[str, str, np.ndarray]  # code, what happened, positions of the rows


@dataclass(frozen=True)
class Settled:
    """What order and cadence settle: offset [µs] and doubt [µs] of each row, findings, and what the changes of hour prove.

    ``proof`` holds "follows" (the clock skipped or repeated the hour with its zone), "keeps" (it did not), both or none.
    """

    offset: np.ndarray
    doubt: np.ndarray
    findings: list[Finding]
    proof: set[str]


def streams(download: Download) -> list[np.ndarray]:
    """Positions of the rows of each sensor in order of time, as the file's own order tells it (newest first is turned)."""
    n = len(download.time)
    subsets = {column.rows.tobytes(): column.rows for column in download.columns if column.rows is not None}
    if not subsets or any(column.rows is None and column.kind == "temperature" for column in download.columns):
        subsets = {b"": np.arange(n)}
    walls = zones.micros(download.time)
    found = []
    for rows in subsets.values():
        rows = np.asarray(rows)[walls[rows] != zones.NAT]
        steps = np.diff(walls[rows])
        found.append(rows[::-1] if (steps < 0).sum() > (steps > 0).sum() else rows)
    return [rows for rows in found if len(rows)]


def _interval(walls: np.ndarray) -> float:
    """Median of the forward steps [µs]; 0 where there is none."""
    steps = np.diff(walls)
    steps = steps[steps > 0]
    return float(np.median(steps)) if len(steps) else 0.0


def _runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """(start, end) of each run of True, half-open."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype("int8")))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _split(early: np.ndarray, late: np.ndarray, before: int | None, after: int | None, step: float) -> tuple[int, int, int]:
    """Where a run of doubly meant rows passes from the earlier to the later meaning: rows with the earlier one, (likeliest, fewest, most).

    Every split is tried: no backward step, then fewest repeated or left out readings, then the steps nearest to
    the interval. Only a record that leaves nothing out proves its split; else every split in order of time is possible.
    (-1, -1, -1) where none is.
    """

    def costs(weigh: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
        into = [0.0 if before is None else weigh(meaning[0] - before) for meaning in (early, late)]
        out = [0.0 if after is None else weigh(after - meaning[-1]) for meaning in (early, late)]
        head = np.concatenate(([0.0], np.cumsum(weigh(np.diff(early)))))
        tail = np.concatenate((np.cumsum(weigh(np.diff(late))[::-1])[::-1], [0.0]))
        inside = into[0] + head[:-1] + weigh(late[1:] - early[:-1]) + tail[1:] + out[1]
        return np.concatenate(([into[1] + tail[0] + out[1]], inside, [into[0] + head[-1] + out[0]]))

    cost = costs(lambda steps: 1e6 * (steps < 0) + (steps == 0) + (steps >= GAP_STEPS * step))
    spread = costs(lambda steps: np.abs(steps - step))
    if cost.min() >= 1e6:
        return -1, -1, -1
    tied = cost == cost.min()
    slack = min(step, float((late - early).max())) / 2
    best = np.flatnonzero(tied & (spread <= spread[tied].min() + slack))
    possible = best if cost.min() == 0 else np.flatnonzero(cost < 1e6)
    return int(best[-1]), int(possible[0]), int(possible[-1])


def _mixed(walls: np.ndarray) -> bool:
    """Whether two passes stand sorted into each other: times never step back, and many stand there twice."""
    steps = np.diff(walls)
    return bool((steps >= 0).all() and (steps == 0).sum() >= max(2, len(walls) / 4))


def _regular(walls: np.ndarray, step: float) -> bool:
    steps = np.diff(walls)
    return bool((steps > 0).all() and (steps <= GAP_STEPS * step).all())


def _skips(walls: np.ndarray, early: np.ndarray, step: float) -> bool:
    """Whether the times leave out an hour just where the zone does: a clock that follows it."""
    wall_steps, true_steps = np.diff(walls), np.diff(walls - early)
    return bool(((np.diff(early) > 0) & (wall_steps > GAP_STEPS * step) & (true_steps <= GAP_STEPS * step) & (true_steps > 0)).any())


def settle(walls: np.ndarray, early: np.ndarray, late: np.ndarray, rows: np.ndarray) -> Settled:
    """Choose between the meanings of one sensor's times, by their order and cadence.

    Parameters
    ----------
    walls, early, late : arrays of int64
        Times as shown and the offsets [µs] of their earlier and later meaning, in order of time; equal where the
        time is unique, ``early < late`` where it never was.
    rows : array of int
        Positions of these rows in the file, for the findings.

    Examples
    --------
    >>> hour = 3_600_000_000
    >>> walls = np.array([1.0, 1.5, 2.0, 2.5, 2.0, 2.5, 3.0]) * hour
    >>> early = np.array([2, 2, 2, 2, 2, 2, 1]) * hour
    >>> late = np.array([2, 2, 1, 1, 1, 1, 1]) * hour
    >>> (settle(walls.astype("int64"), early, late, np.arange(7)).offset // hour).tolist()
    [2, 2, 2, 2, 1, 1, 1]
    """
    step = _interval(walls)
    settled = Settled(early.copy(), np.zeros(len(walls), "int64"), [], {"follows"} if _skips(walls, early, step) else set())
    for start, end in _runs(early < late):
        settled.proof.add("keeps")
        settled.findings.append(("never", "", rows[start:end]))
        settled.doubt[start:] = np.maximum(settled.doubt[start:], (late - early)[start])
    for start, end in _runs(early > late):
        _settle_run(walls, early, late, rows, slice(start, end), step, settled)
    return settled


def _settle_run(walls: np.ndarray, early: np.ndarray, late: np.ndarray, rows: np.ndarray, here: slice, step: float, settled: Settled) -> None:
    """One run of times with two meanings: writes into ``settled``."""
    start, end = here.start, here.stop
    before = int(walls[start - 1] - early[start - 1]) if start else None
    after = int(walls[end] - early[end]) if end < len(walls) else None
    likely, first, last = _split(walls[here] - early[here], walls[here] - late[here], before, after, step)
    shift = (early - late)[here]
    if likely < 0 or _mixed(walls[here]):
        again = pd.Series(walls[here]).duplicated().to_numpy()
        settled.offset[here] = np.where(again, late[here], early[here])
        settled.doubt[here] = shift
        settled.findings.append(("mixed", "", rows[here]))
        return
    settled.offset[start + likely : end] = late[start + likely : end]
    if first == last:
        if 0 < likely < end - start and walls[start + likely] <= walls[start + likely - 1]:
            settled.proof.add("follows")
        return
    settled.doubt[start + first : start + last] = shift[first:last]
    if before is not None and after is not None and _regular(walls[start - 1 : end + 1], step):
        settled.proof.add("keeps")
        settled.doubt[end:] = np.maximum(settled.doubt[end:], shift.max())
        settled.findings.append(("once", "", rows[here]))
    else:
        settled.findings.append(("either", "", rows[start + first : start + last]))


def jumps(utc: np.ndarray, rows: np.ndarray, doubt: np.ndarray) -> list[Finding]:
    """Backward steps of one stream; readings that both sides of one cover get its size as doubt (in place)."""
    steps = np.diff(utc)
    backward = np.flatnonzero(steps < 0)
    if len(backward) > MAX_JUMPS:
        return [("order", "", rows[np.concatenate((backward, backward + 1))])]
    step, findings = _interval(utc), []
    for at, end in zip(backward.tolist(), [*(backward[1:] + 1).tolist(), len(utc)], strict=False):
        after = utc[at + 1 : end]
        low, high = max(after[0], utc[: at + 1].min()), min(utc[at], after.max())
        both = np.flatnonzero((utc[:end] >= low) & (utc[:end] <= high))
        size = int(utc[at] - after[0] + step)
        doubt[both] = np.maximum(doubt[both], size)
        findings.append(("jump", f"{utc[at]} {after[0]} {size}", rows[both if len(both) else np.arange(at + 1, end)]))
    return findings
