"""Rows about what happened, how bad it was and why: excursions, episodes, causes, bands, means."""

from __future__ import annotations

from typing import Annotated, Generic, Literal, NotRequired, TypedDict

from coldchain_kit.model.rows.fields import (
    Basis,
    CauseId,
    Celsius,
    Count,
    DegreeMinutes,
    Direction,
    Energy,
    Hours,
    Kelvins,
    Minutes,
    Number,
    Of,
    Share,
    T,
    Verdict,
)
from coldchain_kit.model.rows.given import FlagCounts


class Trustworthy(TypedDict):
    """An excursion without the readings that no temperature makes."""

    minutes: Annotated[Minutes, Of("time outside", "rule 7")]
    degree_minutes: Annotated[DegreeMinutes | None, Of("area outside", "rule 7")]
    readings: Annotated[Count, Of("readings outside", "rule 7")]
    extreme_c: Annotated[Celsius | None, Of("furthest of them", "rule 7")]
    extreme_bound: Annotated[bool, Of("extreme_c is a bound", "rule 9")]


class ExcursionRow(TypedDict, Generic[T]):
    """One probe, one direction, one continuous run outside the limits."""

    id: Annotated[str, Of("its name in the results")]
    unit: Annotated[str, Of("its unit")]
    probe: Annotated[str | None, Of("its probe; none where only a display saw it")]
    direction: Annotated[Direction, Of("which limit", "rule 3")]
    limit_c: Annotated[Celsius, Of("the limit", "rule 3")]
    limit_source: Annotated[str, Of("the document that states it")]
    basis: Annotated[Basis, Of("which values are outside: as read, corrected or both; display: the figure of a check in the logbook", "rule 3; CONTRACTS logbook.csv")]
    start: Annotated[T, Of("crossing of the limit, estimated", "rule 5")]
    end: Annotated[T, Of("crossing back, estimated", "rule 5")]
    first_out: Annotated[T | None, Of("first reading outside; none by the display", "rule 5")]
    last_out: Annotated[T | None, Of("last reading outside; none by the display", "rule 5")]
    first_back: Annotated[T | None, Of("first reading inside again; none where the record ends outside, and by the display", "rule 5")]
    start_earliest: Annotated[T, Of("last reading before it that was inside", "rule 5")]
    end_latest: Annotated[T, Of("first reading after it that was inside", "rule 5")]
    minutes: Annotated[Minutes, Of("end less start", "rule 5")]
    minutes_least: Annotated[Minutes, Of("that the readings prove", "rule 6")]
    minutes_most: Annotated[Minutes, Of("that they cannot rule out", "rule 6")]
    minutes_in_window: Annotated[Minutes, Of("the part in the window", "rule 10")]
    extreme_c: Annotated[Celsius | None, Of("furthest value; none where it has no number", "rules 5, 9")]
    extreme_bound: Annotated[bool, Of("extreme_c is a bound", "rule 9")]
    extreme_text: Annotated[str | None, Of("the file's own texts of its one-sided readings", "rule 9")]
    extreme_time: Annotated[T | None, Of("its instant; none by the display", "rule 5")]
    degree_minutes: Annotated[DegreeMinutes | None, Of("area between course and limit", "rules 5, 9")]
    degree_minutes_bound: Annotated[bool, Of("degree_minutes is a bound", "rule 9")]
    readings: Annotated[Count, Of("readings outside")]
    verdict: Annotated[Verdict, Of("outside, or undecided within the uncertainty", "rule 7")]
    p_outside: Annotated[Share | None, Of("chance that the furthest corrected value is outside", "rule 7; JCGM 106")]
    faulty: Annotated[bool, Of("quality tests call its readings impossible", "rule 7")]
    open_start: Annotated[bool, Of("it begins at a gap or at the record's edge", "rule 4")]
    open_end: Annotated[bool, Of("it ends at a gap or at the record's edge", "rule 4")]
    flags: Annotated[FlagCounts, Of("its readings by flag", "QARTOD")]
    logger_alarm: Annotated[Literal["yes", "no", "unknown"], Of("did the logger's own alarm see it?")]
    logbook_line: Annotated[Count | None, Of("line of the check whose display showed it; none by readings", "logbook.csv")]
    trustworthy: Annotated[Trustworthy, Of("the same without impossible readings", "rule 7")]


