"""What is odd about downloads beside each other: copies moved in time, other serials, other years, two loggers."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from coldchain_kit.base import zones
from coldchain_kit.downloads.joining.assign import Piece, side_by_side
from coldchain_kit.downloads.joining.interleaved import AtOdds, Together
from coldchain_kit.downloads.joining.rows import Rows
from coldchain_kit.downloads.readers import instants
from coldchain_kit.downloads.readers.download import Placed
from coldchain_kit.model import Probe, Source
from coldchain_kit.register import UnitEntry

YEAR_DAYS = 365.25
MOVED_READINGS, MOVED_VALUES = 24, 4  # least common readings, and different values among them, to call a file a moved copy (own rule, no source)
OTHER_YEAR_DAYS = 180.0  # a download this far from all others may run on another year's clock (own rule, no source)



def told(one: Placed) -> list[dict[str, Any]]:
    """What the reader and the clock found in one file, with times in UTC and the file's name."""
    rows = []
    for notice in (*one.download.notices, *one.notices):
        row = {"kind": "clock", "probe": None, "readings": 0, **notice}
        row["start"], row["end"] = (instant_of(one, row.get(key)) for key in ("start", "end"))
        row["text"] = f"{one.download.source.file}: {row['text']}"
        rows.append(row)
    return rows


def span_notice(source: Source, text: str, *, kind: str = "clock", probe: str | None = None, readings: int | None = None) -> dict[str, Any]:
    return {"kind": kind, "probe": probe, "start": source.first, "end": source.last, "readings": source.read if readings is None else readings, "text": text}


def two_loggers(probe: Probe, pieces: Sequence[Piece], files: Sequence[Placed], readings: pd.DataFrame) -> list[dict[str, Any]]:
    """A notice where loggers that ran side by side both give one probe of the register."""
    serials = side_by_side(pieces, files)
    if not serials or not probe.registered or not len(readings):
        return []
    text = f"Loggers {' and '.join(repr(serial) for serial in serials)} ran at the same time and both give probe {probe.name}: its trace mixes their readings. Register one probe for each, or leave one file out."
    return [{"kind": "disagreement", "probe": probe.name, "start": readings.index[0], "end": readings.index[-1], "readings": len(readings), "text": text}]


def moved_copies(rows: Rows, probe: str, sources: Sequence[Source]) -> list[dict[str, Any]]:
    """A notice for each file that holds another file's readings moved by whole or half hours: one of the two clocks is wrong."""
    known = (rows.time != zones.NAT) & ~np.isnan(rows.value)
    parts = {number: pd.Series(rows.value[at], index=rows.time[at]) for number in np.unique(rows.source) if (at := known & (rows.source == number)).any()}
    parts = {number: series[~series.index.duplicated()] for number, series in parts.items()}
    notices = []
    for first, second in combinations(sorted(parts), 2):
        here = _agreement(parts[first], parts[second], 0)
        moved = {half: _agreement(parts[first], parts[second], half) for half in range(-28, 29) if half} if here < 0.5 else {}
        best = max(moved, key=lambda half: (moved[half], -abs(half)), default=0)
        if best and moved[best] > 0.95:
            hours = f"{abs(best) / 2:g} h {'later' if best > 0 else 'earlier'}"
            names = sources[first].file, sources[second].file
            text = f"{names[1]} holds the same readings of probe {probe} as {names[0]}, but {hours}. One of the two files has a wrong clock or was made in another time zone."
            notices.append(span_notice(sources[second], text, probe=probe, readings=len(parts[second])))
    return notices


def _agreement(one: pd.Series, other: pd.Series, half_hours: int) -> float:
    """Share of equal values at common times, the second moved back by half hours; 0 for too little in common or for an even value."""
    times, left, right = np.intersect1d(one.index.to_numpy(), other.index.to_numpy() - half_hours * 1_800_000_000, assume_unique=True, return_indices=True)
    here, there = one.to_numpy()[left], other.to_numpy()[right]
    if len(times) < MOVED_READINGS or len(np.unique(here)) < MOVED_VALUES:
        return 0.0
    return float((here == there).mean())


