"""A logger's clock as the register tells of it: how it ran and since when, and how its checks correct it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

from coldchain_kit.base import zones
from coldchain_kit.downloads.clock.cadence import Finding
from coldchain_kit.register import Logger, UnitEntry

HOUR_US = 3600 * zones.SECOND_US
WHOLE_HOURS_S = 300.0  # a check this close to whole hours shows a wrong setting, not drift (own rule, no source)


@dataclass(frozen=True)
class Clock:
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
    return int(zones.instants(np.array([full], "M8[us]"), zone=zone)[0].view("int64")[0])


def offset_on(day: dt.date, zone: str) -> int:
    """Offset [µs] in force at a local time; of a bare date at noon, when people set clocks."""
    instant = np.array([_instant_of(day, zone, hour=12)])
    since, offsets = zones.rules(zone, instant)
    return int(offsets[np.searchsorted(since, instant[0], "right") - 1])


def offset_text(offset: int) -> str:
    minutes = abs(offset) // (60 * zones.SECOND_US)
    return f"{'-' if offset < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"


def _clock(logger: Logger, since: int, started: dt.date, checks: tuple[tuple[dt.datetime, dt.datetime], ...], zone: str, *, first: bool) -> Clock:
    """The clock that a logger's settings describe; ``started``: when these settings began, or the first reading."""
    word = logger.clock
    if word is None or word == "local":
        text = f"The register says that the clock follows {zone}." if word else "The register does not say how the clock runs: clock not verified."
        return Clock(since, None, word is not None, logger, checks, text)
    if word == "utc":
        return Clock(since, 0, True, logger, checks, "The register says that the clock shows UTC.")
    if word == "as_set":
        offset = offset_on(logger.set_on or started, zone)
        late = first and logger.set_on is not None and _instant_of(logger.set_on, zone) > _instant_of(started, zone)
        text = f"The register says that the clock keeps the offset of the day it was set ({offset_text(offset)})"
        if late:
            text += f", {logger.set_on}, but readings begin before: what the clock showed until then is not known, clock not verified."
        elif logger.set_on is None and first:
            text += ", but not which day: the first reading's day is taken, clock not verified."
        else:
            text += "."
        return Clock(since, offset, "not verified" not in text, logger, checks, text)
    hours, minutes = word[1:].split(":")
    offset = (int(hours) * 60 + int(minutes)) * 60 * zones.SECOND_US * (-1 if word[0] == "-" else 1)
    return Clock(since, offset, True, logger, checks, f"The register says that the clock runs at {word} from UTC.")


def clocks_of(entry: UnitEntry, zone: str, begun: dt.datetime) -> list[Clock]:
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
    for (begin, loggers), end in zip(stretches, ends, strict=True):
        checks = sorted({pair for logger in loggers for pair in logger.clock_checks if (begin is None or pair[0] > begin) and (end is None or pair[0] <= end)})
        start = zones.NAT if begin is None else _instant_of(begin, zone)
        clocks.append(_clock(loggers[0], start, begin or begun, tuple(checks), zone, first=begin is None))
    return clocks


def _offsets(walls: np.ndarray, clock: Clock, zone: str) -> tuple[np.ndarray, np.ndarray]:
    if clock.offset is None:
        return zones.offsets_of(walls, zone)
    same = np.full(len(walls), clock.offset)
    return same, same


def meanings(walls: np.ndarray, clocks: list[Clock], zone: str) -> tuple[np.ndarray, np.ndarray]:
    """Offsets [µs] for the earlier and the later instant each time may mean, over all clocks (earlier < later: never shown)."""
    early, late = _offsets(walls, clocks[0], zone)
    for clock in clocks[1:]:
        new_early, new_late = _offsets(walls, clock, zone)
        new = walls - new_late >= clock.since
        old = walls - early < clock.since
        early, late = np.where(new & ~old, new_early, early), np.where(new, new_late, late)
    return early, late


def _knots(clock: Clock, zone: str) -> list[tuple[int, int]]:
    """(time by the clock [µs UTC], true minus shown [µs]) of each check, oldest first."""
    rows = []
    for true, display in clock.checks:
        wall = np.array([display], "M8[us]")
        offset = int(_offsets(zones.micros(wall), clock, zone)[0][0])
        at = int(zones.micros(wall)[0]) - offset
        rows.append((at, _instant_of(true, zone) - at))
    return sorted(dict(rows).items())


def _whole_hours(correction: int) -> int:
    """The part of a correction [µs] that is a wrong setting by whole hours."""
    hours = round(correction / HOUR_US) * HOUR_US
    return hours if abs(correction - hours) <= WHOLE_HOURS_S * zones.SECOND_US else 0


def _drift(utc: np.ndarray, clock: Clock, zone: str) -> tuple[np.ndarray, np.ndarray, str]:
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
    read = (60 if all(time.second == 0 for pair in clock.checks for time in pair) else 1) * zones.SECOND_US
    correction = np.rint(fit).astype("int64") + hours[nearest]
    return correction, np.rint(doubt).astype("int64") + unsure + read, _drift_text(correction, clock, after=bool((utc > at[-1]).any()), zone=zone)


def _drift_text(correction: np.ndarray, clock: Clock, *, after: bool, zone: str) -> str:
    times, last = len(clock.checks), max(true for true, _ in clock.checks)
    checked = f"The clock was checked {times} time{'s' if times > 1 else ''}"
    right = not correction.any()
    text = f"{checked} and was right." if right else f"{checked}: times are corrected by {_seconds(correction)}, straight between checks."
    if after:
        moment = zones.shown(pd.Timestamp(_instant_of(last, zone), unit="us", tz="UTC"), zone=zone)
        text += f" After the last check, {moment}, nobody checked it again." if right else f" After the last check, {moment}, the correction is held: an extrapolation."
    return text


def _seconds(correction: np.ndarray) -> str:
    low, high = (round(float(value) / zones.SECOND_US) for value in (correction.min(), correction.max()))
    return f"{low:+d} s" if low == high else f"{low:+d} s to {high:+d} s"


def correct_drift(utc: np.ndarray, clocks: list[Clock], zone: str) -> tuple[np.ndarray, np.ndarray, list[Finding], list[str]]:
    """Correction and doubt [µs] for each row from the checks of the clock in force, with findings and sentences."""
    correction, doubt = np.zeros(len(utc), "int64"), np.zeros(len(utc), "int64")
    findings: list[Finding] = []
    texts: list[str] = []
    ends = [*(clock.since for clock in clocks[1:]), np.iinfo("int64").max]
    for clock, end in zip(clocks, ends, strict=True):
        here = np.flatnonzero((utc != zones.NAT) & (utc >= clock.since) & (utc < end))
        if not clock.checks or not len(here):
            continue
        correction[here], doubt[here], text = _drift(utc[here], clock, zone)
        texts.append(text)
        for hours in sorted({_whole_hours(value) for _, value in _knots(clock, zone)} - {0}):
            findings.append(("hours", f"{abs(hours) // HOUR_US} h ({'behind' if hours > 0 else 'ahead of'} the true time)", here))
    return correction, doubt, findings, texts
