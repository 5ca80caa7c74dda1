"""Rows about what was given and whether it can be believed: sources, probes, faults, conflicts, clock, calibration, alarms."""

from __future__ import annotations

from typing import Annotated, Any, Generic, Literal, NotRequired, TypedDict

import pandas as pd

from coldchain_kit.model.rows.fields import (
    Celsius,
    Count,
    Day,
    Direction,
    FaultKind,
    Kelvins,
    Minutes,
    Of,
    RelativePath,
    Role,
    Sha256,
    Share,
    T,
    UFrom,
)


class CaseRow(TypedDict, Generic[T]):
    """Which case, over which span."""

    id: Annotated[str, Of("the case's number", "case.toml")]
    title: Annotated[str, Of("its title", "case.toml")]
    units: Annotated[list[str], Of("units looked at", "case.toml")]
    window: Annotated[list[T], Of("first and last instant of the span, half-open", "rule 10")]
    site: Annotated[str, Of("the site's name", "site.toml")]
    timezone: Annotated[str, Of("its time zone, an IANA name", "site.toml")]
    beside: Annotated[list[str], Of("units looked at over the same hours", "case.toml")]
    no_readings: Annotated[str | None, Of("why no deciding probe has a reading in the window, as the case says", "rule 10")]


class RejectRow(TypedDict):
    """A line of a download that was refused."""

    line: Annotated[Count, Of("its number in the file", "rule 13")]
    reason: Annotated[str, Of("why", "rule 13")]


class NoValueRow(TypedDict):
    """A cell that held no number."""

    line: Annotated[Count, Of("its line in the file", "rule 13")]
    column: Annotated[str, Of("its column")]
    text: Annotated[str, Of("what stood there")]


class EventRow(TypedDict):
    """A line in which the logger tells of something it did."""

    kind: Annotated[str, Of("what kind of event")]
    line: Annotated[Count, Of("its line in the file")]
    text: Annotated[str, Of("as it stands there")]
    time: Annotated[str | None, Of("when, as the line shows it")]


class LoggerEvent(TypedDict):
    """The same beside the readings of its unit: with its instant and its file."""

    time: Annotated[pd.Timestamp | None, Of("its instant")]
    kind: Annotated[str, Of("what kind of event")]
    text: Annotated[str, Of("as it stands there")]
    file: Annotated[str, Of("its file")]
    line: Annotated[Count, Of("its line in the file")]
    logger: NotRequired[Annotated[str | None, Of("its logger, where a unit has several")]]


class Notice(TypedDict):
    """What reading and clock found: becomes a row of faults."""

    kind: Annotated[FaultKind, Of("what kind", "CONTRACTS results")]
    probe: NotRequired[Annotated[str | None, Of("its probe; none where a whole download is concerned")]]
    start: Annotated[pd.Timestamp | None, Of("from")]
    end: Annotated[pd.Timestamp | None, Of("until")]
    readings: Annotated[Count, Of("readings concerned")]
    text: Annotated[str, Of("in a sentence")]
    logger: NotRequired[Annotated[str | None, Of("its logger, where a unit has several")]]


class SourceRow(TypedDict, Generic[T]):
    """A download: what was read of it and what was not."""

    unit: NotRequired[Annotated[str, Of("the unit it belongs to", "site.toml")]]
    file: Annotated[RelativePath, Of("its name, from the case's or the site's folder")]
    sha256: Annotated[Sha256, Of("hash of its bytes")]
    rows: Annotated[Count, Of("data lines in the file: read and rejected", "rule 13")]
    read: Annotated[Count, Of("lines read", "rule 13")]
    rejected: Annotated[Count, Of("lines refused", "rule 13")]
    first: Annotated[T | None, Of("first reading")]
    last: Annotated[T | None, Of("last reading")]
    interval_min: Annotated[Minutes | None, Of("usual step of the file", "rule 4")]
    layout: Annotated[dict[str, Any], Of("the layout as it was understood")]
    rejects: Annotated[list[RejectRow], Of("the lines refused", "rule 13")]
    no_value: Annotated[list[NoValueRow], Of("cells without a number", "rule 13")]
    events: Annotated[list[EventRow], Of("what the logger tells of itself")]


class FlagCounts(TypedDict):
    """Readings by flag (QARTOD)."""

    good: Annotated[Count, Of("readings with flag 1", "QARTOD")]
    suspect: Annotated[Count, Of("flag 3", "QARTOD")]
    fail: Annotated[Count, Of("flag 4", "QARTOD")]
    missing: Annotated[Count, Of("flag 9", "QARTOD")]
    not_evaluated: Annotated[Count, Of("flag 2: no test could judge", "QARTOD")]


