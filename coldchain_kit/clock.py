"""Instants: what a logger's clock showed, turned into UTC, with what is known and what is doubtful about it.

A shown time may mean two instants (the repeated hour in autumn, a clock set back by hand) or none (the
hour left out in spring). Order and cadence of the file decide where they can; where they cannot, the
reading keeps the first meaning with a stated doubt, or has no instant at all (NaT).

Zone rules come from the tz database that is installed with the kit, never from the operating system.
"""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
import pandas as pd

from coldchain_kit.errors import RegisterError, nearest
from coldchain_kit.readers.download import Download, Placed
from coldchain_kit.register import Logger, UnitEntry

SECOND_US = 1_000_000
HOUR_US = 3600 * SECOND_US
DAY_US = 24 * HOUR_US
GAP_STEPS = 1.5  # a step above this many intervals leaves readings out (CONTRACTS rule 4)
NEVER_SET_DAYS = 3 * 365.25  # this long before every date of the register: the clock was never set (own rule, no source)
WHOLE_HOURS_S = 300.0  # a check this close to whole hours shows a wrong setting, not drift (own rule, no source)
MAX_JUMPS = 8  # more backward steps than this in one file are told as one finding

Finding = tuple[str, str, np.ndarray]  # code, what happened, positions of the rows


# ---- the zone -------------------------------------------------------------------------------------------------


def tz_version() -> str:
    """Version of the tz database that every local time rests on, such as "2026f".

    Examples
    --------
    >>> tz_version()[:2]
    '20'
    """
    import tzdata

    return tzdata.IANA_VERSION


@cache
def database(zone: str) -> zoneinfo.ZoneInfo:
    """Rules of an IANA zone from the installed tz database; RegisterError where it has no such zone.

    Examples
    --------
    >>> database("Europe/Lisbon").key
    'Europe/Lisbon'
    """
    parts = zone.split("/")
    found = resources.files("tzdata").joinpath("zoneinfo", *parts)
    if "" in parts or ".." in parts or not found.is_file():
        hint = nearest(zone, zoneinfo.available_timezones())
        raise RegisterError(f"the zone '{zone}' is not known", expected="an IANA name such as Europe/Lisbon", mend=hint)
    with found.open("rb") as file:
        return zoneinfo.ZoneInfo.from_file(file, key=zone)


def shown(utc: pd.Timestamp | None, *, zone: str) -> str:
    """An instant as the site reads it: its own time with the offset; seconds only where there are any.

    Examples
    --------
    >>> shown(pd.Timestamp("2026-07-06 22:40", tz="UTC"), zone="Europe/Lisbon")
    '2026-07-06 23:40 +01:00'
    """
    if utc is None or pd.isna(utc):
        return "time not known"
    local = pd.Timestamp(utc).to_pydatetime(warn=False).astimezone(database(zone))
    text = local.isoformat(" ", "seconds" if local.second else "minutes")
    return f"{text[:-6]} {text[-6:]}"


def local(utc: pd.DatetimeIndex, *, zone: str) -> np.ndarray:
    """Local wall times (datetime64[us], no offset) of many instants.

    Examples
    --------
    >>> local(pd.DatetimeIndex(["2026-07-06 22:40"], tz="UTC"), zone="Europe/Lisbon")
    array(['2026-07-06T23:40:00.000000'], dtype='datetime64[us]')
    """
    times = _micros(utc.tz_convert("UTC").tz_localize(None).to_numpy())
    known = times != _NAT
    since, offsets = _rules(zone, times[known])
    out = np.full(len(times), _NAT)
    out[known] = times[known] + offsets[np.searchsorted(since, times[known], "right") - 1]
    return out.view("M8[us]")


def instants(walls: np.ndarray, *, zone: str) -> tuple[np.ndarray, np.ndarray]:
    """Both instants that local times may mean (UTC, datetime64[us]): with the offset before and after a change.

    Equal: the time is unique. First before second: it happened twice. First after second: it never happened.

    Examples
    --------
    >>> first, second = instants(np.array(["2026-10-25T02:30"], "M8[us]"), zone="Europe/Berlin")
    >>> str(first[0])[:16], str(second[0])[:16]
    ('2026-10-25T00:30', '2026-10-25T01:30')
    """
    micros = _micros(walls)
    before, after = _zone_offsets(micros, zone)
    gone = micros == _NAT
    return tuple(np.where(gone, _NAT, micros - offset).view("M8[us]") for offset in (before, after))