def interleaved_rows(rows: Rows, beyond_c: np.ndarray, odds: Sequence[AtOdds], unit: str, probe: str, sources: Sequence[Source]) -> list[dict[str, Any]]:
    """Rows of CONTRACTS ``conflicts[]`` for downloads at odds over whole stretches, one for each download's stretch: its reading furthest out."""

    def row(number: int, here: np.ndarray, kept: bool, why: str) -> dict[str, Any]:
        worst = here[int(np.argmax(beyond_c[here]))]
        first, last = (pd.Timestamp(int(value), unit="us", tz="UTC") for value in (rows.time[here].min(), rows.time[here].max()))
        return {
            "unit": unit, "probe": probe, "time": pd.Timestamp(int(rows.time[worst]), unit="us", tz="UTC"), "value_c": None if np.isnan(rows.value[worst]) else float(rows.value[worst]),
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


def interleaved_notices(rows: Rows, together: Sequence[Together], odds: Sequence[AtOdds], probe: str, sources: Sequence[Source]) -> list[dict[str, Any]]:
    """What is to say of downloads that interleave: brought together by a shift, or at odds."""

    def notice(kind: str, here: np.ndarray, text: str) -> dict[str, Any]:
        first, last = (pd.Timestamp(int(value), unit="us", tz="UTC") for value in (rows.time[here].min(), rows.time[here].max()))
        return {"kind": kind, "probe": probe, "start": first, "end": last, "readings": len(here), "text": text}

    found = []
    for one in together:
        first, second = sources[one.first].file, sources[one.second].file
        said = f"{abs(one.shift_us) / 60e6:.3g} min" if abs(one.shift_us) >= 60e6 else f"{abs(one.shift_us) / 1e6:.3g} s"
        text = f"{second} holds the same readings of probe {probe} as {first}, {said} {'later' if one.shift_us > 0 else 'earlier'}: a clock set between the downloads, or times rounded. They count once, at the times of {first}."
        found.append(notice("clock", one.rows, text))
    for one in odds:
        first, second = sources[one.counts].file, sources[one.other].file
        text = f"{first} and {second} cover the same hours of probe {probe} at times that interleave, and their values do not agree. Each was judged alone; {first} counts, and of {second} what lies further outside. Find out which file is the logger's own."
        found.append(notice("disagreement", np.union1d(one.rows, one.other_rows), text))
    return found


def other_serials(entry: UnitEntry, files: Sequence[Placed], sources: Sequence[Source]) -> list[dict[str, Any]]:
    """A notice for each file whose logger is none of the register's."""
    known = {logger.serial for logger in (entry.logger, *(logger for _, logger in entry.settings)) if logger.serial}
    named = ", ".join(f"'{serial}'" for serial in sorted(known))
    return [
        span_notice(source, f"{source.file} comes from logger '{one.download.serial}', but the register names {named} for unit {entry.name}. Check that the file belongs to this unit.")
        for one, source in zip(files, sources, strict=True)
        if known and one.download.serial and one.download.serial not in known
    ]


def other_years(sources: Sequence[Source], zone: str) -> list[dict[str, Any]]:
    """A notice for a file that would join the others if its year were another one."""
    dated = [source for source in sources if source.first is not None and source.last is not None]
    notices = []
    for source in dated:
        rest = [other for other in dated if other is not source]
        apart = min((_apart_days(source, other) for other in rest), default=0.0)
        if len(rest) < 2 or apart <= OTHER_YEAR_DAYS:
            continue
        years = [years for years in (-2, -1, 1, 2) if min(_apart_days(source, other, years=years) for other in rest) <= 31]
        if years:
            year = str(zones.local(pd.DatetimeIndex([source.first]), zone=zone)[0])[:4]
            text = f"{source.file} runs in {year}, far from all other files of the unit; with the year {int(year) + years[0]} it would join them. Check the year of the logger's clock."
            notices.append(span_notice(source, text))
    return notices


def _apart_days(one: Source, other: Source, *, years: int = 0) -> float:
    """Days between the spans of two files, 0 where they overlap; the first one moved by whole years."""
    shift = pd.Timedelta(days=years * YEAR_DAYS)
    first, last = one.first + shift, one.last + shift
    return max((first - other.last) / pd.Timedelta(days=1), (other.first - last) / pd.Timedelta(days=1), 0.0)


def instant_of(one: Placed, shown: Any) -> pd.Timestamp | None:
    """UTC of a time as the file shows it, by the offset of the row nearest to it; None where it is no time."""
    if shown is None or shown is pd.NaT:
        return None
    if isinstance(shown, (pd.Timestamp, np.datetime64, dt.datetime)):
        stamp = pd.Timestamp(shown)
        if stamp.tzinfo is not None:
            return stamp.tz_convert("UTC").as_unit("us")
        wall, offset_s = int(np.datetime64(stamp.to_datetime64(), "us").view("int64")), None
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
