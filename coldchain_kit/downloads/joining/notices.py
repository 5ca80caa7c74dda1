"""What is odd about downloads beside each other: copies moved in time, other serials, other years, two loggers."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from itertools import combinations

import numpy as np
import pandas as pd

from coldchain_kit.base import zones
from coldchain_kit.downloads.joining.assign import Piece, side_by_side
from coldchain_kit.downloads.joining.rows import Rows
from coldchain_kit.downloads.readers import instants
from coldchain_kit.downloads.readers.download import Placed
from coldchain_kit.model import FaultKind, Notice, Probe, Source
from coldchain_kit.register import UnitEntry

Span = tuple[pd.Timestamp, pd.Timestamp]

YEAR_DAYS = 365.25
MOVED_READINGS, MOVED_VALUES = 24, 4  # least common readings, and different values among them, to call a file a moved copy (own rule, no source)
OTHER_YEAR_DAYS = 180.0  # a download this far from all others may run on another year's clock (own rule, no source)



def told(one: Placed) -> list[Notice]:
    """What the reader and the clock found in one file, with times in UTC and the file's name."""
    rows: list[Notice] = []
    for notice in (*one.download.notices, *one.notices):
        row: Notice = {"probe": None, **notice}
        row["start"], row["end"] = (instant_of(one, shown) for shown in (row["start"], row["end"]))
        row["text"] = f"{one.download.source.file}: {row['text']}"
        rows.append(row)
    return rows


def span_notice(source: Source, text: str, *, kind: FaultKind = "clock", probe: str | None = None, readings: int | None = None) -> Notice:
    return {"kind": kind, "probe": probe, "start": source.first, "end": source.last, "readings": source.read if readings is None else readings, "text": text}


def two_loggers(probe: Probe, pieces: Sequence[Piece], files: Sequence[Placed], readings: pd.DataFrame) -> list[Notice]:
    """A notice where loggers that ran side by side both give one probe of the register."""
    serials = side_by_side(pieces, files)
    if not serials or not probe.registered or not len(readings):
        return []
    text = f"Loggers {' and '.join(repr(serial) for serial in serials)} ran at the same time and both give probe {probe.name}: its trace mixes their readings. Register one probe for each, or leave one file out."
    return [{"kind": "disagreement", "probe": probe.name, "start": readings.index[0], "end": readings.index[-1], "readings": len(readings), "text": text}]


def moved_copies(rows: Rows, probe: str, sources: Sequence[Source]) -> list[Notice]:
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
    dated = [(source, (source.first, source.last)) for source in sources if source.first is not None and source.last is not None]
    notices = []
    for source, span in dated:
        rest = [other for one, other in dated if one is not source]
        apart = min((_apart_days(span, other) for other in rest), default=0.0)
        if len(rest) < 2 or apart <= OTHER_YEAR_DAYS:
            continue
        years = [years for years in (-2, -1, 1, 2) if min(_apart_days(span, other, years=years) for other in rest) <= 31]
        if years:
            year = str(zones.local(pd.DatetimeIndex([span[0]]), zone=zone)[0])[:4]
            text = f"{source.file} runs in {year}, far from all other files of the unit; with the year {int(year) + years[0]} it would join them. Check the year of the logger's clock."
            notices.append(span_notice(source, text))
    return notices


def _apart_days(one: Span, other: Span, *, years: int = 0) -> float:
    """Days between the spans of two files, 0 where they overlap; the first one moved by whole years."""
    shift = pd.Timedelta(days=years * YEAR_DAYS)
    first, last = one[0] + shift, one[1] + shift
    return max((first - other[1]) / pd.Timedelta(days=1), (other[0] - last) / pd.Timedelta(days=1), 0.0)


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
