"""What is odd about downloads beside each other: copies moved in time, other serials, other years, two loggers."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from coldchain_kit.base import zones
from coldchain_kit.downloads.joining.assign import Piece, side_by_side
from coldchain_kit.downloads.joining.interleaved import AtOdds, Together
from coldchain_kit.downloads.joining.rows import Rows
from coldchain_kit.downloads.readers import instants
from coldchain_kit.downloads.readers.download import Placed
from coldchain_kit.model import ConflictRow, FaultKind, Notice, Probe, Source, one_sided
from coldchain_kit.register import UnitEntry

Span = tuple[pd.Timestamp, pd.Timestamp]

YEAR_DAYS = 365.25
HALF_HOUR_US = 1_800_000_000
HALF_HOURS = range(-28, 29)  # 14 h either way: the furthest that two zones usually lie apart
MOST_COMPARED = 5000  # readings of one file looked at for a moved copy
MOVED_READINGS, MOVED_VALUES = 24, 4  # least common readings, and different values among them, to call a file a moved copy (own rule, no source)
OTHER_YEAR_DAYS = 180.0  # a download this far from all others may run on another year's clock (own rule, no source)



def told(one: Placed, names: Mapping[int, str]) -> list[Notice]:
    """What the reader and the clock found in one file, with times in UTC, the file's name and the probes' names (by their columns)."""
    rows: list[Notice] = []
    labels: dict[str | None, str] = {column.label: names[id(column)] for column in one.download.columns if id(column) in names}
    for notice in (*one.download.notices, *one.notices):
        row: Notice = {"kind": "clock", "probe": None, "readings": 0, **notice}
        row["start"], row["end"] = (instant_of(one, shown) for shown in (row.get("start"), row.get("end")))
        row["probe"] = labels.get(row["probe"], row["probe"])
        row["text"] = f"{one.download.source.file}: {row['text']}"
        rows.append(row)
    return rows


def later_than_made(one: Placed, zone: str) -> list[Notice]:
    """A notice where a file holds readings later than the time at which it says that it was made (CONTRACTS rule 12).

    That time is taken as the logger's clock or as the site's, whichever is later.
    """
    shown = one.download.source.layout.get("made_stated")
    stated = None if shown is None else pd.Timestamp(shown)
    at = instant_of(one, stated)
    if at is None:
        return []
    if stated is not None and stated.tzinfo is None:
        at = max(at, zones.instant(stated, zone=zone, first=False))
    late = np.flatnonzero(one.utc.asi8 > at.as_unit("us").value // 1000)
    if not len(late):
        return []
    first, last = (pd.Timestamp(int(value), unit="us", tz="UTC") for value in (one.utc.asi8[late].min(), one.utc.asi8[late].max()))
    text = (
        f"{one.download.source.file}: {len(late)} reading{'s are' if len(late) > 1 else ' is'} later than the file says it was made, {zones.shown(at, zone=zone)}; the last "
        f"is of {zones.shown(last, zone=zone)}. The logger's clock is wrong, or the file is not what the logger gave."
    )
    return [{"kind": "clock", "probe": None, "start": first, "end": last, "readings": len(late), "text": text}]


def span_notice(source: Source, text: str, *, kind: FaultKind = "clock", probe: str | None = None, readings: int | None = None) -> Notice:
    return {"kind": kind, "probe": probe, "start": source.first, "end": source.last, "readings": source.read if readings is None else readings, "text": text}


def two_loggers(probe: Probe, pieces: Sequence[Piece], files: Sequence[Placed], readings: pd.DataFrame) -> list[Notice]:
    """A notice where loggers that ran side by side both give one probe of the register."""
    serials = side_by_side(pieces, files)
    if not serials or not probe.registered or not len(readings):
        return []
    text = f"Loggers {' and '.join(repr(serial) for serial in serials)} ran at the same time and both give probe {probe.name}: its trace mixes their readings. Register one probe for each, or leave one file out."
    return [{"kind": "disagreement", "probe": probe.name, "start": readings.index[0], "end": readings.index[-1], "readings": len(readings), "text": text}]


def moved_copies(rows: Rows, at_odds: Sequence[ConflictRow[pd.Timestamp]], probe: str, sources: Sequence[Source]) -> list[Notice]:
    """A notice for each file that holds another file's readings moved by whole or half hours: one of the two clocks is wrong.

    Only files with readings at odds with each other are compared, each with the one whose reading counted: copies moved that little overlap.
    """
    known = np.flatnonzero((rows.time != zones.NAT) & ~np.isnan(rows.value))
    edges = np.searchsorted(rows.source[known], np.arange(len(sources) + 1))
    parts: dict[int, pd.Series] = {}

    def part(number: int) -> pd.Series:
        if number not in parts:
            at = known[edges[number] : edges[number + 1]]
            series = pd.Series(rows.value[at], index=rows.time[at])
            parts[number] = series[~series.index.duplicated()].sort_index()
        return parts[number]

    notices = []
    for first, second in contradicting(at_odds, sources):
        one, other = part(first), part(second)
        moved = _agreement(one, other, HALF_HOURS)
        here = moved.pop(0)
        best = max(moved, key=lambda half: (moved[half], -abs(half)))
        if here < 0.5 and moved[best] > 0.95:
            hours = f"{abs(best) / 2:g} h {'later' if best > 0 else 'earlier'}"
            names = sources[first].file, sources[second].file
            text = f"{names[1]} holds the same readings of probe {probe} as {names[0]}, but {hours}. One of the two files has a wrong clock or was made in another time zone."
            notices.append(span_notice(sources[second], text, probe=probe, readings=len(other)))
    return notices


def contradicting(at_odds: Sequence[ConflictRow[pd.Timestamp]], sources: Sequence[Source]) -> list[tuple[int, int]]:
    """Pairs of files, the first one first, of which one contradicts the reading of the other that counted."""
    number = {source.file: place for place, source in enumerate(sources)}
    counted = {row["time"]: number[row["file"]] for row in at_odds if row["kept"] and row["time"] is not None and "start" not in row}
    pairs = {(counted[row["time"]], number[row["file"]]) for row in at_odds if not row["kept"] and row["time"] in counted and "start" not in row}
    return sorted({(min(pair), max(pair)) for pair in pairs if pair[0] != pair[1]})


def _agreement(one: pd.Series, other: pd.Series, half_hours: Sequence[int]) -> dict[int, float]:
    """Share of equal values at common times, by the half hours that the second is moved back; 0 for too little in common or for an even value."""
    times, values = one.index.to_numpy(), one.to_numpy()
    reach = (max(half_hours) + 1) * HALF_HOUR_US
    near = other[(other.index >= times[0] - reach) & (other.index <= times[-1] + reach)]
    near = near.iloc[:: max(1, len(near) // MOST_COMPARED)]
    shares = {}
    for half in half_hours:
        wanted = near.index.to_numpy() - half * HALF_HOUR_US
        at = np.minimum(np.searchsorted(times, wanted), len(times) - 1)
        hit = times[at] == wanted
        here, there = values[at[hit]], near.to_numpy()[hit]
        enough = len(here) >= MOVED_READINGS and len(np.unique(here)) >= MOVED_VALUES
        shares[half] = float((here == there).mean()) if enough else 0.0
    return shares


def interleaved_rows(rows: Rows, beyond_c: np.ndarray, odds: Sequence[AtOdds], unit: str, probe: str, sources: Sequence[Source]) -> list[ConflictRow[pd.Timestamp]]:
    """Rows of CONTRACTS ``conflicts[]`` for downloads at odds over whole stretches, one for each download's stretch: its reading furthest out."""

    def row(number: int, here: np.ndarray, kept: bool, why: str) -> ConflictRow[pd.Timestamp]:
        worst = here[int(np.argmax(beyond_c[here]))]
        first, last = (pd.Timestamp(int(value), unit="us", tz="UTC") for value in (rows.time[here].min(), rows.time[here].max()))
        return {
            "unit": unit, "probe": probe, "time": pd.Timestamp(int(rows.time[worst]), unit="us", tz="UTC"), "value_c": None if np.isnan(rows.value[worst]) else float(rows.value[worst]),
            "one_sided": one_sided.WORDS.get(int(rows.one_sided[worst])), "text": rows.words[rows.said[worst]] or None,
            "file": sources[number].file, "line": int(rows.line[worst]), "kept": kept, "why": why, "start": first, "end": last, "readings": len(here),
        }  # fmt: skip

    found = []
    for one in odds:
        own, other = sources[one.counts].file, sources[one.other].file
        found.append(row(one.counts, one.rows, True, f"interleaves with {other} and does not agree with it: each was judged alone, this one lies further outside, or came first, and counts from start to end"))
        found.append(row(one.other, one.other_rows, False, f"interleaves with {own} and does not agree with it: each was judged alone, {own} lies further outside, or came first, and counts"))
        for part in np.split(one.kept, np.flatnonzero(np.diff(one.kept) > 1) + 1) if len(one.kept) else ():
            found.append(row(one.other, part, True, f"within the stretch in which {own} counts this one lies outside and further out, and counts from start to end"))
    return found


