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

from coldchain_kit.base import zones
from coldchain_kit.downloads.clock.cadence import Finding, jumps, settle, streams
from coldchain_kit.downloads.clock.works import HOUR_US, Clock, clocks_of, correct_drift, meanings, offset_on, offset_text
from coldchain_kit.downloads.readers.download import Download, Placed
from coldchain_kit.model import Notice
from coldchain_kit.register import UnitEntry

__all__ = ["database", "instants", "local", "place", "shown", "tz_version"]

DAY_US = 24 * HOUR_US
NEVER_SET_DAYS = 3 * 365.25  # this long before every date of the register: the clock was never set (own rule, no source)


# ---- findings in words ----------------------------------------------------------------------------------------


def _first_date(entry: UnitEntry) -> dt.date | None:
    """The earliest date that the register knows of this unit."""
    loggers = [entry.logger, *(logger for _, logger in entry.settings)]
    dates: list[dt.date] = [since for since, _ in entry.settings]
    dates += [logger.set_on for logger in loggers if logger.set_on] + [true for logger in loggers for true, _ in logger.clock_checks]
    dates += [day for probe in entry.probes.values() for paper in probe.certificates for day in (paper.date, paper.valid_from) if day]
    days = [day.date() if isinstance(day, dt.datetime) else day for day in dates]
    return min(days, default=None)


def _never_set(utc: np.ndarray, entry: UnitEntry, doubt: np.ndarray) -> list[Finding]:
    """Rows long before every date of the register, or of a record from before 2000; the distance becomes doubt (in place)."""
    first = _first_date(entry)
    known = utc != zones.NAT
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
            "sure instant and stand in the conflicts. The clock did not go forward: the times given to later readings may be an hour too early. Correct the clock in the register."
        )
    if code == "once":
        return (
            f"The hour {span} happened twice in {zone}, but the record shows it once, without a gap: the clock did not go back. "
            "The times given to later readings may be an hour too late. Correct the clock in the register."
        )
    if code == "either":
        return f"{rows} {span} could be from the first or the second pass of the repeated hour. The pass that leaves fewer readings out is taken, else the first; the doubt stands on each reading."
    if code == "mixed":
        return f"{rows} {span} belong to the repeated hour, but not in an order that tells the passes apart. The doubt stands on each reading."
    if code == "order":
        return f"The times of the file run backward again and again, first near {start}. The readings are put in order of time; check how the file was made."
    if code == "unset":
        before = f"long before {detail}, the first date that the register knows of this unit" if detail else "before 2000"
        return f"{rows} {span} lie {before}. It looks as if the clock was never set, or started again: how late these times are is not known."
    if code == "set":
        return f"{rows} {span} (as shown) could be from before or after the clock was set by hand. The time before is taken; the doubt stands on each reading."
    if code == "against":
        return f"{detail} The record shows otherwise: it changes its hour just when {zone} does. The clock follows the zone; times may be an hour off. Correct the clock in the register."
    if code == "hours":
        return f"A check of the clock shows that it was set wrong by {detail}. The times are corrected by that."
    last, first, size = (int(part) for part in detail.split())
    jump = f"from {zones.shown(pd.Timestamp(last, unit='us', tz='UTC'), zone=zone)} to {zones.shown(pd.Timestamp(first, unit='us', tz='UTC'), zone=zone)}"
    if size > DAY_US:
        return f"In the order of the file the clock jumps back {jump}, as after a change of battery. The readings after the jump were taken later than those before it; how much later is not known."
    hours = size / HOUR_US
    by = f"{hours:.0f} h" if abs(hours - round(hours)) * 60 < 1 and hours >= 0.9 else f"{size / 60 / zones.SECOND_US:.0f} min"
    return f"In the order of the file the clock jumps back by {by}, {jump}. The clock was set back, or set wrong before: {rows} on both sides of the jump are in doubt by {by}."


