"""A unit's downloads put together: columns to probes, overlaps, readings at odds, other channels and events."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from coldchain_kit.conditions import Condition
from coldchain_kit.errors import Fault, KitError, RegisterError, nearest
from coldchain_kit.readers import instants
from coldchain_kit.readers.download import Column, Download, Placed
from coldchain_kit.register import UnitEntry
from coldchain_kit.trace import Probe, Source, Step, Trace, Unit
from coldchain_kit.zones import NAT, local

CHANNEL_KINDS = ("door", "power", "humidity", "battery")
STATES = ("declared", "proved", "not_verified")  # from known to unknown
YEAR_DAYS = 365.25
OTHER_YEAR_DAYS = 180.0  # a download this far from all others may run on another year's clock (own rule, no source)


def unit(entry: UnitEntry, placed: Sequence[Placed], *, zone: str = "UTC") -> Unit:
    """One unit from all its downloads, in whatever order they are given.

    Parameters
    ----------
    entry : UnitEntry
        The register's unit: probes, channels, storage condition, logger.
    placed : sequence of Placed
        Downloads with instants, from ``clock.place``.
    zone : str
        Site's IANA zone, for times in sentences.

    Returns
    -------
    Unit
        A trace a probe (``celsius`` still as read, ``u_c`` NaN), channels, events, conflicts, sources, notices.

    Raises
    ------
    RegisterError
        Where a probe or channel of the register matches no column of any download; the columns are listed.

    Examples
    --------
    >>> from coldchain_kit import conditions
    >>> times = pd.DatetimeIndex(["2026-03-06 22:40", "2026-03-06 22:45"], tz="UTC").as_unit("us")
    >>> column = Column("A (°C)", "A", "temperature", np.array([4.0, 9.1]))
    >>> source = Source("F2.csv", "00", 2, 2, 0)
    >>> download = Download(source, times.tz_localize(None).to_numpy(), "utc", np.array([2, 3]), (column,))
    >>> entry = UnitEntry("F2", "refrigerator", "", conditions.get("refrigerated"))
    >>> twice = [Placed(download, times, np.zeros(2), np.zeros(2), "proved", "")] * 2
    >>> unit(entry, twice).traces["A"].as_read_c.tolist()
    [4.0, 9.1]
    """
    if not placed:
        raise KitError(f"no download is given for unit {entry.name}", expected="at least one file of readings")
    files = sorted(placed, key=lambda one: (one.download.source.file, one.download.source.sha256))
    parts, channels = _assign(entry, files)
    sources = tuple(_spanned(one, _strangers(position, parts) if entry.probes else []) for position, one in enumerate(files))
    traces, conflicts, notices = {}, [], []
    for probe, pieces in parts:
        rows = _stack(pieces, files, entry, probe)
        readings, at_odds = _merge(rows, entry, probe.name, sources)
        step = Step("readers.combine.unit", {"files": len(pieces)}, _version(), len(rows.time) - len(readings))
        traces[probe.name] = Trace(probe, readings, pd.DataFrame(index=readings.index), (step,), sources).checked()
        conflicts += at_odds
        notices += _two_loggers(probe, pieces, files, readings)
    notices += [notice for one in files for notice in _told(one)]
    notices += _other_serials(entry, files, sources) + _other_years(sources, zone)
    worst = max((one.state for one in files), key=STATES.index)
    return Unit(
        name=entry.name,
        traces=traces,
        channels={name: _channel(pieces, files, kind) for name, (kind, pieces) in channels.items()},
        events=_events(files),
        conflicts=tuple(conflicts),
        sources=sources,
        notices=tuple(notices),
        clock={"state": worst, "text": " ".join(dict.fromkeys(one.text for one in files if one.text))},
    )


def _version() -> str:
    from coldchain_kit import __version__

    return __version__


# ---- which column is which probe ------------------------------------------------------------------------------

Piece = tuple[int, Column]  # position of the file, its column


def _wanted(columns: Sequence[Column], key: str, header: str | None) -> Column | None:
    """The column a register entry takes: its full header as registered, or the key as full header or plain label."""
    if header is not None:
        return next((column for column in columns if column.header == header), None)
    by_header = next((column for column in columns if column.header == key), None)
    return by_header or next((column for column in columns if column.label == key), None)


def _assign(entry: UnitEntry, files: Sequence[Placed]) -> tuple[list[tuple[Probe, list[Piece]]], dict[str, tuple[str, list[Piece]]]]:
    """Columns of every file shared out to probes and channels; no column twice."""
    probes: dict[str, list[Piece]] = {name: [] for name in entry.probes}
    channels: dict[str, tuple[str, list[Piece]]] = {name: (kind, []) for name, (_, kind) in entry.channels.items()}
    others: dict[str, list[Piece]] = {}
    for position, one in enumerate(files):
        columns = list(one.download.columns)
        taken: dict[int, str] = {}
        for name, (header, _) in entry.channels.items():
            column = next((c for c in columns if c.header == header), None) or next((c for c in columns if c.label == header), None)
            _take(taken, column, f"channel {name}", entry, one.download)
            channels[name][1].extend([(position, column)] if column else [])
        temperatures = [column for column in columns if column.kind == "temperature" and id(column) not in taken]
        for name, probe in entry.probes.items():
            column = _wanted(temperatures, name, probe.probe.column)
            _take(taken, column, f"probe {name}", entry, one.download)
            probes[name].extend([(position, column)] if column else [])
        used: set[str] = set(entry.probes)
        for column in (column for column in columns if id(column) not in taken):
            if column.kind == "temperature":
                name = _free_name(column, used)
                used.add(name)
                others.setdefault(name, []).append((position, column))
            elif column.kind in CHANNEL_KINDS:
                name = column.label if column.label not in entry.channels else column.header
                channels.setdefault(name, (column.kind, []))[1].append((position, column))
    _all_found(entry, probes, {name: pieces for name, (_, pieces) in channels.items() if name in entry.channels}, files)
    known = [(entry.probes[name].probe, pieces) for name, pieces in probes.items()]
    extra = [
        (Probe(part, decides=not entry.probes, column=pieces[0][1].header, registered=False), pieces)
        for name, found in others.items()
        for part, pieces in _by_logger(name, found, files).items()
    ]
    return [*known, *extra], channels


def _by_logger(name: str, pieces: list[Piece], files: Sequence[Placed]) -> dict[str, list[Piece]]:
    """Unregistered columns of one name: one probe, but one for each logger where loggers ran side by side."""
    serials = {files[position].download.serial for position, _ in pieces}
    if None in serials or not _side_by_side(pieces, files):
        return {name: pieces}
    return {f"{name} ({serial})": [piece for piece in pieces if files[piece[0]].download.serial == serial] for serial in sorted(serials)}


def _side_by_side(pieces: Sequence[Piece], files: Sequence[Placed]) -> list[str]:
    """Serial numbers of loggers whose downloads for one probe overlap in time; empty where none do."""
    spans: dict[str, list[tuple[int, int]]] = {}
    for one in (files[position] for position, _ in pieces):
        time = one.utc.asi8[one.utc.asi8 != NAT]
        if one.download.serial and len(time):
            spans.setdefault(one.download.serial, []).append((int(time.min()), int(time.max())))
    overlap = {
        serial
        for serial, own in spans.items()
        for other, theirs in spans.items()
        if other != serial and any(a <= d and c <= b for a, b in own for c, d in theirs)
    }
    return sorted(overlap)


def _take(taken: dict[int, str], column: Column | None, who: str, entry: UnitEntry, download: Download) -> None:
    if column is None:
        return
    if id(column) in taken:
        raise RegisterError(
            f"column '{column.header}' of {download.source.file} is named by {taken[id(column)]} and by {who}",
            where=f"site.toml, unit {entry.name}", expected="one probe or channel a column", mend='Say which with column = "…"',
        )  # fmt: skip
    taken[id(column)] = who


def _free_name(column: Column, used: set[str]) -> str:
    names = [column.label, column.header, *(f"{column.header} ({count})" for count in range(2, len(used) + 3))]
    return next(name for name in names if name not in used)


def _all_found(entry: UnitEntry, probes: dict[str, list[Piece]], channels: dict[str, list[Piece]], files: Sequence[Placed]) -> None:
    """RegisterError with one fault for each registered name that no download has."""
    listed = list(dict.fromkeys((column.header, column.kind) for one in files for column in one.download.columns))
    there = ", ".join(f"'{header}' ({kind})" for header, kind in listed) or "none"
    faults = []
    for what, name, header, pieces in (
        *(("probe", name, entry.probes[name].probe.column or name, pieces) for name, pieces in probes.items()),
        *(("channel", name, entry.channels[name][0], pieces) for name, pieces in channels.items()),
    ):
        if not pieces:
            hint = nearest(header, [column for column, _ in listed])
            faults.append(Fault(f"{what} '{name}' takes column '{header}', which no download has", f"site.toml, unit {entry.name}", f"one of the columns {there}", hint or 'Give the full header as column = "…"'))
    if faults:
        raise RegisterError(faults=faults)


# ---- one probe's readings -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Rows:
    """Readings of one probe from all files, one after the other; time in µs UTC, NaT as the smallest int64."""

    time: np.ndarray
    value: np.ndarray
    one_sided: np.ndarray
    doubt_s: np.ndarray
    source: np.ndarray
    line: np.ndarray
    shown: np.ndarray


def _stack(pieces: Sequence[Piece], files: Sequence[Placed], entry: UnitEntry, probe: Probe) -> _Rows:
    blocks = []
    for position, column in pieces:
        one = files[position]
        at = slice(None) if column.rows is None else column.rows
        walls = one.download.time[at]
        value, one_sided = _range_ends(column, walls, entry, probe)
        time = one.utc.asi8[at]
        blocks.append((time, value, one_sided, one.doubt_s[at], np.full(len(time), position, "int16"), one.download.line[at], walls))
    return _Rows(*(np.concatenate(parts) if len(blocks) > 1 else parts[0] for parts in zip(*blocks, strict=True)))


def _range_ends(column: Column, walls: np.ndarray, entry: UnitEntry, probe: Probe) -> tuple[np.ndarray, np.ndarray]:
    """Values and one_sided: a value held at the end of the logger's range is "at or beyond"; HI and LO take the end's value."""
    value = np.asarray(column.values, dtype="float64")
    one_sided = np.zeros(len(value), "int8") if column.one_sided is None else np.asarray(column.one_sided, "int8")
    for here, limits in _ranges(entry, walls):
        ends = limits or probe.span_c
        if ends is None:
            continue
        low, high = ends
        top, bottom = np.isnan(value) & (one_sided > 0) & here, np.isnan(value) & (one_sided < 0) & here
        value = np.where(top, high, np.where(bottom, low, value)) if top.any() or bottom.any() else value
        if limits is not None:
            held = np.where(value >= high, 1, np.where(value <= low, -1, 0)).astype("int8")
            one_sided = np.where(here & (one_sided == 0), held, one_sided)
    return value, one_sided


def _ranges(entry: UnitEntry, walls: np.ndarray) -> list[tuple[np.ndarray, tuple[float, float] | None]]:
    """(rows, measuring range) of each of the logger's settings."""
    loggers = [entry.logger, *(logger for _, logger in entry.settings)]
    if len({logger.range_c for logger in loggers}) == 1:
        return [(np.ones(len(walls), bool), entry.logger.range_c)]
    since = np.array([when for when, _ in entry.settings], "M8[us]")
    number = np.searchsorted(since, walls, "right")
    return [(number == index, logger.range_c) for index, logger in enumerate(loggers)]