def interleaved_notices(rows: Rows, together: Sequence[Together], odds: Sequence[AtOdds], probe: str, sources: Sequence[Source]) -> list[Notice]:
    """What is to say of downloads that interleave: brought together by a shift, or at odds."""

    def notice(kind: FaultKind, here: np.ndarray, text: str) -> Notice:
        first, last = (pd.Timestamp(int(value), unit="us", tz="UTC") for value in (rows.time[here].min(), rows.time[here].max()))
        return {"kind": kind, "probe": probe, "start": first, "end": last, "readings": len(here), "text": text}

    found = []
    for one in together:
        first, second = sources[one.first].file, sources[one.second].file
        said = f"{abs(one.shift_us) / 60e6:.3g} min" if abs(one.shift_us) >= 60e6 else f"{abs(one.shift_us) / 1e6:.3g} s"
        text = f"{second} holds the same readings of probe {probe} as {first}, {said} {'later' if one.shift_us > 0 else 'earlier'}: a clock set between the downloads, or times rounded. They count once, at the times of {first}."
        found.append(notice("clock", one.rows, text))
    for pair in odds:
        first, second = sources[pair.counts].file, sources[pair.other].file
        text = f"{first} and {second} cover the same hours of probe {probe} at times that interleave, and their values do not agree. Each was judged alone; {first} counts, and of {second} what lies further outside. Find out which file is the logger's own."
        found.append(notice("disagreement", np.union1d(pair.rows, pair.other_rows), text))
    return found


