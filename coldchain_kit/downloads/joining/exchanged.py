"""Columns of two probes exchanged in one download: seen where downloads overlap, else by how restless each probe usually is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np
import pandas as pd

from coldchain_kit.base import zones
from coldchain_kit.downloads.joining.notices import contradicting
from coldchain_kit.downloads.joining.rows import Rows
from coldchain_kit.model import ConflictRow, Notice, Source

SAME = 0.95  # share of common instants at which one probe shows the other's values (own rule, no source)
READINGS = 48  # least of a download before its restlessness is judged (own rule, no source)
MOST_READ = 20_000  # of a download, from its middle, to judge its restlessness
RESTLESS = 1.4  # times as restless as the other: less tells nothing (own rule; 2.7 times in the sample's refrigerator, 8 in its freezer)
MIRRORED = 0.25  # how nearly the ratio must be turned over, as share of its logarithm (own rule, no source)
MOST_STEP_C = 1.0  # a step counts no more than this, so that an excursion does not make a probe restless


def notices(rows: Mapping[str, Rows], conflicts: Sequence[ConflictRow[pd.Timestamp]], sources: Sequence[Source]) -> list[Notice]:
    """One notice of the kind disagreement for each download in which two probes of a unit look exchanged.

    Parameters
    ----------
    rows : mapping of probe -> Rows
        As the files hold them.
    conflicts : rows of CONTRACTS ``conflicts[]``
        Files are compared with those that they contradict.
    sources : sequence of Source
    """
    if len(sources) < 2 or len(rows) < 2:
        return []
    files = {name: _Probe(one, len(sources)) for name, one in rows.items()}
    found: dict[tuple[int, str, str], str] = {}
    for one, other in combinations(files, 2):
        for against, number in contradicting([row for row in conflicts if row["probe"] == one], sources):
            if not _crossed(files[one], files[other], number, against):
                continue
            found[number, one, other] = f"over the hours that {sources[against].file} covers too, each shows what the other shows there"
        for number, now, usual in _turned(files[one].restless, files[other].restless):
            text = f"probe {one} moves {now:.2g} times as much from reading to reading as {other}, in the other downloads {usual:.2g} times"
            found.setdefault((number, one, other), text)
    return [_notice(sources[number], one, other, why) for (number, one, other), why in sorted(found.items())]


def _notice(source: Source, one: str, other: str, why: str) -> Notice:
    text = f"The columns of probes {one} and {other} look exchanged in {source.file}, or in the others: {why}. Nothing was changed. Compare the headers with the logger's own setting."
    return {"kind": "disagreement", "probe": one, "start": source.first, "end": source.last, "readings": source.read, "text": text}


class _Probe:
    """One probe's readings of each file, and how much each file moves from reading to reading."""

    def __init__(self, rows: Rows, count: int):
        self.rows, self.edges = rows, np.searchsorted(rows.source, np.arange(count + 1))
        self.restless = np.array([self._restless(number) for number in range(count)])

    def file(self, number: int, *, most: int | None = None) -> tuple[np.ndarray, np.ndarray]:
        """Instants and values in order of time; of the file's middle where ``most`` readings are enough."""
        first, stop = int(self.edges[number]), int(self.edges[number + 1])
        if most is not None and stop - first > most:
            first = (first + stop - most) // 2
            stop = first + most
        time, value = self.rows.time[first:stop], self.rows.value[first:stop]
        known = (time != zones.NAT) & ~np.isnan(value) & (self.rows.one_sided[first:stop] == 0)
        time, value = time[known], value[known]
        order = np.argsort(time, kind="stable")
        return time[order], value[order]

    def _restless(self, number: int) -> float:
        value = self.file(number, most=MOST_READ)[1]
        moved = np.minimum(np.abs(np.diff(value)), MOST_STEP_C)
        return float(moved.mean()) if len(value) >= READINGS and moved.any() else float("nan")


def _turned(one: np.ndarray, other: np.ndarray) -> list[tuple[int, float, float]]:
    """Files in which the one probe is as much more restless than the other as it usually is less: (file, ratio there, usual ratio)."""
    known = np.flatnonzero(np.isfinite(one) & np.isfinite(other))
    if len(known) < 2:
        return []
    ratio = np.log(one[known] / other[known])
    usual = float(np.median(ratio)) if len(known) > 2 else float(ratio[0])
    if abs(usual) < np.log(RESTLESS):
        return []
    hit = (np.sign(ratio) == -np.sign(usual)) & (np.abs(ratio + usual) <= MIRRORED * abs(usual))
    return [(int(known[k]), float(np.exp(ratio[k])), float(np.exp(usual))) for k in np.flatnonzero(hit)]


def _crossed(one: _Probe, other: _Probe, number: int, against: int) -> bool:
    """Whether a file shows for each probe what another file has for the other one at the same instants."""
    own = [_shares(mine.file(against), mine.file(number)) for mine in (one, other)]
    cross = [_shares(one.file(against), other.file(number)), _shares(other.file(against), one.file(number))]
    return max(own) < 0.5 and min(cross) >= SAME


def _shares(first: tuple[np.ndarray, np.ndarray], second: tuple[np.ndarray, np.ndarray]) -> float:
    """Share of equal values at common instants; 0.75, which says nothing, for fewer than 12."""
    common, here, there = np.intersect1d(first[0], second[0], return_indices=True)
    return float((first[1][here] == second[1][there]).mean()) if len(common) >= 12 else 0.75