def _merge(rows: _Rows, entry: UnitEntry, name: str, sources: Sequence[Source]) -> tuple[pd.DataFrame, list[dict[str, Any]]]:
    """Each instant once: equal readings collapsed, readings at odds judged and told; readings without an instant only told."""
    order = np.arange(len(rows.time))
    nowhere = rows.time == NAT
    if nowhere.any():
        order = order[~nowhere]
    time = rows.time[order]
    if (np.diff(time) <= 0).any():
        order = order[np.argsort(time, kind="stable")]
        time = rows.time[order]
    fresh = np.concatenate(([True], np.diff(time) != 0)) if len(time) else np.zeros(0, bool)
    kept, at_odds = order, []
    if not fresh.all():
        kept, at_odds = _one_each(order, fresh, rows, entry.condition)
    index = pd.DatetimeIndex(rows.time[kept].view("M8[us]"), tz="UTC", name="time")
    value = rows.value[kept]
    readings = pd.DataFrame(
        {
            "as_read_c": value,
            "celsius": value.round(6),
            "u_c": np.full(len(kept), np.nan),
            "one_sided": rows.one_sided[kept],
            "clock_doubt_s": rows.doubt_s[kept],
            "source": rows.source[kept],
            "line": rows.line[kept].astype("int64", copy=False),
        },
        index=index,
    )
    at_odds += [(row, False, _no_instant(rows.shown[row])) for row in np.flatnonzero(nowhere).tolist()]
    return readings, _conflicts(rows, at_odds, entry.name, name, sources)


