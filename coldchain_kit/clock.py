"""Instants: what a logger's clock showed, turned into UTC, with what is known and what is doubtful about it.

A shown time may mean two instants (the repeated hour in autumn, a clock set back by hand) or none (the
hour left out in spring). Order and cadence of the file decide where they can; where they cannot, the
reading keeps the first meaning with a stated doubt, or has no instant at all (NaT).

Zone rules come from the tz database that is installed with the kit, never from the operating system.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from coldchain_kit.cadence import Finding, jumps, settle, streams
from coldchain_kit.readers.download import Download, Placed
from coldchain_kit.register import Logger, UnitEntry
from coldchain_kit.zones import NAT, SECOND_US, database, instants, local, micros, offsets_of, rules, shown, tz_version

__all__ = ["database", "instants", "local", "place", "shown", "tz_version"]

HOUR_US = 3600 * SECOND_US
DAY_US = 24 * HOUR_US
NEVER_SET_DAYS = 3 * 365.25  # this long before every date of the register: the clock was never set (own rule, no source)
WHOLE_HOURS_S = 300.0  # a check this close to whole hours shows a wrong setting, not drift (own rule, no source)


# ---- the clock as registered ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Clock:
    """One way in which the clock ran: from an instant on [µs UTC], following the zone or at one offset [µs]."""

    since: int
    offset: int | None  # None: follows the zone
    declared: bool
    logger: Logger
    checks: tuple[tuple[dt.datetime, dt.datetime], ...]
    text: str


def _instant_of(wall: dt.date, zone: str, *, hour: int = 0) -> int:
    """µs UTC of a local time or of an hour of a local date; a repeated time counts as its first pass."""
    full = wall if isinstance(wall, dt.datetime) else dt.datetime.combine(wall, dt.time(hour))
    return int(instants(np.array([full], "M8[us]"), zone=zone)[0].view("int64")[0])


def _offset_on(day: dt.date, zone: str) -> int:
    """Offset [µs] in force at a local time; of a bare date at noon, when people set clocks."""
    instant = np.array([_instant_of(day, zone, hour=12)])
    since, offsets = rules(zone, instant)
    return int(offsets[np.searchsorted(since, instant[0], "right") - 1])


def _say(offset: int) -> str:
    minutes = abs(offset) // (60 * SECOND_US)
    return f"{'-' if offset < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"


def _clock(logger: Logger, since: int, started: dt.date, checks: tuple, zone: str, *, first: bool) -> _Clock:
    """The clock that a logger's settings describe; ``started``: when these settings began, or the first reading."""
    word = logger.clock
    if word is None or word == "local":
        text = f"The register says that the clock follows {zone}." if word else "The register does not say how the clock runs: clock not verified."
        return _Clock(since, None, word is not None, logger, checks, text)
    if word == "utc":
        return _Clock(since, 0, True, logger, checks, "The register says that the clock shows UTC.")
    if word == "as_set":
        known = logger.set_on is not None or not first
        offset = _offset_on(logger.set_on or started, zone)
        text = f"The register says that the clock keeps the offset of the day it was set ({_say(offset)})"
        text += "." if known else ", but not which day: the first reading's day is taken, clock not verified."
        return _Clock(since, offset, known, logger, checks, text)
    hours, minutes = word[1:].split(":")
    offset = (int(hours) * 60 + int(minutes)) * 60 * SECOND_US * (-1 if word[0] == "-" else 1)
    return _Clock(since, offset, True, logger, checks, f"The register says that the clock runs at {word} from UTC.")


def _clocks(entry: UnitEntry, zone: str, begun: dt.datetime) -> list[_Clock]:
    """Every clock the register tells of, oldest first; settings that leave the clock alone do not part it."""
    stretches: list[tuple[dt.datetime | None, list[Logger]]] = [(None, [entry.logger])]
    for since, logger in entry.settings:
        last = stretches[-1][1][-1]
        if (logger.clock, logger.set_on, logger.serial) == (last.clock, last.set_on, last.serial):
            stretches[-1][1].append(logger)
        else:
            stretches.append((since, [logger]))
    ends = [since for since, _ in stretches[1:]] + [None]
    clocks = []
    for (since, loggers), end in zip(stretches, ends, strict=True):
        checks = sorted({pair for logger in loggers for pair in logger.clock_checks if (since is None or pair[0] > since) and (end is None or pair[0] <= end)})
        start = NAT if since is None else _instant_of(since, zone)
        clocks.append(_clock(loggers[0], start, since or begun, tuple(checks), zone, first=since is None))
    return clocks