class GapRow(TypedDict, Generic[T]):
    """A stretch without readings; never bridged."""

    start: Annotated[T, Of("reading before it, or the window's edge", "rule 4")]
    end: Annotated[T, Of("reading after it, or the window's edge", "rule 4")]
    minutes: Annotated[Minutes, Of("its length in the window", "rule 4")]
    edge: Annotated[Literal["", "start", "end"], Of("at which edge of the window it lies, if any")]


class OutsideTotals(TypedDict):
    """Time of a probe beyond one limit in the window."""

    minutes: Annotated[Minutes, Of("on the straight line between readings", "rule 6")]
    minutes_least: Annotated[Minutes, Of("that the readings prove", "rule 6")]
    minutes_most: Annotated[Minutes, Of("that they cannot rule out, gaps between readings outside included", "rule 6")]


class ProbeRow(TypedDict, Generic[T]):
    """A probe over the window."""

    unit: Annotated[str, Of("its unit", "site.toml")]
    probe: Annotated[str, Of("its name", "site.toml")]
    role: Annotated[Role, Of("what it stands in", "site.toml")]
    decides: Annotated[bool, Of("whether product verdicts rest on it", "site.toml")]
    registered: Annotated[bool, Of("whether the register names it", "site.toml")]
    readings: Annotated[Count, Of("readings with a value")]
    flags: Annotated[FlagCounts, Of("readings by flag", "QARTOD")]
    min_c: Annotated[Celsius | None, Of("lowest reading, whatever its flag, corrected", "rule 9")]
    min_time: Annotated[T | None, Of("its instant")]
    max_c: Annotated[Celsius | None, Of("highest reading, whatever its flag, corrected", "rule 9")]
    max_time: Annotated[T | None, Of("its instant")]
    min_bound: Annotated[bool, Of("min_c is a bound", "rule 9")]
    max_bound: Annotated[bool, Of("max_c is a bound", "rule 9")]
    min_one_sided: Annotated[str | None, Of('"at least" or "at most" where a one-sided reading decides it', "rule 9")]
    max_one_sided: Annotated[str | None, Of('"at least" or "at most" where a one-sided reading decides it', "rule 9")]
    min_text: Annotated[str | None, Of("the file's own text of that reading", "rule 9")]
    max_text: Annotated[str | None, Of("the file's own text of that reading", "rule 9")]
    as_read_min_c: Annotated[Celsius | None, Of("lowest as read", "rule 9")]
    as_read_max_c: Annotated[Celsius | None, Of("highest as read", "rule 9")]
    mean_c: Annotated[Celsius | None, Of("mean weighed by time", "rule 9")]
    mean_why_not: Annotated[str | None, Of("why there is no mean", "rule 9")]
    mkt_c: Annotated[Celsius | None, Of("mean kinetic temperature of the window, descriptive", "rule 9; USP <1160>")]
    mkt_why_not: Annotated[str | None, Of("why there is no MKT", "rule 9")]
    covered_share: Annotated[Share, Of("part of the window that readings cover", "rule 4")]
    missing_readings: Annotated[Count, Of("readings that the interval in force promised", "rule 4")]
    interval_min: Annotated[Minutes | None, Of("interval in force", "rule 4")]
    gaps: Annotated[list[GapRow[T]], Of("stretches without readings", "rule 4")]
    u_c: Annotated[Kelvins | None, Of("largest standard uncertainty of a reading", "rule 6")]
    u_from: Annotated[UFrom, Of("what it rests on", "rule 6")]
    outside: Annotated[dict[Direction, OutsideTotals], Of("time beyond each limit", "rule 6")]
    unknown_minutes: Annotated[Minutes, Of("time in gaps that no minutes_most holds", "rule 6")]


class ConflictRow(TypedDict, Generic[T]):
    """A reading at odds with another at the same instant, or without a sure instant."""

    unit: Annotated[str, Of("its unit")]
    probe: Annotated[str, Of("its probe")]
    time: Annotated[T | None, Of("its instant")]
    value_c: Annotated[Celsius | None, Of("its value")]
    file: Annotated[str, Of("its file")]
    line: Annotated[Count, Of("its line in the file")]
    one_sided: Annotated[str | None, Of('"at least" or "at most" where it says a side only', "rule 9")]
    text: Annotated[str | None, Of("the file's own text of a one-sided reading", "rule 9")]
    kept: Annotated[bool, Of("whether it counts", "rule 12")]
    why: Annotated[str, Of("why, or why not", "rule 12")]
    start: NotRequired[Annotated[T | None, Of("of a stretch at odds: its first reading", "rule 12")]]
    end: NotRequired[Annotated[T | None, Of("of a stretch at odds: its last reading", "rule 12")]]
    readings: NotRequired[Annotated[Count | None, Of("of a stretch at odds: its readings", "rule 12")]]