def _one_each(order: np.ndarray, fresh: np.ndarray, rows: _Rows, condition: Condition) -> tuple[np.ndarray, list[tuple[int, bool, str]]]:
    """The row kept for each instant, and (row, kept, why) of every row at odds; ``order`` sorted by time, files in order."""
    group = np.cumsum(fresh) - 1
    first = order[fresh]
    value = rows.value[order]
    leader = rows.value[first][group]
    differs = ~((value == leader) | (np.isnan(value) & np.isnan(leader)))
    if not differs.any():
        return first, []
    odd = np.isin(group, group[differs])
    unlike, number = _unlike(order[odd], group[odd], value[odd])
    beyond = _beyond(rows.value[unlike], condition)
    rank = np.lexsort((np.arange(len(unlike)), -beyond, number))
    unlike, number, beyond = unlike[rank], number[rank], beyond[rank]
    best = np.concatenate(([True], np.diff(number) != 0))
    kept = first.copy()
    kept[number[best]] = unlike[best]
    leaders = np.flatnonzero(best)[np.cumsum(best) - 1]
    even = (beyond == beyond[leaders]) & ~best
    told = zip(unlike.tolist(), best.tolist(), even.tolist(), np.isnan(rows.value[unlike]).tolist(), strict=True)
    return kept, [(row, keep, _why(keep, tie, empty)) for row, keep, tie, empty in told]