def _offsets(walls: np.ndarray, clock: _Clock, zone: str) -> tuple[np.ndarray, np.ndarray]:
    if clock.offset is None:
        return offsets_of(walls, zone)
    same = np.full(len(walls), clock.offset)
    return same, same


def _meanings(walls: np.ndarray, clocks: list[_Clock], zone: str) -> tuple[np.ndarray, np.ndarray]:
    """Offsets [µs] for the earlier and the later instant each time may mean, over all clocks (earlier < later: never shown)."""
    early, late = _offsets(walls, clocks[0], zone)
    for clock in clocks[1:]:
        new_early, new_late = _offsets(walls, clock, zone)
        new = walls - new_late >= clock.since
        old = walls - early < clock.since
        early, late = np.where(new & ~old, new_early, early), np.where(new, new_late, late)
    return early, late


# ---- drift ----------------------------------------------------------------------------------------------------


def _knots(clock: _Clock, zone: str) -> list[tuple[int, int]]:
    """(time by the clock [µs UTC], true minus shown [µs]) of each check, oldest first."""
    rows = []
    for true, display in clock.checks:
        wall = np.array([display], "M8[us]")
        offset = int(_offsets(micros(wall), clock, zone)[0][0])
        at = int(micros(wall)[0]) - offset
        rows.append((at, _instant_of(true, zone) - at))
    return sorted(dict(rows).items())


def _whole_hours(correction: int) -> int:
    """The part of a correction [µs] that is a wrong setting by whole hours."""
    hours = round(correction / HOUR_US) * HOUR_US
    return hours if abs(correction - hours) <= WHOLE_HOURS_S * SECOND_US else 0


def _drift(utc: np.ndarray, clock: _Clock, zone: str) -> tuple[np.ndarray, np.ndarray, str]:
    """Correction and doubt [µs] of instants from the clock's checks: straight between checks, held beyond them.

    Doubt: how well a check was read (1 min where no seconds are given, else 1 s), and the distance to the nearer check's
    correction; beyond the last check the drift so far goes on into the doubt, before the first the whole correction.
    """
    knots = _knots(clock, zone)
    at, value = (np.array(part) for part in zip(*knots, strict=True))
    hours = np.array([_whole_hours(part) for part in value.tolist()])
    nearest = np.searchsorted((at[1:] + at[:-1]) / 2, utc)
    unsure = np.where((utc > at[0]) & (utc < at[-1]), np.ptp(hours), 0)
    value = value - hours
    if clock.logger.set_on is not None and (start := _instant_of(clock.logger.set_on, zone)) < at[0]:
        at, value = np.concatenate(([start], at)), np.concatenate(([0], value))
    fit = np.interp(utc, at, value)
    left = np.clip(np.searchsorted(at, utc, "right") - 1, 0, len(at) - 1)
    right = np.minimum(left + 1, len(at) - 1)
    doubt = np.minimum(np.abs(fit - value[left]), np.abs(fit - value[right]))
    grown = abs(value[-1] - value[-2]) / (at[-1] - at[-2]) * (utc - at[-1]) if len(at) > 1 else abs(value[-1])
    doubt = np.where(utc > at[-1], grown, np.where(utc < at[0], abs(value[0]), doubt))
    read = (60 if all(time.second == 0 for pair in clock.checks for time in pair) else 1) * SECOND_US
    correction = np.rint(fit).astype("int64") + hours[nearest]
    return correction, np.rint(doubt).astype("int64") + unsure + read, _drift_text(correction, clock, after=bool((utc > at[-1]).any()), zone=zone)


def _drift_text(correction: np.ndarray, clock: _Clock, *, after: bool, zone: str) -> str:
    times, last = len(clock.checks), max(true for true, _ in clock.checks)
    text = f"The clock was checked {times} time{'s' if times > 1 else ''}: times are corrected by {_seconds(correction)}, straight between checks."
    if after:
        moment = shown(pd.Timestamp(_instant_of(last, zone), unit="us", tz="UTC"), zone=zone)
        text += f" After the last check, {moment}, the correction is held: an extrapolation."
    return text