def _wall_text(wall: int) -> str:
    text = str(np.datetime64(wall, "us").astype("M8[s]")).replace("T", " ")
    return text if wall % (60 * zones.SECOND_US) else text[:16]


def _notices(findings: Iterable[Finding], utc: np.ndarray, walls: np.ndarray, zone: str) -> tuple[Notice, ...]:
    """Findings of all sensors, equal ones as one, in order of time."""
    merged: dict[tuple[str, str, str], list[np.ndarray]] = {}
    for code, detail, rows in findings:
        day = "" if detail else str(walls[rows].min() // DAY_US)
        merged.setdefault((code, detail, day), []).append(rows)
    notices: list[Notice] = []
    for (code, detail, _), parts in merged.items():
        rows = np.unique(np.concatenate(parts))
        before, after = zones.offsets_of(walls[rows], zone)
        at = np.where(utc[rows] == zones.NAT, walls[rows] - before, utc[rows])
        start, end = (pd.Timestamp(int(value), unit="us", tz="UTC") for value in (at.min(), at.max()))
        plain = [_wall_text(int(value)) for value in (walls[rows].min(), walls[rows].max())]
        if code in ("once", "either", "mixed") and not (before > after).any():
            code = "set"
        first, last = plain if code in ("never", "once", "either", "mixed", "set") else [zones.shown(start, zone=zone), zones.shown(end, zone=zone)]
        notices.append({"kind": "clock", "start": start, "end": end, "readings": len(rows), "text": _text(code, detail, first, last, len(rows), zone)})
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
    >>> from coldchain_kit.model import conditions
    >>> from coldchain_kit.downloads import Column
    >>> from coldchain_kit.register import Logger
    >>> from coldchain_kit.model import Source
    >>> times = np.array(["2026-07-06T22:40", "2026-07-06T22:45"], "M8[us]")
    >>> column = Column("A (°C)", "A", "temperature", np.array([4.0, 4.1]))
    >>> download = Download(Source("F2.csv", "", 2, 2, 0), times, "wall", np.array([2, 3]), (column,))
    >>> entry = UnitEntry("F2", "refrigerator", "", conditions.get("refrigerated"), logger=Logger(clock="local"))
    >>> placed = place(download, entry, zone="Europe/Lisbon")
    >>> str(placed.utc[0]), placed.state
    ('2026-07-06 21:40:00+00:00', 'declared')
    """
    walls, sensors = zones.micros(download.time), streams(download)
    begun = _first_wall(walls, sensors)
    clocks = clocks_of(entry, zone, begun)
    if download.time_kind == "utc":
        reading = _Reading(walls.copy(), np.zeros(len(walls), "int64"), [], "proved", ["The file gives its offset from UTC."])
    else:
        clocks, reading = _by_clocks(walls, sensors, clocks, begun, zone)
    reading.findings.extend(_never_set(reading.utc, entry, reading.doubt))
    for rows in sensors:
        _mark_jumps(reading, rows)
    correction, more_doubt, found, texts = correct_drift(reading.utc, clocks, zone)
    known = reading.utc != zones.NAT
    utc = np.where(known, reading.utc + correction, zones.NAT)
    return Placed(
        download=download,
        utc=pd.DatetimeIndex(utc.view("M8[us]"), tz="UTC"),
        doubt_s=(reading.doubt + more_doubt) / zones.SECOND_US,
        offset_s=np.where(known, (utc - walls) / zones.SECOND_US, np.nan),
        state=reading.state,
        text=" ".join([*reading.texts, *texts]),
        notices=_notices([*reading.findings, *found], utc, walls, zone),
        likely_us=_likely(walls, clocks, known, zone),
    )


def _likely(walls: np.ndarray, clocks: list[Clock], known: np.ndarray, zone: str) -> np.ndarray | None:
    """Instants [µs UTC] of times that never were, by a clock that did not go forward; NaT for every other row, None where there is none."""
    lost = ~known & (walls != zones.NAT)
    if not lost.any():
        return None
    early, _ = meanings(walls, clocks, zone)
    return np.where(lost, walls - early, zones.NAT)


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


def _by_clocks(walls: np.ndarray, sensors: list[np.ndarray], clocks: list[Clock], begun: dt.datetime, zone: str) -> tuple[list[Clock], _Reading]:
    """Read shown times by the register's clocks, or, where it says nothing, by the clock that the record itself proves."""
    utc, doubt, findings, proof = _settled(walls, sensors, clocks, zone)
    silent = len(clocks) == 1 and clocks[0].offset is None and not clocks[0].declared
    if silent and proof == {"keeps"}:
        offset = offset_on(begun, zone)
        text = f"The record proves that the clock kept one offset through a change of summer time; that of its first day is taken ({offset_text(offset)})."
        clocks = [Clock(zones.NAT, offset, True, clocks[0].logger, clocks[0].checks, text)]
        utc, doubt, findings, _ = _settled(walls, sensors, clocks, zone)
        return clocks, _Reading(utc, doubt, findings, "proved", [text])
    state, texts = _verdict(clocks, proof, utc, zone)
    if len(clocks) == 1 and clocks[0].offset is not None and "follows" in _zone_proof(walls, sensors, zone):
        state, rows = "not_verified", np.sort(np.concatenate(sensors))
        findings.append(("against", clocks[0].text, rows))
    return clocks, _Reading(utc, doubt, findings, state, texts)


def _zone_proof(walls: np.ndarray, sensors: list[np.ndarray], zone: str) -> set[str]:
    """What changes of hour prove if the times are read as a clock's that follows the zone."""
    early, late = zones.offsets_of(walls, zone)
    return set().union(*(settle(walls[rows], early[rows], late[rows], rows).proof for rows in sensors))


def _settled(walls: np.ndarray, sensors: list[np.ndarray], clocks: list[Clock], zone: str) -> tuple[np.ndarray, np.ndarray, list[Finding], set[str]]:
    early, late = meanings(walls, clocks, zone)
    utc, doubt = np.where(walls == zones.NAT, zones.NAT, walls - early), np.zeros(len(walls), "int64")
    findings: list[Finding] = []
    proof: set[str] = set()
    for rows in sensors:
        settled = settle(walls[rows], early[rows], late[rows], rows)
        utc[rows], doubt[rows] = walls[rows] - settled.offset, settled.doubt
        findings += settled.findings
        proof |= settled.proof
    utc[early < late] = zones.NAT
    return utc, doubt, findings, proof


def _mark_jumps(reading: _Reading, rows: np.ndarray) -> None:
    """Backward steps of one sensor, leaving out rows without an instant or without a known order."""
    mixed = [found for code, _, found in reading.findings if code == "mixed"]
    rows = rows[reading.utc[rows] != zones.NAT]
    rows = rows[~np.isin(rows, np.concatenate(mixed))] if mixed else rows
    doubt = reading.doubt[rows]
    reading.findings.extend(jumps(reading.utc[rows], rows, doubt))
    reading.doubt[rows] = doubt


def _verdict(clocks: list[Clock], proof: set[str], utc: np.ndarray, zone: str) -> tuple[str, list[str]]:
    """State and sentences: what the register says against what the record proves."""
    known = utc[utc != zones.NAT]
    ends = [*(clock.since for clock in clocks[1:]), np.iinfo("int64").max]
    used = [clock for clock, end in zip(clocks, ends, strict=True) if len(known) and clock.since <= known.max() and end > known.min()] or clocks[:1]
    texts = list(dict.fromkeys(clock.text for clock in used))
    if "keeps" in proof:
        return "not_verified", [*texts, "The record shows otherwise where the clock should have changed: clock not verified."]
    if all(clock.declared for clock in used):
        return "declared", texts
    if "follows" in proof and len(used) == 1:
        return "proved", [f"The record proves that the clock follows {zone}: it changed with summer time."]
    return "not_verified", texts
