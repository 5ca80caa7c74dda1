"""Downloads of one probe that interleave: the same hours at other instants (CONTRACTS rule 12).

Where a shift under half an interval makes 95 % of the values agree they are one record read by two clocks, and are brought together.
Else they are at odds over their whole overlap: each is judged alone, and the one further outside counts.

A reading of one download interleaves with another where that one has no reading missing around it and none at its instant.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace

import numpy as np

from coldchain_kit.base import zones
from coldchain_kit.downloads.joining.rows import Rows

AGREE = 0.95  # CONTRACTS rule 12
MISSING_STEPS = 1.5  # of an interval: beyond it a reading is missing (CONTRACTS rule 4)
GAP_STEPS = 2.5  # of an interval: beyond it is a gap (CONTRACTS rule 4)
COMPARED = 0.5  # share of the readings that must meet one of the other download before a share of agreement says anything (own rule, no source)


@dataclass(frozen=True)
class Together:
    """Two downloads brought together: file numbers, the shift of the second against the first [µs, median], rows of the second that moved."""

    first: int
    second: int
    shift_us: float
    rows: np.ndarray


@dataclass(frozen=True)
class AtOdds:
    """Two downloads at odds over a stretch: the file that counts and the other, their rows in it, and the other's that count all the same."""

    counts: int
    other: int
    rows: np.ndarray
    other_rows: np.ndarray
    kept: np.ndarray
    dropped: np.ndarray


def candidates(rows: Rows) -> list[tuple[int, int]]:
    """Pairs of files with neighbouring instants closer than either of them reads: those that may interleave, by their instants alone."""
    return _candidates(_Work(rows, np.zeros(0), rows.time, rows.doubt_s, np.ones(len(rows.time), bool), [], []))


def resolved(rows: Rows, beyond_c: np.ndarray, first: list[tuple[int, int]]) -> tuple[Rows, list[Together], list[AtOdds]]:
    """One probe's readings of all its downloads with interleaving ones brought together or judged.

    Parameters
    ----------
    rows : Rows
        In the order of the files.
    beyond_c : array
        Distance of each reading beyond the nearer limit [°C], negative inside.
    first : list of pairs
        From :func:`candidates`: probes of the same downloads share them.

    Returns
    -------
    The rows that stay (times of what was brought together moved), and what was found; row numbers are those of ``rows``.
    """
    if not first:
        return rows, [], []
    work = _Work(rows, beyond_c, rows.time.copy(), rows.doubt_s.copy(), np.ones(len(rows.time), bool), [], [])
    tried: set[tuple[int, int]] = set()
    pairs = first
    while pairs:
        for pair in pairs:
            tried.add(pair)
            _resolve(work, pair)
        pairs = [pair for pair in _candidates(work) if pair not in tried] if work.together or work.odds else []
    if not (work.together or work.odds):
        return rows, [], []
    left = replace(rows, time=work.time, doubt_s=work.doubt_s)
    kept = {one.name: getattr(left, one.name)[work.stays] for one in fields(Rows) if one.name != "words"}  # the words are of all rows
    return replace(left, **kept), work.together, work.odds


@dataclass(frozen=True)
class _Work:
    """What is being resolved; ``time``, ``doubt_s`` and ``stays`` are changed in place, instants are compared as they came."""

    rows: Rows
    beyond_c: np.ndarray
    time: np.ndarray
    doubt_s: np.ndarray
    stays: np.ndarray
    together: list[Together]
    odds: list[AtOdds]


def _candidates(work: _Work) -> list[tuple[int, int]]:
    """:func:`candidates` among what stays, in one pass over all instants."""
    at = np.flatnonzero(work.stays & (work.time != zones.NAT))
    time, source = work.time[at], work.rows.source[at]
    edges = np.concatenate(([0], np.flatnonzero(np.diff(source)) + 1, [len(source)]))
    if len(edges) < 3 or not _overlap(time, edges):
        return []
    steps, follows = _own_steps(time, edges)
    order = np.argsort(time, kind="stable")  # files stay in order at one instant
    time, number = time[order], np.repeat(np.arange(len(edges) - 1), np.diff(edges))[order]
    fresh = np.concatenate(([True], np.diff(time) != 0))
    at_first = np.flatnonzero(fresh)
    instants, lead = time[at_first], number[at_first]
    nexts = np.append(instants[1:], zones.NAT)
    linked = np.maximum.reduceat(follows[order] == np.repeat(nexts, np.diff(np.append(at_first, len(time)))), at_first)
    near = np.diff(instants) < MISSING_STEPS / 2 * np.minimum(steps[lead[:-1]], steps[lead[1:]])
    hit = np.flatnonzero(near & ~linked[:-1] & (lead[:-1] != lead[1:]))
    names = source[edges[:-1]]
    pairs = {(int(min(one, other)), int(max(one, other))) for one, other in zip(names[lead[hit]], names[lead[hit + 1]], strict=True)}
    return sorted(pairs)


