"""A unit's downloads put together: columns to probes, overlaps, readings at odds, other channels and events."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from coldchain_kit.base import KitError, zones
from coldchain_kit.downloads.joining import exchanged, stating
from coldchain_kit.downloads.joining.assign import Piece, assign
from coldchain_kit.downloads.joining.interleaved import candidates, resolved
from coldchain_kit.downloads.joining.notices import instant_of, interleaved_notices, interleaved_rows, later_than_made, moved_copies, other_serials, other_years, told, two_loggers
from coldchain_kit.downloads.joining.rows import Rows
from coldchain_kit.downloads.readers.download import Column, Placed
from coldchain_kit.model import Condition, ConflictRow, LoggerEvent, Notice, Probe, Source, Step, Trace, Unit, cadence, one_sided
from coldchain_kit.register import UnitEntry

NO_VALUE = 1e300  # stands for "no value" where values are sorted: no temperature, and not the infinity of a one-sided reading
STATES = ("declared", "proved", "not_verified")  # from known to unknown


def join(entry: UnitEntry, placed: Sequence[Placed], *, zone: str = "UTC") -> Unit:
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
    >>> from coldchain_kit.model import conditions
    >>> from coldchain_kit.downloads import Download
    >>> times = pd.DatetimeIndex(["2026-03-06 22:40", "2026-03-06 22:45"], tz="UTC").as_unit("us")
    >>> column = Column("A (°C)", "A", "temperature", np.array([4.0, 9.1]))
    >>> source = Source("F2.csv", "00", 2, 2, 0)
    >>> download = Download(source, times.tz_localize(None).to_numpy(), "utc", np.array([2, 3]), (column,))
    >>> entry = UnitEntry("F2", "refrigerator", "", conditions.get("refrigerated"))
    >>> twice = [Placed(download, times, np.zeros(2), np.zeros(2), "proved", "")] * 2
    >>> join(entry, twice).traces["A"].as_read_c.tolist()
    [4.0, 9.1]
    """
    if not placed:
        raise KitError(f"no download is given for unit {entry.name}", expected="at least one file of readings")
    files = sorted(placed, key=lambda one: (one.download.source.file, one.download.source.sha256))
    parts, channels = assign(entry, files)
    known: stating.Known = {}
    rhythms = {probe.name: stating.read(entry, files, [(at, column.rows) for at, column in pieces], zone=zone, known=known) for probe, pieces in parts}
    intervals: list[list[cadence.Cadence]] = [[] for _ in files]
    for (position, _), one in known.items():
        intervals[position].append(one)
    sources = tuple(_spanned(one, _strangers(position, parts) if entry.probes else [], intervals[position]) for position, one in enumerate(files))
    traces, as_read = {}, {}
    conflicts: list[ConflictRow[pd.Timestamp]] = []
    notices: list[Notice] = []
    times: np.ndarray | None = None
    pairs: list[tuple[int, int]] = []
    for probe, pieces in parts:
        rows = as_read[probe.name] = _stack(pieces, files, entry, probe)
        beyond_c = _beyond(rows.value, entry.condition)
        if times is None or not np.array_equal(rows.time, times):
            times, pairs = rows.time, candidates(rows)
        settled, together, odds = resolved(rows, beyond_c, pairs)
        readings, at_odds = _merge(settled, entry, probe.name, sources)
        at_odds += interleaved_rows(rows, beyond_c, odds, entry.name, probe.name, sources)
        step = Step("downloads.join", {"files": len(pieces)}, _version(), len(rows.time) - len(readings))
        traces[probe.name] = Trace(probe, readings, pd.DataFrame(index=readings.index), (step,), sources, rhythms[probe.name]).checked()
        conflicts += at_odds
        notices += two_loggers(probe, pieces, files, readings)
        notices += interleaved_notices(rows, together, odds, probe.name, sources)
        notices += moved_copies(rows, at_odds, probe.name, sources) if at_odds else []
    notices += exchanged.notices({probe.name: as_read[probe.name] for probe, _ in parts if probe.registered}, conflicts, sources)
    names = {id(column): probe.name for probe, pieces in parts for _, column in pieces}
    notices += [notice for one in files for notice in (*told(one, names), *later_than_made(one, zone))]
    notices += other_serials(entry, files, sources) + other_years(sources, zone)
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


# ---- one probe's readings -------------------------------------------------------------------------------------