def other_serials(entry: UnitEntry, files: Sequence[Placed], sources: Sequence[Source]) -> list[Notice]:
    """A notice for each file whose logger is none of the register's."""
    known = {logger.serial for logger in (entry.logger, *(logger for _, logger in entry.settings)) if logger.serial}
    named = ", ".join(f"'{serial}'" for serial in sorted(known))
    return [
        span_notice(source, f"{source.file} comes from logger '{one.download.serial}', but the register names {named} for unit {entry.name}. Check that the file belongs to this unit.")
        for one, source in zip(files, sources, strict=True)
        if known and one.download.serial and one.download.serial not in known
    ]


def other_years(sources: Sequence[Source], zone: str) -> list[Notice]:
    """A notice for a file that would join the others if its year were another one."""
    dated = [source for source in sources if source.first is not None and source.last is not None]
    if len(dated) < 3:
        return []
    first, last = (np.array([getattr(source, side).tz_convert(None).to_datetime64() for source in dated], "M8[us]").view("int64") for side in ("first", "last"))
    day = 24 * 3600 * zones.SECOND_US
    spans = _Spans.of(first, last)
    notices = []
    for number in np.flatnonzero(spans.apart(first, last) / day > OTHER_YEAR_DAYS).tolist():
        source = dated[number]
        rest = _Spans.of(np.delete(first, number), np.delete(last, number))
        shifts = {years: round(years * YEAR_DAYS * day) for years in (-2, -1, 1, 2)}
        near = [years for years, by in shifts.items() if rest.apart(first[number : number + 1] + by, last[number : number + 1] + by, alone=True)[0] / day <= 31]
        if near:
            year = str(zones.local(pd.DatetimeIndex([source.first]), zone=zone)[0])[:4]
            text = f"{source.file} runs in {year}, far from all other files of the unit; with the year {int(year) + near[0]} it would join them. Check the year of the logger's clock."
            notices.append(span_notice(source, text))
    return notices


@dataclass(frozen=True)
class _Spans:
    """Spans of files: starts in order, and the latest end up to each; ends in order."""

    starts: np.ndarray
    latest: np.ndarray
    order: np.ndarray

    @classmethod
    def of(cls, first: np.ndarray, last: np.ndarray) -> _Spans:
        order = np.argsort(first, kind="stable")
        return cls(first[order], np.maximum.accumulate(last[order]), order)

    def apart(self, first: np.ndarray, last: np.ndarray, *, alone: bool = False) -> np.ndarray:
        """From each span to the nearest other one, 0 where they touch. Not ``alone``: the spans are these themselves, in the order given."""
        if alone:
            before = np.searchsorted(self.starts, first, "right") - 1
            after = np.searchsorted(self.starts, first, "right")
        else:
            place = np.empty(len(self.order), "int64")
            place[self.order] = np.arange(len(self.order))
            before, after = place - 1, place + 1
        far = np.iinfo("int64").max
        back = np.where(before >= 0, first - self.latest[np.maximum(before, 0)], far)
        forth = np.where(after < len(self.starts), self.starts[np.minimum(after, len(self.starts) - 1)] - last, far)
        return np.maximum(np.minimum(back, forth), 0)


def instant_of(one: Placed, shown: object) -> pd.Timestamp | None:
    """UTC of a time as the file shows it, by the offset of the row nearest to it; None where it is no time."""
    if shown is None or shown is pd.NaT:
        return None
    if isinstance(shown, (pd.Timestamp, np.datetime64, dt.datetime)):
        stamp = pd.Timestamp(shown)
        if stamp.tzinfo is not None:
            return stamp.tz_convert("UTC").as_unit("us")
        wall, offset_s = int(np.datetime64(stamp.to_datetime64(), "us").view("int64")), None  # type: ignore[call-overload]  # the stub lacks a change of unit
    else:
        found = instants.moment(str(shown), order=one.download.source.layout.get("date_order") or "ymd")
        if found is None:
            return None
        wall, offset_s = found
    if offset_s is not None:
        return pd.Timestamp(wall - offset_s * 1_000_000, unit="us", tz="UTC")
    usable = np.isfinite(one.offset_s)
    if not usable.any():
        return None
    away = np.abs(one.download.time[usable].astype("M8[us]").view("int64") - wall)
    return pd.Timestamp(wall + round(float(one.offset_s[usable][int(np.argmin(away))]) * 1e6), unit="us", tz="UTC")