def _overlap(time: np.ndarray, edges: np.ndarray) -> bool:
    """Whether any two files cover the same time."""
    first, last = np.minimum.reduceat(time, edges[:-1]), np.maximum.reduceat(time, edges[:-1])
    order = np.argsort(first, kind="stable")
    return bool((first[order][1:] <= np.maximum.accumulate(last[order])[:-1]).any())


def _own_steps(time: np.ndarray, edges: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Usual step of each file [µs], and for each reading when its own file reads next (NaT: never)."""
    follows, usual = np.full(len(time), zones.NAT), np.full(len(edges) - 1, np.inf)
    for number, (first, stop) in enumerate(zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)):
        own = time[first:stop]
        steps = np.diff(own)
        order = None if (steps > 0).all() else np.argsort(own, kind="stable")
        own = own if order is None else own[order]
        steps = steps if order is None else np.diff(own)
        follows[(np.arange(first, stop) if order is None else first + order)[:-1]] = own[1:]
        steps = steps[steps > 0]
        usual[number] = np.median(steps) if len(steps) else np.inf
    return usual, follows


@dataclass(frozen=True)
class _File:
    """One download's readings in order of time: their rows, instants, values, usual step [µs]."""

    number: int
    rows: np.ndarray
    time: np.ndarray
    value: np.ndarray
    step: float

    @classmethod
    def of(cls, number: int, work: _Work) -> _File:
        first, stop = np.searchsorted(work.rows.source, (number, number + 1))
        at = np.arange(first, stop)
        at = at[work.stays[at] & (work.rows.time[at] != zones.NAT)]
        at = at[np.argsort(work.rows.time[at], kind="stable")]
        time = work.rows.time[at]
        steps = np.diff(time)
        steps = steps[steps > 0]
        return cls(number, at, time, work.rows.value[at], float(np.median(steps)) if len(steps) else 0.0)

    def around(self, time: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Positions of the readings before (or at) and after each instant, cut to the record."""
        after = np.searchsorted(self.time, time, "right")
        return np.clip(after - 1, 0, len(self.time) - 1), np.clip(after, 0, len(self.time) - 1)

    def inside(self, first: int, last: int) -> np.ndarray:
        return np.arange(np.searchsorted(self.time, first), np.searchsorted(self.time, last, "right"))


def _interleaves(own: _File, other: _File) -> np.ndarray:
    """Readings of ``own`` between two of ``other`` with none missing there, and none at their instant."""
    before, after = other.around(own.time)
    within = (other.time[before] < own.time) & (own.time < other.time[after])
    return within & (other.time[after] - other.time[before] <= MISSING_STEPS * other.step)


def _stretches(a: _File, b: _File) -> Iterator[tuple[int, int]]:
    """First and last instant of each stretch in which both read, at no common instant, and interleave."""
    begin, end = max(a.time[0], b.time[0]), min(a.time[-1], b.time[-1])
    if end <= begin or not a.step or not b.step:
        return
    hits = [own.time[_interleaves(own, other) & (own.time >= begin) & (own.time <= end)] for own, other in ((a, b), (b, a))]
    common = np.intersect1d(a.time, b.time)
    times = np.sort(np.concatenate(hits))
    part = np.searchsorted(common, times)
    for number in np.unique(part).tolist():
        here = times[part == number]
        low = common[number - 1] if number else begin
        high = common[number] if number < len(common) else end
        mine, theirs = (len(one.inside(low + (number > 0), high - (number < len(common)))) for one in (a, b))
        if mine and theirs:
            yield int(here[0]), int(here[-1])


def _resolve(work: _Work, pair: tuple[int, int]) -> None:
    """Bring two downloads together, or judge them over each stretch: writes into ``work``."""
    a, b = (_File.of(number, work) for number in pair)
    found = list(_stretches(a, b)) if len(a.time) and len(b.time) else []
    if not found:
        return
    moving, still = (a, b) if b.step < a.step / MISSING_STEPS else (b, a)  # onto the one that reads more often, else the first
    here, nearest, shift, meets, agrees = _compared(moving, still, found, 0)
    if meets.any() and meets.sum() >= COMPARED * len(here) and agrees.sum() >= AGREE * meets.sum():
        edge = int(min(moving.step, still.step) / 2)  # one at the end of a stretch may meet a reading that lies just beyond it
        wider, nearest, shift, meets, agrees = _compared(moving, still, found, edge)
        here, meets = wider, meets & (agrees | np.isin(wider, here))
        moved, onto = moving.rows[here[meets]], still.rows[nearest[meets]]
        work.time[moved] = work.time[onto]
        for at in (moved, onto):
            work.doubt_s[at] = np.maximum(work.doubt_s[at], np.abs(shift[meets]) / zones.SECOND_US)
        work.together.append(Together(still.number, moving.number, float(np.median(shift[meets])), moved))
        return
    for first, last in found:
        work.odds.append(_judged(a, b, first, last, work.beyond_c))
        work.stays[work.odds[-1].dropped] = False


def _compared(moving: _File, still: _File, stretches: list[tuple[int, int]], edge_us: int) -> tuple[np.ndarray, ...]:
    """Readings of the stretches and their edges; for each the nearest of the other file, how far it moves to meet it, whether it does, and agrees."""
    here = np.unique(np.concatenate([moving.inside(first - edge_us, last + edge_us) for first, last in stretches]))
    nearest, shift, meets = _nearest(moving, still, here)
    return here, nearest, shift, meets, meets & _equal(moving.value[here], still.value[nearest])


def _nearest(moving: _File, still: _File, here: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """For each of these readings the nearest of the other file, how far it is moved to meet it [µs], and whether that is under half an interval."""
    time = moving.time[here]
    before, after = still.around(time)
    nearest = np.where(np.abs(time - still.time[before]) <= np.abs(still.time[after] - time), before, after)
    shift = time - still.time[nearest]
    return nearest, shift, np.abs(shift) < min(moving.step, still.step) / 2


def _equal(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    return (np.abs(one - other) <= 1e-6) | (one == other) | (np.isnan(one) & np.isnan(other))


def _judged(a: _File, b: _File, first: int, last: int, beyond_c: np.ndarray) -> AtOdds:
    """Each download alone over a stretch: the one further outside counts, and of the other what lies outside and further still."""
    parts = [(one, one.inside(first, last)) for one in (a, b)]
    furthest = [float(np.max(beyond_c[one.rows[here]], initial=-np.inf)) for one, here in parts]
    (base, mine), (other, theirs) = parts if furthest[0] >= furthest[1] else parts[::-1]
    base_out, other_out = beyond_c[base.rows], beyond_c[other.rows]
    further = (other_out[theirs] > 0) & (other_out[theirs] > _course(base, base_out, other.time[theirs]))
    kept, dropped = np.zeros(len(theirs), bool), np.zeros(len(mine), bool)
    for start, stop in _runs(further):
        low, high = _bracketed(start, stop, theirs, base, base_out, other, other_out)
        kept[low:high] = True
        covered = (base.time[mine] >= other.time[theirs[low]]) & (base.time[mine] <= other.time[theirs[high - 1]])
        dropped |= covered & ~((base_out[mine] > 0) & (base_out[mine] >= _course(other, other_out, base.time[mine])))
    gone = np.concatenate((base.rows[mine[dropped]], other.rows[theirs[~kept]]))
    return AtOdds(base.number, other.number, base.rows[mine], other.rows[theirs], other.rows[theirs[kept]], gone)


def _bracketed(
    start: int, stop: int, theirs: np.ndarray, base: _File, base_out: np.ndarray, other: _File, other_out: np.ndarray
) -> tuple[int, int]:
    """A run with the reading inside the limits on either side of it, where no gap lies between and the other download is inside there too."""

    def free(at: int, beside: int) -> bool:
        k, j = theirs[at], theirs[beside]
        near = abs(int(other.time[k] - other.time[j])) <= GAP_STEPS * other.step
        inside = not _course(base, base_out, other.time[k : k + 1])[0] > 0
        return near and other_out[k] <= 0 and inside

    low = start - 1 if start and free(start - 1, start) else start
    high = stop + 1 if stop < len(theirs) and free(stop, stop - 1) else stop
    return low, high


def _course(one: _File, out: np.ndarray, time: np.ndarray) -> np.ndarray:
    """How far a download's straight course lies beyond the limit at instants; -inf where it has a gap, no value or is not there."""
    before, after = one.around(time)
    span = (one.time[after] - one.time[before]).astype("float64")
    known = (one.time[before] <= time) & (time <= one.time[after]) & (span <= GAP_STEPS * one.step)
    with np.errstate(invalid="ignore"):
        share = np.where(span > 0, (time - one.time[before]) / np.where(span > 0, span, 1.0), 0.0)
        course = np.where(share == 0, out[before], out[before] + share * (out[after] - out[before]))
    return np.where(known & ~np.isnan(course), course, -np.inf)


def _runs(mask: np.ndarray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype("int8")))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