def _stack(pieces: Sequence[Piece], files: Sequence[Placed], entry: UnitEntry, probe: Probe) -> Rows:
    blocks: list[tuple[np.ndarray, ...]] = []
    words = {"": 0}
    for position, column in pieces:
        one = files[position]
        at = slice(None) if column.rows is None else column.rows
        walls = one.download.time[at]
        value, side = _range_ends(column, walls, entry, probe)
        time = one.utc.asi8[at]
        said = np.zeros(len(time), "int32") if column.said is None else np.array([words.setdefault(text, len(words)) for text in column.said], "int32")
        blocks.append((time, value, side, one.doubt_s[at], np.full(len(time), position, "int16"), one.download.line[at], walls, said, _likely(one, at, len(time))))
    time, value, side, doubt_s, source, line, walls, said, likely = (np.concatenate(parts) if len(blocks) > 1 else parts[0] for parts in zip(*blocks, strict=True))
    return Rows(time, value, side, doubt_s, source, line, walls, said, tuple(words), likely)


def _likely(one: Placed, at: slice | np.ndarray, count: int) -> np.ndarray:
    return np.full(count, zones.NAT) if one.likely_us is None else one.likely_us[at]


def _range_ends(column: Column, walls: np.ndarray, entry: UnitEntry, probe: Probe) -> tuple[np.ndarray, np.ndarray]:
    """Values [°C] and sides (CONTRACTS rule 9): the value of a one-sided reading is its bound, infinite on its side without one.

    The bound is the cell's own figure, else the end of the declared range: the logger's, else the sensor's. A value held at
    that end (of the logger's: or beyond it) is one-sided, too.
    """
    value = np.asarray(column.values, dtype="float64")
    side = np.zeros(len(value), "int8") if column.one_sided is None else np.asarray(column.one_sided, "int8")
    for here, limits in _ranges(entry, walls):
        ends = limits or probe.span_c
        if ends is None:
            continue
        low, high = ends
        top, bottom = (value >= high - 1e-9, value <= low + 1e-9) if limits else (value == high, value == low)
        held = np.where(top, 1, np.where(bottom, -1, 0)).astype("int8")
        bare = here & np.isnan(value) & (side != 0)
        side = np.where(here & (side == 0), held, side)
        value = np.where(bare, np.where(side > 0, high, low), value) if bare.any() else value
    open_end = np.isnan(value) & (side != 0)
    return (np.where(open_end, np.copysign(np.inf, side), value) if open_end.any() else value), side


def _ranges(entry: UnitEntry, walls: np.ndarray) -> list[tuple[np.ndarray, tuple[float, float] | None]]:
    """(rows, measuring range) of each of the logger's settings."""
    loggers = [entry.logger, *(logger for _, logger in entry.settings)]
    if len({logger.range_c for logger in loggers}) == 1:
        return [(np.ones(len(walls), bool), entry.logger.range_c)]
    since = np.array([when for when, _ in entry.settings], "M8[us]")
    number = np.searchsorted(since, walls, "right")
    return [(number == index, logger.range_c) for index, logger in enumerate(loggers)]


def _merge(rows: Rows, entry: UnitEntry, name: str, sources: Sequence[Source]) -> tuple[pd.DataFrame, list[ConflictRow[pd.Timestamp]]]:
    """Each instant once: equal readings collapsed, readings at odds judged and told.

    A reading at a local time that never was has no sure instant and is told; it counts all the same, at the instant that its time
    means to a clock which did not go forward, so that no hour outside is lost with the hour that was left out.
    """
    order = np.arange(len(rows.time))
    unsure = np.flatnonzero(rows.time == zones.NAT)
    if len(unsure):
        rows = replace(rows, time=np.where(rows.time == zones.NAT, rows.likely, rows.time))
    nowhere = rows.time == zones.NAT
    if nowhere.any():
        order = order[~nowhere]
    time = rows.time[order]
    if (np.diff(time) <= 0).any():
        order = order[np.argsort(time, kind="stable")]
        time = rows.time[order]
    fresh = np.concatenate(([True], np.diff(time) != 0)) if len(time) else np.zeros(0, bool)
    kept = order
    at_odds: list[tuple[int, bool, str]] = []
    if not fresh.all():
        kept, at_odds = _one_each(order, fresh, rows, entry.condition)
    index = pd.DatetimeIndex(rows.time[kept].view("M8[us]"), tz="UTC", name="time")
    value, side = rows.value[kept], rows.one_sided[kept]
    number = np.where(side == 0, value, np.nan)
    readings = pd.DataFrame(
        {
            "as_read_c": number,
            "celsius": number.round(6),
            "u_c": np.full(len(kept), np.nan),
            "one_sided": side,
            "bound_c": np.where((side != 0) & np.isfinite(value), value, np.nan).round(6),
            "text": pd.Categorical.from_codes(rows.said[kept], pd.Index(rows.words)),
            "clock_doubt_s": rows.doubt_s[kept],
            "source": rows.source[kept],
            "line": rows.line[kept].astype("int64", copy=False),
        },
        index=index,
    )
    counted = set(kept.tolist())
    at_odds = [one for one in at_odds if one[0] not in set(unsure.tolist())] + [(row, row in counted, _no_instant(rows.shown[row])) for row in unsure.tolist()]
    rows.time[unsure] = zones.NAT
    return readings, _conflicts(rows, at_odds, entry.name, name, sources)