def _unlike(rows: np.ndarray, group: np.ndarray, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rows and groups with equal values of one group counted once, the first file's."""
    value = np.where(np.isnan(value), np.inf, value)
    rank = np.lexsort((np.arange(len(rows)), value, group))
    again = (np.diff(group[rank]) == 0) & (value[rank][1:] == value[rank][:-1])
    stay = np.sort(rank[np.concatenate(([True], ~again))])
    return rows[stay], group[stay]


def _beyond(value: np.ndarray, condition: Condition) -> np.ndarray:
    """Distance [°C] beyond the nearer limit (negative inside); no value is never further outside."""
    low, high = condition.limit_c("below"), condition.limit_c("above")
    above = np.full(len(value), -np.inf) if high is None else value - high
    below = np.full(len(value), -np.inf) if low is None else low - value
    distance = np.round(np.maximum(above, below), 6)
    return np.where(np.isnan(value), -np.inf, distance)


def _why(kept: bool, tie: bool, empty: bool) -> str:
    if kept:
        return "readings at odds at this time: this one lies further outside, or came first, and counts"
    if empty:
        return "another download has a value at this time; this one has none"
    return "as far outside as the reading that counts, but read later" if tie else "another reading at this time lies further outside and counts"


def _no_instant(shown: np.datetime64) -> str:
    return f"no sure instant: the clock showed {str(shown.astype('M8[s]')).replace('T', ' ')}, a local time that never was"


def _conflicts(rows: _Rows, at_odds: list[tuple[int, bool, str]], unit_name: str, probe: str, sources: Sequence[Source]) -> list[dict[str, Any]]:
    """Rows of CONTRACTS ``conflicts[]``, by (row, kept, why)."""
    at = np.array([row for row, _, _ in at_odds], dtype="int64")
    times = list(pd.DatetimeIndex(rows.time[at].view("M8[us]"), tz="UTC"))
    columns = zip(times, rows.value[at].tolist(), rows.source[at].tolist(), rows.line[at].tolist(), at_odds, strict=True)
    return [
        {
            "unit": unit_name, "probe": probe, "time": None if time is pd.NaT else time, "value_c": None if value != value else value,
            "file": sources[source].file, "line": line, "kept": keep, "why": why,
        }
        for time, value, source, line, (_, keep, why) in columns
    ]  # fmt: skip


# ---- channels, events, sources --------------------------------------------------------------------------------


def _channel(pieces: Sequence[Piece], files: Sequence[Placed], kind: str) -> pd.Series:
    """Another channel as a Series on UTC; where downloads overlap the first file's value stands."""
    times, values = [], []
    for position, column in pieces:
        at = slice(None) if column.rows is None else column.rows
        times.append(files[position].utc.asi8[at])
        values.append(np.asarray(column.values, "float64"))
    time, value = np.concatenate(times), np.concatenate(values)
    order = np.argsort(time, kind="stable")
    time, value = time[order], value[order]
    keep = np.concatenate(([True], np.diff(time) != 0)) & (time != NAT) if len(time) else np.zeros(0, bool)
    series = pd.Series(value[keep], index=pd.DatetimeIndex(time[keep].view("M8[us]"), tz="UTC", name="time"))
    series.attrs["kind"] = kind
    return series


def _strangers(position: int, parts: list[tuple[Probe, list[Piece]]]) -> list[str]:
    """Headers of a file's temperature columns that no probe of the register takes."""
    return [column.header for probe, pieces in parts if not probe.registered for file, column in pieces if file == position]


def _spanned(one: Placed, strangers: list[str]) -> Source:
    """The source with its first and last instant, its median step, and the columns that are not registered."""
    source = one.download.source
    if strangers:
        source = replace(source, layout={**source.layout, "not_registered": strangers})
    time = one.utc.asi8[one.utc.asi8 != NAT]
    if not len(time):
        return source
    if (np.diff(time) < 0).any():
        time = np.sort(time)
    steps = np.diff(time)
    steps = steps[steps > 0]
    first, last = (pd.Timestamp(int(value), unit="us", tz="UTC") for value in (time[0], time[-1]))
    return replace(source, first=first, last=last, interval_min=float(np.median(steps)) / 60e6 if len(steps) else None)


def _instant(one: Placed, shown: Any) -> pd.Timestamp | None:
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


def _events(files: Sequence[Placed]) -> tuple[dict[str, Any], ...]:
    """The loggers' own events of all files, each once, with UTC time, file and line."""
    seen: dict[tuple, dict[str, Any]] = {}
    for one in files:
        for event in one.download.source.events:
            time = _instant(one, event.get("time"))
            row = {"time": time, "kind": event.get("kind"), "text": event.get("text"), "file": one.download.source.file, "line": event.get("line")}
            key = (time, row["kind"], row["text"]) if time is not None else (row["file"], row["line"])
            seen.setdefault(key, row)
    return tuple(sorted(seen.values(), key=lambda row: (row["time"] is None, row["time"] or 0, row["file"], row["line"] or 0)))


# ---- notices --------------------------------------------------------------------------------------------------


def _told(one: Placed) -> list[dict[str, Any]]:
    """What the reader and the clock found in one file, with times in UTC and the file's name."""
    rows = []
    for notice in (*one.download.notices, *one.notices):
        row = {"kind": "clock", "probe": None, "readings": 0, **notice}
        row["start"], row["end"] = (_instant(one, row.get(key)) for key in ("start", "end"))
        row["text"] = f"{one.download.source.file}: {row['text']}"
        rows.append(row)
    return rows


def _span_notice(source: Source, text: str, *, kind: str = "clock", probe: str | None = None, readings: int | None = None) -> dict[str, Any]:
    return {"kind": kind, "probe": probe, "start": source.first, "end": source.last, "readings": source.read if readings is None else readings, "text": text}


def _two_loggers(probe: Probe, pieces: Sequence[Piece], files: Sequence[Placed], readings: pd.DataFrame) -> list[dict[str, Any]]:
    """A notice where loggers that ran side by side both give one probe of the register."""
    serials = _side_by_side(pieces, files)
    if not serials or not probe.registered or not len(readings):
        return []
    text = f"Loggers {' and '.join(repr(serial) for serial in serials)} ran at the same time and both give probe {probe.name}: its trace mixes their readings. Register one probe for each, or leave one file out."
    return [{"kind": "disagreement", "probe": probe.name, "start": readings.index[0], "end": readings.index[-1], "readings": len(readings), "text": text}]


def _other_serials(entry: UnitEntry, files: Sequence[Placed], sources: Sequence[Source]) -> list[dict[str, Any]]:
    """A notice for each file whose logger is none of the register's."""
    known = {logger.serial for logger in (entry.logger, *(logger for _, logger in entry.settings)) if logger.serial}
    named = ", ".join(f"'{serial}'" for serial in sorted(known))
    return [
        _span_notice(source, f"{source.file} comes from logger '{one.download.serial}', but the register names {named} for unit {entry.name}. Check that the file belongs to this unit.")
        for one, source in zip(files, sources, strict=True)
        if known and one.download.serial and one.download.serial not in known
    ]


def _other_years(sources: Sequence[Source], zone: str) -> list[dict[str, Any]]:
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
            year = str(local(pd.DatetimeIndex([source.first]), zone=zone)[0])[:4]
            text = f"{source.file} runs in {year}, far from all other files of the unit; with the year {int(year) + years[0]} it would join them. Check the year of the logger's clock."
            notices.append(_span_notice(source, text))
    return notices


def _apart_days(one: Source, other: Source, *, years: int = 0) -> float:
    """Days between the spans of two files, 0 where they overlap; the first one moved by whole years."""
    shift = pd.Timedelta(days=years * YEAR_DAYS)
    first, last = one.first + shift, one.last + shift
    return max((first - other.last) / pd.Timedelta(days=1), (other.first - last) / pd.Timedelta(days=1), 0.0)