class NearLimitRow(TypedDict, Generic[T]):
    """Readings inside the limit, but within the uncertainty of it: no excursion."""

    unit: NotRequired[Annotated[str, Of("the unit")]]
    probe: Annotated[str, Of("the probe")]
    direction: Annotated[Direction, Of("which limit")]
    start: Annotated[T, Of("first such reading")]
    end: Annotated[T, Of("last such reading")]
    extreme_c: Annotated[Celsius, Of("nearest the limit")]
    p_outside: Annotated[Share | None, Of("chance that it was outside", "JCGM 106")]


class EvidenceRow(TypedDict):
    """An observation that speaks for or against a cause."""

    observation: Annotated[str, Of("what was observed")]
    number: Annotated[Number | None, Of("its figure")]
    threshold: Annotated[Number | None, Of("what it is held against")]
    unit: Annotated[str, Of("unit of both")]
    weight: Annotated[Number, Of("how much it weighs")]
    comment: Annotated[str, Of("what that means for the cause")]


CauseRow = TypedDict(
    "CauseRow",
    {
        "cause": Annotated[CauseId, Of("the cause", "CONTRACTS results")],
        "support": Annotated[Share, Of("support among the candidates", "rule 11")],
        "for": Annotated[list[EvidenceRow], Of("what speaks for it")],
        "against": Annotated[list[EvidenceRow], Of("what speaks against it")],
        "untested": Annotated[list[str], Of("what could not be tested")],
        "check_next": Annotated[list[str], Of("what to look at next")],
    },
)
CauseRow.__doc__ = "A candidate cause with its evidence."


class RecurrentRow(TypedDict):
    """Regular short runs taken together."""

    count: Annotated[Count, Of("how many", "rule 8")]
    longest_min: Annotated[Minutes, Of("the longest", "rule 8")]
    total_min: Annotated[Minutes, Of("all together", "rule 8")]
    period_hours: Annotated[Hours, Of("from one to the next", "rule 8")]


class EpisodeRow(TypedDict, Generic[T]):
    """Excursions of one unit and direction that belong together."""

    id: Annotated[str, Of("its name in the results")]
    unit: Annotated[str, Of("its unit")]
    direction: Annotated[Direction, Of("which side", "rule 8")]
    excursions: Annotated[list[str], Of("ids of its excursions", "rule 8")]
    start: Annotated[T, Of("start of the first")]
    end: Annotated[T, Of("end of the last")]
    recurrent: Annotated[RecurrentRow | None, Of("where they are regular short runs", "rule 8")]
    causes: NotRequired[Annotated[list[CauseRow], Of("candidates, best first", "rule 11")]]


class LeadingCause(TypedDict):
    """The cause of the case."""

    cause: Annotated[CauseId, Of("the cause", "rule 11")]
    support: Annotated[Share, Of("its support", "rule 11")]


class MktRow(TypedDict, Generic[T]):
    """Mean kinetic temperature over a window of its rule."""

    unit: NotRequired[Annotated[str, Of("the unit")]]
    probe: Annotated[str, Of("the probe")]
    condition: Annotated[str, Of("the storage condition")]
    rule: Annotated[str, Of("the rule in words")]
    excursion: Annotated[str | None, Of("excursion that the window belongs to")]
    direction: Annotated[str, Of("from the excursion back, or forward", "FACTS A8, A11")]
    window_start: Annotated[T | None, Of("first instant", "FACTS A8")]
    window_end: Annotated[T | None, Of("last instant", "FACTS A8")]
    covered_share: Annotated[Share | None, Of("part that readings cover")]
    ea_kj_mol: Annotated[Energy | None, Of("activation energy", "USP <1160>, FACTS A1")]
    mkt_c: Annotated[Celsius | None, Of("mean kinetic temperature", "USP <1160>, FACTS A1")]
    limit_c: Annotated[Celsius | None, Of("limit of the rule")]
    used: Annotated[bool, Of("whether it may be used for this window")]
    why_not: Annotated[str, Of("why not")]
    warning: Annotated[str, Of("what stands against it")]
    source: Annotated[str, Of("the document of the rule")]