def _one_each(order: np.ndarray, fresh: np.ndarray, rows: Rows, condition: Condition) -> tuple[np.ndarray, list[tuple[int, bool, str]]]:
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
    value = np.where(np.isnan(value), NO_VALUE, value)
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


def _conflicts(rows: Rows, at_odds: list[tuple[int, bool, str]], unit_name: str, probe: str, sources: Sequence[Source]) -> list[ConflictRow[pd.Timestamp]]:
    """Rows of CONTRACTS ``conflicts[]``, by (row, kept, why)."""
    at = np.array([row for row, _, _ in at_odds], dtype="int64")
    times = list(pd.DatetimeIndex(rows.time[at].view("M8[us]"), tz="UTC"))
    sides = zip(rows.one_sided[at].tolist(), (rows.words[code] for code in rows.said[at].tolist()), strict=True)
    columns = zip(times, rows.value[at].tolist(), sides, rows.source[at].tolist(), rows.line[at].tolist(), at_odds, strict=True)
    return [
        {
            "unit": unit_name, "probe": probe, "time": None if time is pd.NaT else time, "value_c": value if np.isfinite(value) else None,
            "one_sided": one_sided.WORDS.get(side), "text": said or None, "file": sources[source].file, "line": line, "kept": keep, "why": why,
        }
        for time, value, (side, said), source, line, (_, keep, why) in columns
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
    keep = np.concatenate(([True], np.diff(time) != 0)) & (time != zones.NAT) if len(time) else np.zeros(0, bool)
    series = pd.Series(value[keep], index=pd.DatetimeIndex(time[keep].view("M8[us]"), tz="UTC", name="time"))
    series.attrs["kind"] = kind
    return series


def _strangers(position: int, parts: list[tuple[Probe, list[Piece]]]) -> list[str]:
    """Headers of a file's temperature columns that no probe of the register takes."""
    found = []
    for _, pieces in (part for part in parts if not part[0].registered):
        for file, column in pieces[bisect_left(pieces, position, key=lambda piece: piece[0]) :]:
            if file != position:
                break
            found.append(column.header)
    return found


def _spanned(one: Placed, strangers: list[str], rhythms: Sequence[cadence.Cadence]) -> Source:
    """The source with its first and last instant, its interval in force where it has one, and the columns that are not registered."""
    source = one.download.source
    if strangers:
        source = replace(source, layout={**source.layout, "not_registered": strangers})
    time = one.utc.asi8[one.utc.asi8 != zones.NAT]
    if not len(time):
        return source
    first, last = (pd.Timestamp(int(value), unit="us", tz="UTC") for value in (time.min(), time.max()))
    every = {rhythm.one_min for rhythm in rhythms}
    return replace(source, first=first, last=last, interval_min=every.pop() if len(every) == 1 else None)


def _events(files: Sequence[Placed]) -> tuple[LoggerEvent, ...]:
    """The loggers' own events of all files, each once, with UTC time, file and line."""
    seen: dict[tuple[object, ...], LoggerEvent] = {}
    for one in files:
        for event in one.download.source.events:
            time = instant_of(one, event.get("time"))
            row: LoggerEvent = {"time": time, "kind": event["kind"], "text": event["text"], "file": one.download.source.file, "line": event["line"]}
            key = (time, row["kind"], row["text"]) if time is not None else (row["file"], row["line"])
            seen.setdefault(key, row)
    return tuple(sorted(seen.values(), key=lambda row: (row["time"] is None, row["time"] or 0, row["file"], row["line"] or 0)))


# ---- notices --------------------------------------------------------------------------------------------------