_NAT = np.iinfo("int64").min


def _micros(times: np.ndarray) -> np.ndarray:
    return np.asarray(times).astype("M8[us]").view("int64")


@cache
def _year(zone: str, year: int) -> tuple[tuple[int, int], ...]:
    """(instant, offset from then on) in µs: the start of a UTC year and each change in it."""
    rules, epoch = database(zone), dt.datetime(1970, 1, 1, tzinfo=dt.UTC)

    def offset(seconds: int) -> int:
        return int((epoch + dt.timedelta(seconds=seconds)).astimezone(rules).utcoffset().total_seconds())

    begin = int((dt.datetime(year, 1, 1, tzinfo=dt.UTC) - epoch).total_seconds())
    end = int((dt.datetime(year + 1, 1, 1, tzinfo=dt.UTC) - epoch).total_seconds())
    found = [(begin, offset(begin))]
    for day in range(begin, end, 86400):
        low, high = day, min(day + 86400, end)
        if offset(high) == offset(low):
            continue
        after = offset(high)
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if offset(middle) == after else (middle, high)
        found.append((high, after))
    return tuple((instant * SECOND_US, value * SECOND_US) for instant, value in found)


def _rules(zone: str, times: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Instants from which offsets hold, and the offsets [µs], over the years in which times lie."""
    years = np.unique(times.view("M8[us]").astype("M8[Y]").astype("int64")) + 1970 if len(times) else np.array([2000])
    wanted = sorted({near for year in years.tolist() for near in (year - 1, year, year + 1) if 2 <= near < 9998})
    rows = [row for year in wanted or [2000] for row in _year(zone, year)]
    rows = [rows[0], *(row for before, row in zip(rows, rows[1:], strict=False) if row[1] != before[1])]
    since, offsets = np.array(rows, dtype="int64").T
    return since.copy(), offsets.copy()


def _zone_offsets(walls: np.ndarray, zone: str) -> tuple[np.ndarray, np.ndarray]:
    """Offset [µs] of wall times by the rules before and after the change nearest to them."""
    since, offsets = _rules(zone, walls[walls != _NAT])
    earlier, later = offsets[:-1], offsets[1:]
    before = np.searchsorted(since[1:] + np.maximum(earlier, later), walls, "right")
    after = np.searchsorted(since[1:] + np.minimum(earlier, later), walls, "right")
    return offsets[before], offsets[after]


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
    since, offsets = _rules(zone, instant)
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
        checks = sorted({pair for logger in loggers for pair in logger.clock_checks if (since is None or pair[0] >= since) and (end is None or pair[0] <= end)})
        start = _NAT if since is None else _instant_of(since, zone)
        clocks.append(_clock(loggers[0], start, since or begun, tuple(checks), zone, first=since is None))
    return clocks


def _offsets(walls: np.ndarray, clock: _Clock, zone: str) -> tuple[np.ndarray, np.ndarray]:
    if clock.offset is None:
        return _zone_offsets(walls, zone)
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


# ---- order and cadence ----------------------------------------------------------------------------------------


def _streams(download: Download) -> list[np.ndarray]:
    """Positions of the rows of each sensor in order of time, as the file's own order tells it (newest first is turned)."""
    n = len(download.time)
    subsets = {column.rows.tobytes(): column.rows for column in download.columns if column.rows is not None}
    if not subsets or any(column.rows is None and column.kind == "temperature" for column in download.columns):
        subsets = {b"": np.arange(n)}
    walls = _micros(download.time)
    streams = []
    for rows in subsets.values():
        rows = np.asarray(rows)[walls[rows] != _NAT]
        steps = np.diff(walls[rows])
        streams.append(rows[::-1] if (steps < 0).sum() > (steps > 0).sum() else rows)
    return [rows for rows in streams if len(rows)]


def _interval(walls: np.ndarray) -> float:
    """Median of the forward steps [µs]; 0 where there is none."""
    steps = np.diff(walls)
    steps = steps[steps > 0]
    return float(np.median(steps)) if len(steps) else 0.0


def _runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """(start, end) of each run of True, half-open."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype("int8")))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _split(early: np.ndarray, late: np.ndarray, before: int | None, after: int | None, step: float) -> tuple[int, int]:
    """Where a run of doubly meant rows passes from the earlier to the later meaning: (fewest, most) rows with the earlier one.

    Every split is tried: no backward step, then fewest repeated or left out readings, then the steps nearest to
    the interval. (-1, -1) where no split gives an order.
    """

    def costs(weigh) -> np.ndarray:
        into = [0.0 if before is None else weigh(meaning[0] - before) for meaning in (early, late)]
        out = [0.0 if after is None else weigh(after - meaning[-1]) for meaning in (early, late)]
        head = np.concatenate(([0.0], np.cumsum(weigh(np.diff(early)))))
        tail = np.concatenate((np.cumsum(weigh(np.diff(late))[::-1])[::-1], [0.0]))
        inside = into[0] + head[:-1] + weigh(late[1:] - early[:-1]) + tail[1:] + out[1]
        return np.concatenate(([into[1] + tail[0] + out[1]], inside, [into[0] + head[-1] + out[0]]))

    cost = costs(lambda steps: 1e6 * (steps < 0) + (steps == 0) + (steps > GAP_STEPS * step))
    spread = costs(lambda steps: np.abs(steps - step))
    if cost.min() >= 1e6:
        return -1, -1
    tied = cost == cost.min()
    slack = min(step, float((late - early).max())) / 2
    best = np.flatnonzero(tied & (spread <= spread[tied].min() + slack))
    return int(best[0]), int(best[-1])


def _passes(walls: np.ndarray) -> np.ndarray:
    """True for rows whose time was shown before in the same run: taken as the later pass where order tells nothing."""
    return pd.Series(walls).duplicated().to_numpy()


def _settle(walls: np.ndarray, early: np.ndarray, late: np.ndarray, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray, list[Finding], set[str]]:
    """One stream: offsets chosen, doubt [µs], findings, and what its changes of hour prove ("follows", "keeps")."""
    chosen, doubt = early.copy(), np.zeros(len(walls), "int64")
    findings: list[Finding] = []
    proof: set[str] = set()
    step = _interval(walls)
    if len(walls) > 1:
        wall_steps, true_steps = np.diff(walls), np.diff(walls - early)
        skipped = (np.diff(early) > 0) & (wall_steps > GAP_STEPS * step) & (true_steps <= GAP_STEPS * step) & (true_steps > 0)
        proof |= {"follows"} if skipped.any() else set()
    for start, end in _runs(early < late):
        proof.add("keeps")
        findings.append(("never", "", rows[start:end]))
        doubt[start:] = np.maximum(doubt[start:], (late - early)[start])
    for start, end in _runs(early > late):
        here = slice(start, end)
        before = int(walls[start - 1] - early[start - 1]) if start else None
        after = int(walls[end] - early[end]) if end < len(walls) else None
        first, last = _split(walls[here] - early[here], walls[here] - late[here], before, after, step)
        shift = (early - late)[here]
        if first < 0:
            chosen[here] = np.where(_passes(walls[here]), late[here], early[here])
            doubt[here] = shift
            findings.append(("mixed", "", rows[here]))
            continue
        chosen[start + last : end] = late[start + last : end]
        if first == last:
            proof |= {"follows"} if 0 < last < end - start and walls[start + last] <= walls[start + last - 1] else set()
            continue
        doubt[start + first : start + last] = shift[first:last]
        if before is not None and after is not None and _regular(walls[start - 1 : end + 1], step):
            proof.add("keeps")
            doubt[end:] = np.maximum(doubt[end:], shift.max())
            findings.append(("once", "", rows[here]))
        else:
            findings.append(("either", "", rows[start + first : start + last]))
    return chosen, doubt, findings, proof


def _regular(walls: np.ndarray, step: float) -> bool:
    steps = np.diff(walls)
    return bool((steps > 0).all() and (steps <= GAP_STEPS * step).all())


def _jumps(utc: np.ndarray, rows: np.ndarray, doubt: np.ndarray) -> list[Finding]:
    """Backward steps of one stream; readings that both sides of one cover get its size as doubt (in place)."""
    steps = np.diff(utc)
    backward = np.flatnonzero(steps < 0)
    if len(backward) > MAX_JUMPS:
        return [("order", "", rows[np.concatenate((backward, backward + 1))])]
    step, findings = _interval(utc), []
    for at, end in zip(backward.tolist(), [*(backward[1:] + 1).tolist(), len(utc)], strict=False):
        after = utc[at + 1 : end]
        low, high = max(after[0], utc[: at + 1].min()), min(utc[at], after.max())
        both = np.flatnonzero((utc[:end] >= low) & (utc[:end] <= high))
        size = int(utc[at] - after[0] + step)
        doubt[both] = np.maximum(doubt[both], size)
        findings.append(("jump", f"{utc[at]} {after[0]} {size}", rows[both if len(both) else np.arange(at + 1, end)]))
    return findings


# ---- drift ----------------------------------------------------------------------------------------------------


def _knots(clock: _Clock, zone: str) -> list[tuple[int, int]]:
    """(time by the clock [µs UTC], true minus shown [µs]) of each check, oldest first."""
    rows = []
    for true, display in clock.checks:
        wall = np.array([display], "M8[us]")
        offset = int(_offsets(_micros(wall), clock, zone)[0][0])
        at = int(_micros(wall)[0]) - offset
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
    to_minute = all(time.second == 0 for pair in clock.checks for time in pair)
    read = (60 if to_minute else 1) * SECOND_US
    hours = np.array([_whole_hours(value) for _, value in knots])
    at, value = np.array([row[0] for row in knots]), np.array([row[1] for row in knots]) - hours
    nearest_check = np.abs(utc[:, None] - at[None, :]).argmin(axis=1) if len(at) > 1 else np.zeros(len(utc), int)
    wrong = hours[nearest_check]
    unsure = np.where((utc > at[0]) & (utc < at[-1]), np.ptp(hours), 0)
    if clock.logger.set_on is not None and (start := _instant_of(clock.logger.set_on, zone)) < at[0]:
        at, value = np.concatenate(([start], at)), np.concatenate(([0], value))
    fit = np.interp(utc, at, value)
    left = np.clip(np.searchsorted(at, utc, "right") - 1, 0, len(at) - 1)
    right = np.clip(left + 1, 0, len(at) - 1)
    doubt = np.minimum(np.abs(fit - value[left]), np.abs(fit - value[right]))
    rate = abs(value[-1] - value[-2]) / (at[-1] - at[-2]) if len(at) > 1 else 0.0
    doubt = np.where(utc > at[-1], rate * (utc - at[-1]) if len(at) > 1 else abs(value[-1]), doubt)
    doubt = np.where(utc < at[0], abs(value[0]), doubt)
    text = f"The clock was checked {len(knots)} time{'s' if len(knots) > 1 else ''}: times are corrected by {_seconds(fit + wrong)}, straight between checks."
    if (utc > at[-1]).any():
        text += f" After the last check, {shown(pd.Timestamp(int(at[-1]), unit='us', tz='UTC'), zone=zone)}, the correction is held: an extrapolation."
    return np.rint(fit).astype("int64") + wrong, np.rint(doubt).astype("int64") + unsure + read, text


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
    known = utc != _NAT
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
    if code == "against":
        return f"{detail} The record shows otherwise: at a change of summer time the clock followed {zone}. Correct the clock in the register."
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
        at = utc[rows][utc[rows] != _NAT]
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
    walls, streams = _micros(download.time), _streams(download)
    begun = _first_wall(walls, streams)
    if download.time_kind == "utc":
        clocks = _clocks(entry, zone, begun)
        utc, doubt, findings = walls.copy(), np.zeros(len(walls), "int64"), []
        state, texts = "proved", ["The file gives its offset from UTC."]
    else:
        clocks = _clocks(entry, zone, begun)
        utc, doubt, findings, proof = _by_clocks(walls, streams, clocks, zone)
        if not clocks[0].declared and clocks[0].offset is None and len(clocks) == 1 and proof == {"keeps"}:
            offset = _offset_on(begun, zone)
            text = f"The record proves that the clock kept one offset through a change of summer time; that of its first day is taken ({_say(offset)})."
            clocks = [_Clock(_NAT, offset, True, clocks[0].logger, clocks[0].checks, text)]
            utc, doubt, findings, _ = _by_clocks(walls, streams, clocks, zone)
            state, texts = "proved", [text]
        else:
            state, texts, more = _verdict(clocks, proof, utc, zone)
            findings += more
    correction, more_doubt, more_findings, more_texts = _corrected(utc, clocks, zone)
    findings += _never_set(utc, entry, doubt)
    for rows in streams:
        with_time = rows[utc[rows] != _NAT]
        part = doubt[with_time]
        findings += _jumps(utc[with_time], with_time, part)
        doubt[with_time] = part
    known = utc != _NAT
    final = np.where(known, utc + correction, _NAT)
    notices = _notices([*findings, *more_findings], final, walls, zone)
    return Placed(
        download=download,
        utc=pd.DatetimeIndex(final.view("M8[us]"), tz="UTC"),
        doubt_s=(doubt + more_doubt) / SECOND_US,
        offset_s=np.where(known, (final - walls) / SECOND_US, np.nan),
        state=state,
        text=" ".join([*texts, *more_texts]),
        notices=notices,
    )


def _first_wall(walls: np.ndarray, streams: list[np.ndarray]) -> dt.datetime:
    first = min((int(walls[rows[0]]) for rows in streams), default=0)
    return dt.datetime(1970, 1, 1) + dt.timedelta(microseconds=first)


def _by_clocks(walls: np.ndarray, streams: list[np.ndarray], clocks: list[_Clock], zone: str) -> tuple[np.ndarray, np.ndarray, list[Finding], set[str]]:
    """Instants [µs, NaT where the clock cannot have shown the time], doubt [µs], findings and what the changes of hour prove."""
    early, late = _meanings(walls, clocks, zone)
    utc, doubt = np.where(walls == _NAT, _NAT, walls - early), np.zeros(len(walls), "int64")
    findings: list[Finding] = []
    proof: set[str] = set()
    for rows in streams:
        chosen, unsure, found, proved = _settle(walls[rows], early[rows], late[rows], rows)
        utc[rows], doubt[rows] = walls[rows] - chosen, unsure
        findings += found
        proof |= proved
    utc[early < late] = _NAT
    return utc, doubt, findings, proof


def _verdict(clocks: list[_Clock], proof: set[str], utc: np.ndarray, zone: str) -> tuple[str, list[str], list[Finding]]:
    """State, sentences and findings: what the register says against what the record proves."""
    texts = list(dict.fromkeys(clock.text for clock in clocks))
    known = utc[utc != _NAT]
    in_force = [clock for clock, end in zip(clocks, [*(later.since for later in clocks[1:]), None], strict=True)
                if len(known) and clock.since <= known.max() and (end is None or end > known.min())]  # fmt: skip
    if proof == {"follows"} and all(clock.offset is None for clock in in_force):
        if all(clock.declared for clock in in_force):
            return "declared", [clock.text for clock in in_force][:1], []
        return "proved", [f"The record proves that the clock follows {zone}: it changed with summer time."], []
    if "keeps" in proof:
        return "not_verified", [*texts, "The record shows otherwise: the clock did not change with summer time. Clock not verified."], []
    state = "declared" if all(clock.declared for clock in in_force) else "not_verified"
    return state, texts, []


def _corrected(utc: np.ndarray, clocks: list[_Clock], zone: str) -> tuple[np.ndarray, np.ndarray, list[Finding], list[str]]:
    """Correction and doubt [µs] for each row from the checks of the clock in force, with findings and sentences."""
    correction, doubt = np.zeros(len(utc), "int64"), np.zeros(len(utc), "int64")
    findings: list[Finding] = []
    texts: list[str] = []
    ends = [*(clock.since for clock in clocks[1:]), np.iinfo("int64").max]
    for clock, end in zip(clocks, ends, strict=True):
        here = np.flatnonzero((utc != _NAT) & (utc >= clock.since) & (utc < end))
        if not clock.checks or not len(here):
            continue
        correction[here], doubt[here], text = _drift(utc[here], clock, zone)
        texts.append(text)
        for hours in sorted({_whole_hours(value) for _, value in _knots(clock, zone)} - {0}):
            findings.append(("hours", f"{abs(hours) // HOUR_US} h ({'behind' if hours > 0 else 'ahead of'} the true time)", here))
    return correction, doubt, findings, texts