def _seconds(correction: np.ndarray) -> str:
    low, high = (round(float(value) / SECOND_US) for value in (correction.min(), correction.max()))
    return f"{low:+d} s" if low == high else f"{low:+d} s to {high:+d} s"


# ---- findings in words ----------------------------------------------------------------------------------------


def _first_date(entry: UnitEntry) -> dt.date | None:
    """The earliest date that the register knows of this unit."""
    loggers = [entry.logger, *(logger for _, logger in entry.settings)]
    dates = [since for since, _ in entry.settings]
    dates += [logger.set_on for logger in loggers if logger.set_on] + [true for logger in loggers for true, _ in logger.clock_checks]
    dates += [day for probe in entry.probes.values() for paper in probe.certificates for day in (paper.date, paper.valid_from) if day]
    days = [day.date() if isinstance(day, dt.datetime) else day for day in dates]
    return min(days, default=None)


def _never_set(utc: np.ndarray, entry: UnitEntry, doubt: np.ndarray) -> list[Finding]:
    """Rows long before every date of the register, or of a record from before 2000; the distance becomes doubt (in place)."""
    first = _first_date(entry)
    known = utc != NAT
    if first is not None:
        limit = (first - dt.date(1970, 1, 1)).days * DAY_US
        early = known & (utc < limit - NEVER_SET_DAYS * DAY_US)
        doubt[early] = np.maximum(doubt[early], limit - utc[early])
    else:
        early = known & (utc < np.datetime64("2000-01-02", "us").astype("int64"))
    return [("unset", "" if first is None else first.isoformat(), np.flatnonzero(early))] if early.any() else []


def _text(code: str, detail: str, start: str, end: str, count: int, zone: str) -> str:
    """One finding as plain sentences."""
    rows = f"{count} reading{'s' if count != 1 else ''}"
    span = f"from {start} to {end}" if start != end else f"at {start}"
    if code == "never":
        return (
            f"{rows} {span} (as shown) stand in an hour that was left out when the clocks went forward in {zone}. These times never were, so the readings have no "
            "sure instant and stand in the conflicts. The clock did not go forward: times after them may be an hour late. Correct the clock in the register."
        )
    if code == "once":
        return (
            f"The hour {span} happened twice in {zone}, but the record shows it once, without a gap: the clock did not go back. "
            "Times from there on may be an hour early. Correct the clock in the register."
        )
    if code == "either":
        return f"{rows} {span} could be from the first or the second pass of the repeated hour. The first pass is taken; the doubt stands on each reading."
    if code == "mixed":
        return f"{rows} {span} belong to the repeated hour, but not in an order that tells the passes apart. The doubt stands on each reading."
    if code == "order":
        return f"The times of the file run backward again and again, first near {start}. The readings are put in order of time; check how the file was made."
    if code == "unset":
        before = f"long before {detail}, the first date that the register knows of this unit" if detail else "before 2000"
        return f"{rows} {span} lie {before}. It looks as if the clock was never set, or started again: how late these times are is not known."
    if code == "hours":
        return f"A check of the clock shows that it was set wrong by {detail}. The times are corrected by that."
    last, first, size = (int(part) for part in detail.split())
    jump = f"from {shown(pd.Timestamp(last, unit='us', tz='UTC'), zone=zone)} to {shown(pd.Timestamp(first, unit='us', tz='UTC'), zone=zone)}"
    if size > DAY_US:
        return f"In the order of the file the clock jumps back {jump}, as after a change of battery. The readings after the jump were taken later than those before it; how much later is not known."
    hours = size / HOUR_US
    by = f"{hours:.0f} h" if abs(hours - round(hours)) * 60 < 1 and hours >= 0.9 else f"{size / 60 / SECOND_US:.0f} min"
    return f"In the order of the file the clock jumps back by {by}, {jump}; this is no change of summer time in {zone}. The clock was set back, or set wrong before: {rows} on both sides of the jump are in doubt by {by}."