class BandRow(TypedDict):
    """Time beyond a temperature that the condition speaks of."""

    unit: NotRequired[Annotated[str, Of("the unit")]]
    probe: Annotated[str, Of("the probe")]
    direction: Annotated[Direction, Of("which side")]
    limit_c: Annotated[Celsius, Of("the temperature")]
    minutes: Annotated[Minutes, Of("on the straight line", "rule 6")]
    minutes_least: Annotated[Minutes, Of("that the readings prove", "rule 6")]
    minutes_most: Annotated[Minutes, Of("that they cannot rule out", "rule 6")]
    longest: Annotated[Minutes, Of("the longest single run", "rule 6")]
    longest_least: Annotated[Minutes, Of("at least", "rule 6")]
    longest_most: Annotated[Minutes, Of("at most", "rule 6")]


class BufferRow(TypedDict, Generic[T]):
    """The air that a buffered probe must have met: an estimate."""

    unit: NotRequired[Annotated[str, Of("the unit")]]
    probe: NotRequired[Annotated[str, Of("the probe")]]
    time_constant_min: NotRequired[Annotated[Minutes, Of("its time constant", "site.toml")]]
    air_high_c: Annotated[Celsius, Of("warmest air", "FACTS G1")]
    air_high_time: Annotated[T, Of("when")]
    warmer_by_c: Annotated[Kelvins, Of("warmer than the highest reading by")]
    air_low_c: Annotated[Celsius, Of("coldest air", "FACTS G1")]
    air_low_time: Annotated[T, Of("when")]
    colder_by_c: Annotated[Kelvins, Of("colder than the lowest reading by")]
    doubt_c: Annotated[Kelvins | None, Of("what the resolution leaves open")]


class GapEstimateRow(TypedDict, Generic[T]):
    """What might have happened inside a gap had cooling stopped: an estimate, never a verdict."""

    unit: NotRequired[Annotated[str, Of("the unit")]]
    probe: NotRequired[Annotated[str, Of("the probe")]]
    start: Annotated[T, Of("the gap's start")]
    end: Annotated[T, Of("the gap's end")]
    minutes: Annotated[Minutes, Of("its length")]
    before_c: Annotated[Celsius, Of("reading before it")]
    after_c: Annotated[Celsius | None, Of("reading after it")]
    warmest_c: Annotated[Celsius, Of("warmest course towards the room", "FACTS G3")]
    minutes_to_limit: Annotated[Minutes | None, Of("until it would have passed the limit")]
    assumes: Annotated[str, Of("what that rests on")]


class BesideRow(TypedDict, Generic[T]):
    """A unit looked at beside the case, over the same hours."""

    unit: Annotated[str, Of("the unit", "case.toml")]
    found: Annotated[Literal["none_outside", "outside", "no_readings"], Of("what its readings say of these hours", "CONTRACTS case.toml")]
    covered_share: Annotated[Share, Of("part of the window that the deciding probe covers which covers least", "rule 4")]
    excursions: Annotated[Count, Of("how many overlap the window", "rule 10")]
    first_out: Annotated[T | None, Of("first reading outside", "rule 5")]
    last_out: Annotated[T | None, Of("last reading outside", "rule 5")]
    text: Annotated[str, Of("in a sentence")]


class TogetherRow(TypedDict, Generic[T]):
    """Excursions of several units in one direction that overlap in time."""

    direction: Annotated[Direction, Of("which limit")]
    units: Annotated[list[str], Of("the units", "rule 11")]
    excursions: Annotated[list[str], Of("ids; those of a unit beside the case are numbered there only")]
    start: Annotated[T, Of("the first to leave", "rule 5")]
    end: Annotated[T, Of("the last to return", "rule 5")]