class FaultRow(TypedDict, Generic[T]):
    """Something wrong with the record."""

    unit: Annotated[str, Of("its unit")]
    probe: Annotated[str | None, Of("its probe; none where a whole download is concerned")]
    start: Annotated[T | None, Of("from")]
    end: Annotated[T | None, Of("until")]
    kind: Annotated[FaultKind, Of("what kind", "CONTRACTS results")]
    readings: Annotated[Count, Of("readings concerned")]
    text: Annotated[str, Of("in a sentence")]


class BelievableRow(TypedDict):
    """Is a unit's record believable?"""

    unit: Annotated[str, Of("the unit")]
    answer: Annotated[Literal["complete", "usable with limits", "not usable"], Of("the answer for the window")]
    reasons: Annotated[list[str], Of("why not complete, a sentence each")]


class ClockState(TypedDict, total=False):
    """The same of a unit by itself; empty where nobody looked."""

    state: Annotated[str, Of("declared, proved or not_verified")]
    text: Annotated[str, Of("in a sentence")]


class ClockRow(TypedDict):
    """What is known of a unit's clock."""

    unit: Annotated[str, Of("the unit")]
    state: Annotated[str, Of("declared, proved or not_verified")]
    text: Annotated[str, Of("in a sentence")]


class CalibrationRow(TypedDict):
    """A certificate, or that there is none; or an as-found check that failed."""

    unit: NotRequired[Annotated[str, Of("the unit")]]
    probe: Annotated[str, Of("the probe")]
    certificate: Annotated[str | None, Of("its number", "site.toml")]
    date: Annotated[Day | None, Of("its date", "site.toml")]
    due: Annotated[Day | None, Of("when the next is due", "site.toml")]
    overdue: Annotated[bool, Of("whether that day had passed at the window's end")]
    expanded_uncertainty_c: Annotated[Kelvins | None, Of("U as the certificate states it", "site.toml")]
    u_c: Annotated[Kelvins | None, Of("standard uncertainty of a reading", "rule 6")]
    u_from: Annotated[UFrom | None, Of("what it rests on", "rule 6")]
    as_found_c: Annotated[Kelvins | None, Of("worst as-found deviation", "site.toml")]
    tolerance_c: Annotated[Kelvins | None, Of("tolerance it is held against", "site.toml; else 0.5 °C, FACTS B17")]
    as_found_out: Annotated[bool, Of("whether it was out of tolerance")]
    doubt_since: Annotated[Day | None, Of("from which day earlier records are in doubt", "FACTS H3")]
    doubt_until: Annotated[Day | None, Of("until which day")]
    text: Annotated[str, Of("in a sentence")]


class UncertaintyRow(TypedDict):
    """A component of a probe's uncertainty."""

    unit: NotRequired[Annotated[str, Of("the unit")]]
    probe: NotRequired[Annotated[str, Of("the probe")]]
    component: Annotated[str, Of("what it comes from", "GUM")]
    u_c: Annotated[Kelvins, Of("its standard uncertainty", "GUM 4.3")]
    in_u: Annotated[bool, Of("whether it is part of U", "rule 6")]
    how: Annotated[str, Of("how it was reckoned")]


class AlarmGuardRow(TypedDict):
    """Where an alarm would stand with a guard band of U. For setting alarms only."""

    unit: NotRequired[Annotated[str, Of("the unit")]]
    probe: Annotated[str, Of("the probe")]
    direction: Annotated[Direction, Of("which limit")]
    limit_c: Annotated[Celsius, Of("the limit", "rule 3")]
    alarm_c: Annotated[Celsius, Of("the limit less U", "ILAC-G8, FACTS D2")]


class AlarmRow(TypedDict, Generic[T]):
    """Something about a logger's alarm that somebody must know."""

    unit: Annotated[str, Of("the unit")]
    finding: Annotated[str, Of("what kind of finding")]
    since: Annotated[T | None, Of("from")]
    until: Annotated[T | None, Of("until")]
    text: Annotated[str, Of("in a sentence")]


class CheckRow(TypedDict, Generic[T]):
    """A displayed minimum or maximum that is outside, or differs from the readings."""

    unit: Annotated[str, Of("the unit")]
    direction: Annotated[Direction, Of("which side")]
    verdict: Annotated[Literal["undecided", "differs"], Of("outside by the display, or other than the readings")]
    start: Annotated[T, Of("the check before, or the first reading")]
    end: Annotated[T, Of("the check")]
    displayed_c: Annotated[Celsius, Of("what the display showed", "logbook.csv")]
    readings_c: Annotated[Celsius | None, Of("furthest reading since the check before")]
    limit_c: Annotated[Celsius | None, Of("the limit of that side", "rule 3")]
    line: Annotated[Count, Of("its line in the logbook")]
    text: Annotated[str, Of("in a sentence")]