def _notices(findings: Iterable[Finding], utc: np.ndarray, walls: np.ndarray, zone: str) -> tuple[dict, ...]:
    """Findings of all sensors, equal ones as one, in order of time."""
    merged: dict[tuple[str, str, str], list[np.ndarray]] = {}
    for code, detail, rows in findings:
        day = "" if detail else str(walls[rows].min() // DAY_US)
        merged.setdefault((code, detail, day), []).append(rows)
    notices = []
    for (code, detail, _), parts in merged.items():
        rows = np.unique(np.concatenate(parts))
        at = utc[rows][utc[rows] != NAT]
        start, end = (pd.Timestamp(int(value), unit="us", tz="UTC") for value in ((at.min(), at.max()) if len(at) else (walls[rows].min(), walls[rows].max())))
        plain = [str(np.datetime64(int(value), "us").astype("M8[s]")).replace("T", " ")[: 19 if value % (60 * SECOND_US) else 16] for value in (walls[rows].min(), walls[rows].max())]
        words = plain if code in ("never", "once", "either", "mixed") else [shown(start, zone=zone), shown(end, zone=zone)]
        notices.append({"kind": "clock", "start": start, "end": end, "readings": len(rows), "text": _text(code, detail, *words, len(rows), zone)})
    return tuple(sorted(notices, key=lambda row: (row["start"], row["end"], row["text"])))


# ---- the one call ---------------------------------------------------------------------------------------------


def place(download: Download, entry: UnitEntry, *, zone: str) -> Placed:
    """Give each row of a download its instant.

    Parameters
    ----------
    download : Download
        As a reader made it; ``time`` as shown, in the file's order.
    entry : UnitEntry
        The register's unit: how the clock runs, since when, and its checks.
    zone : str
        The site's IANA zone.

    Returns
    -------
    Placed
        ``utc`` with NaT for rows without a sure instant; ``doubt_s`` and ``offset_s`` [s] for each row.

    Examples
    --------
    >>> from coldchain_kit import conditions
    >>> from coldchain_kit.readers.download import Column
    >>> from coldchain_kit.trace import Source
    >>> times = np.array(["2026-07-06T22:40", "2026-07-06T22:45"], "M8[us]")
    >>> column = Column("A (°C)", "A", "temperature", np.array([4.0, 4.1]))
    >>> download = Download(Source("F2.csv", "", 2, 2, 0), times, "wall", np.array([2, 3]), (column,))
    >>> entry = UnitEntry("F2", "refrigerator", "", conditions.get("refrigerated"), logger=Logger(clock="local"))
    >>> placed = place(download, entry, zone="Europe/Lisbon")
    >>> str(placed.utc[0]), placed.state
    ('2026-07-06 21:40:00+00:00', 'declared')
    """
    walls, sensors = micros(download.time), streams(download)
    begun = _first_wall(walls, sensors)
    clocks = _clocks(entry, zone, begun)
    if download.time_kind == "utc":
        reading = _Reading(walls.copy(), np.zeros(len(walls), "int64"), [], "proved", ["The file gives its offset from UTC."])
    else:
        clocks, reading = _by_clocks(walls, sensors, clocks, begun, zone)
    reading.findings.extend(_never_set(reading.utc, entry, reading.doubt))
    for rows in sensors:
        _mark_jumps(reading, rows)
    correction, more_doubt, found, texts = _corrected(reading.utc, clocks, zone)
    known = reading.utc != NAT
    utc = np.where(known, reading.utc + correction, NAT)
    return Placed(
        download=download,
        utc=pd.DatetimeIndex(utc.view("M8[us]"), tz="UTC"),
        doubt_s=(reading.doubt + more_doubt) / SECOND_US,
        offset_s=np.where(known, (utc - walls) / SECOND_US, np.nan),
        state=reading.state,
        text=" ".join([*reading.texts, *texts]),
        notices=_notices([*reading.findings, *found], utc, walls, zone),
    )


@dataclass(frozen=True)
class _Reading:
    """Instants [µs UTC, NaT where the clock cannot have shown the time] before drift, their doubt [µs] and what is to say."""

    utc: np.ndarray
    doubt: np.ndarray
    findings: list[Finding]
    state: str
    texts: list[str]


def _first_wall(walls: np.ndarray, sensors: list[np.ndarray]) -> dt.datetime:
    first = min((int(walls[rows[0]]) for rows in sensors), default=0)
    return dt.datetime(1970, 1, 1) + dt.timedelta(microseconds=first)


def _by_clocks(walls: np.ndarray, sensors: list[np.ndarray], clocks: list[_Clock], begun: dt.datetime, zone: str) -> tuple[list[_Clock], _Reading]:
    """Read shown times by the register's clocks, or, where it says nothing, by the clock that the record itself proves."""
    utc, doubt, findings, proof = _settled(walls, sensors, clocks, zone)
    silent = len(clocks) == 1 and clocks[0].offset is None and not clocks[0].declared
    if silent and proof == {"keeps"}:
        offset = _offset_on(begun, zone)
        text = f"The record proves that the clock kept one offset through a change of summer time; that of its first day is taken ({_say(offset)})."
        clocks = [_Clock(NAT, offset, True, clocks[0].logger, clocks[0].checks, text)]
        utc, doubt, findings, _ = _settled(walls, sensors, clocks, zone)
        return clocks, _Reading(utc, doubt, findings, "proved", [text])
    state, texts = _verdict(clocks, proof, utc, zone)
    return clocks, _Reading(utc, doubt, findings, state, texts)


def _settled(walls: np.ndarray, sensors: list[np.ndarray], clocks: list[_Clock], zone: str) -> tuple[np.ndarray, np.ndarray, list[Finding], set[str]]:
    early, late = _meanings(walls, clocks, zone)
    utc, doubt = np.where(walls == NAT, NAT, walls - early), np.zeros(len(walls), "int64")
    findings: list[Finding] = []
    proof: set[str] = set()
    for rows in sensors:
        settled = settle(walls[rows], early[rows], late[rows], rows)
        utc[rows], doubt[rows] = walls[rows] - settled.offset, settled.doubt
        findings += settled.findings
        proof |= settled.proof
    utc[early < late] = NAT
    return utc, doubt, findings, proof


def _mark_jumps(reading: _Reading, rows: np.ndarray) -> None:
    """Backward steps of one sensor, leaving out rows without an instant or without a known order."""
    mixed = [found for code, _, found in reading.findings if code == "mixed"]
    rows = rows[reading.utc[rows] != NAT]
    rows = rows[~np.isin(rows, np.concatenate(mixed))] if mixed else rows
    doubt = reading.doubt[rows]
    reading.findings.extend(jumps(reading.utc[rows], rows, doubt))
    reading.doubt[rows] = doubt


def _verdict(clocks: list[_Clock], proof: set[str], utc: np.ndarray, zone: str) -> tuple[str, list[str]]:
    """State and sentences: what the register says against what the record proves."""
    known = utc[utc != NAT]
    ends = [*(clock.since for clock in clocks[1:]), np.iinfo("int64").max]
    used = [clock for clock, end in zip(clocks, ends, strict=True) if len(known) and clock.since <= known.max() and end > known.min()] or clocks[:1]
    texts = list(dict.fromkeys(clock.text for clock in used))
    if "keeps" in proof:
        return "not_verified", [*texts, "The record shows otherwise: the clock did not change with summer time. Clock not verified."]
    if all(clock.declared for clock in used):
        return "declared", texts
    if "follows" in proof and len(used) == 1:
        return "proved", [f"The record proves that the clock follows {zone}: it changed with summer time."]
    return "not_verified", texts


def _corrected(utc: np.ndarray, clocks: list[_Clock], zone: str) -> tuple[np.ndarray, np.ndarray, list[Finding], list[str]]:
    """Correction and doubt [µs] for each row from the checks of the clock in force, with findings and sentences."""
    correction, doubt = np.zeros(len(utc), "int64"), np.zeros(len(utc), "int64")
    findings: list[Finding] = []
    texts: list[str] = []
    ends = [*(clock.since for clock in clocks[1:]), np.iinfo("int64").max]
    for clock, end in zip(clocks, ends, strict=True):
        here = np.flatnonzero((utc != NAT) & (utc >= clock.since) & (utc < end))
        if not clock.checks or not len(here):
            continue
        correction[here], doubt[here], text = _drift(utc[here], clock, zone)
        texts.append(text)
        for hours in sorted({_whole_hours(value) for _, value in _knots(clock, zone)} - {0}):
            findings.append(("hours", f"{abs(hours) // HOUR_US} h ({'behind' if hours > 0 else 'ahead of'} the true time)", here))
    return correction, doubt, findings, texts
