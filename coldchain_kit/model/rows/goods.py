"""Rows about lots, and the results as a whole."""

from __future__ import annotations

from typing import Annotated, Generic, Literal, NotRequired, TypedDict

from coldchain_kit.model.rows.fields import Celsius, Count, Direction, Energy, Hours, Kelvins, Minutes, Of, Ratio, Role, SeenBy, Share, T
from coldchain_kit.model.rows.found import (
    BandRow,
    BesideRow,
    BufferRow,
    EpisodeRow,
    ExcursionRow,
    GapEstimateRow,
    LeadingCause,
    MktRow,
    NearLimitRow,
    TogetherRow,
)
from coldchain_kit.model.rows.given import (
    AlarmGuardRow,
    AlarmRow,
    BelievableRow,
    CalibrationRow,
    CaseRow,
    CheckRow,
    ClockRow,
    ConflictRow,
    FaultRow,
    ProbeRow,
    SourceRow,
    UncertaintyRow,
)


class StayProbeRow(TypedDict):
    """A probe over one stay of a lot."""

    probe: Annotated[str, Of("the probe")]
    role: Annotated[Role, Of("what it stands in", "site.toml")]
    readings: Annotated[Count, Of("readings with a value in the stay")]
    covered_share: Annotated[Share, Of("part of the stay that readings cover", "rule 4")]
    without_readings_min: Annotated[Minutes, Of("the rest", "rule 4")]
    mean_c: Annotated[Celsius | None, Of("mean weighed by time", "rule 9")]
    mean_why_not: Annotated[str | None, Of("why there is no mean", "rule 9")]
    mkt_c: Annotated[Celsius | None, Of("mean kinetic temperature, descriptive", "rule 9")]
    mkt_why_not: Annotated[str, Of("why there is none")]
    ea_kj_mol: Annotated[Energy, Of("activation energy", "FACTS A1")]
    u_c: Annotated[Kelvins | None, Of("largest standard uncertainty", "rule 6")]


class StayRow(TypedDict, Generic[T]):
    """A stay of a lot in a unit."""

    unit: Annotated[str, Of("the unit", "stock.csv")]
    quantity: Annotated[str | None, Of("how much", "stock.csv")]
    state: Annotated[str, Of("state of the goods; unopened where none is stated", "stock.csv")]
    state_stated: Annotated[bool, Of("whether the stock list states it", "stock.csv")]
    opened_at: Annotated[T | None, Of("when it was opened", "stock.csv")]
    moved_in: Annotated[T, Of("from", "stock.csv")]
    moved_out: Annotated[T | None, Of("until; none: still there", "stock.csv")]
    judged_from: Annotated[T | None, Of("first instant that counts here", "rule 10")]
    judged_to: Annotated[T | None, Of("last instant that counts here", "rule 10")]
    condition: Annotated[str, Of("storage condition it is held against")]
    condition_title: Annotated[str, Of("its title")]
    condition_source: Annotated[str, Of("its document")]
    condition_status: Annotated[str, Of("how that document is known: READ, READ-2, MEMORY")]
    probes: Annotated[list[StayProbeRow], Of("the probes over it")]


class ExposureRow(TypedDict, Generic[T]):
    """What a lot received in one stay, by one probe, on one side."""

    unit: Annotated[str, Of("the unit")]
    probe: Annotated[str | None, Of("the probe; none where only a display saw it")]
    role: Annotated[SeenBy, Of("what it stands in, or the display")]
    direction: Annotated[Direction, Of("which limit")]
    limit_c: Annotated[Celsius, Of("the limit", "rule 3")]
    condition: Annotated[str, Of("storage condition")]
    start: Annotated[T, Of("from")]
    end: Annotated[T, Of("until")]
    minutes: Annotated[Minutes, Of("outside, on the straight line", "rule 6")]
    minutes_least: Annotated[Minutes, Of("at least", "rule 6")]
    minutes_most: Annotated[Minutes, Of("at most", "rule 6")]
    longest: Annotated[Minutes, Of("the longest single run", "rule 6")]
    longest_least: Annotated[Minutes, Of("at least", "rule 6")]
    longest_most: Annotated[Minutes, Of("at most", "rule 6")]
    readings_outside: Annotated[Count, Of("readings outside")]
    min_c: Annotated[Celsius | None, Of("lowest, corrected")]
    min_time: Annotated[T | None, Of("its instant")]
    max_c: Annotated[Celsius | None, Of("highest, corrected")]
    max_time: Annotated[T | None, Of("its instant")]
    min_bound: Annotated[bool, Of("min_c is a bound", "rule 9")]
    max_bound: Annotated[bool, Of("max_c is a bound", "rule 9")]
    min_one_sided: Annotated[str | None, Of('"at least" or "at most" where a one-sided reading decides it', "rule 9")]
    max_one_sided: Annotated[str | None, Of('"at least" or "at most" where a one-sided reading decides it', "rule 9")]
    min_text: Annotated[str | None, Of("the file's own text of that reading", "rule 9")]
    max_text: Annotated[str | None, Of("the file's own text of that reading", "rule 9")]
    as_read_min_c: Annotated[Celsius | None, Of("lowest as read")]
    as_read_max_c: Annotated[Celsius | None, Of("highest as read")]
    first_out: Annotated[T | None, Of("first reading outside", "rule 5")]
    last_out: Annotated[T | None, Of("last reading outside", "rule 5")]
    first_back: Annotated[T | None, Of("first reading inside again", "rule 5")]
    excursions: Annotated[list[str], Of("ids of the excursions that overlap it")]


class AllowanceRow(TypedDict):
    """What a manufacturer stated, and what of it this case used."""

    lot: Annotated[str, Of("the lot", "allowances.csv")]
    line: Annotated[Count, Of("line in allowances.csv")]
    from_c: Annotated[Celsius, Of("stated from", "allowances.csv")]
    to_c: Annotated[Celsius, Of("stated to", "allowances.csv")]
    hours: Annotated[Hours, Of("stated time", "allowances.csv")]
    counting: Annotated[Literal["single", "total"], Of("single run or total", "allowances.csv")]
    direction: Annotated[Direction, Of("which side it speaks of")]
    source: Annotated[str, Of("the statement", "allowances.csv")]
    dated: Annotated[str | None, Of("its date", "allowances.csv")]
    state: Annotated[str, Of("state of the goods that it is for; unopened where none is stated", "allowances.csv")]
    state_stated: Annotated[bool, Of("whether it states one", "allowances.csv")]
    applicable: Annotated[bool, Of("whether it can be applied here", "CONTRACTS allowances")]
    why: Annotated[str, Of("why not, or with what reserve")]
    used_least: Annotated[Hours | None, Of("used, at least", "CONTRACTS allowances")]
    used_most: Annotated[Hours | None, Of("used, at most; time without readings counts", "CONTRACTS allowances")]
    used_bound: Annotated[bool, Of("earlier time is not known: the hours are those of this case only", "CONTRACTS allowances")]
    share_least: Annotated[Ratio | None, Of("used_least over the stated time")]
    share_most: Annotated[Ratio | None, Of("used_most over the stated time; none where earlier time is not known")]
    more_than_stated: Annotated[Literal["yes", "may_be", "no"] | None, Of("whether more is used than was stated; none where it does not apply", "CONTRACTS allowances")]
    earlier_hours: Annotated[Hours, Of("time out before this case", "stock.csv")]
    without_readings_hours: Annotated[Hours, Of("time without readings that counts as used")]


class LotBandRow(TypedDict):
    """Time of a lot beyond a temperature, over all its stays."""

    direction: Annotated[Direction, Of("which side")]
    limit_c: Annotated[Celsius, Of("the temperature")]
    minutes_least: Annotated[Minutes, Of("at least", "rule 6")]
    minutes_most: Annotated[Minutes, Of("at most", "rule 6")]
    longest_least: Annotated[Minutes, Of("longest single run, at least", "rule 6")]
    longest_most: Annotated[Minutes, Of("longest single run, at most", "rule 6")]


class LotOutsideRow(TypedDict):
    """Time of a lot beyond its limit on one side, over all its stays."""

    limit_c: Annotated[Celsius | None, Of("the limit; none where its stays have several")]
    limits_c: Annotated[list[Celsius], Of("every limit, each stay held against its own")]
    minutes_least: Annotated[Minutes, Of("at least", "rule 6")]
    minutes_most: Annotated[Minutes, Of("at most", "rule 6")]
    longest_least: Annotated[Minutes, Of("longest single run, at least", "rule 6")]
    longest_most: Annotated[Minutes, Of("longest single run, at most", "rule 6")]


class FreezingRow(TypedDict, Generic[T]):
    """Could the lot have frozen?"""

    unit: NotRequired[Annotated[str, Of("unit of the lowest reading")]]
    probe: Annotated[str | None, Of("its probe; none where only a display saw it")]
    role: Annotated[SeenBy, Of("what that stands in, or the display")]
    time: Annotated[T, Of("its instant")]
    lowest_c: Annotated[Celsius | None, Of("lowest value, as read or corrected; none where it has no number")]
    lowest_one_sided: Annotated[str | None, Of('"at most" or "at least" where that reading is one-sided', "rule 9")]
    lowest_text: Annotated[str | None, Of("the file's own text of it", "rule 9")]
    expanded_c: Annotated[Kelvins, Of("its U", "rule 6")]
    lowest_less_u_c: Annotated[Celsius | None, Of("lowest less U")]
    do_not_freeze: NotRequired[Annotated[bool, Of("whether the list says that it must not freeze", "stock.csv")]]
    freeze_c: NotRequired[Annotated[Celsius, Of("the freezing point it is held against", "FACTS B13")]]
    freeze_rule: NotRequired[Annotated[str, Of("that point and where it is from, in words")]]
    possible: Annotated[bool, Of("whether freezing cannot be ruled out at this place", "FACTS B13")]


class BesideOutsideRow(TypedDict):
    """Contents beside the probe beyond one limit, an estimate."""

    limit_c: Annotated[Celsius, Of("the limit", "rule 3")]
    minutes_least: Annotated[Minutes, Of("contents beyond it, at least")]
    minutes_most: Annotated[Minutes, Of("contents beyond it, at most; time that nothing tells about counts")]
    probe_minutes: Annotated[Minutes, Of("the probe beyond it, on the straight line", "rule 6")]


class ProductBesideRow(TypedDict, Generic[T]):
    """Contents of a stated or assumed time constant in the air that a probe met during a stay: an estimate."""

    unit: Annotated[str, Of("the unit")]
    probe: Annotated[str, Of("the probe")]
    start: Annotated[T, Of("from")]
    end: Annotated[T, Of("until")]
    time_constant_min: Annotated[list[Minutes], Of("least and most time constant of the contents", "site.toml")]
    stated: Annotated[bool, Of("whether the site states it")]
    source: Annotated[str, Of("where it is from")]
    estimate: Annotated[bool, Of("always true")]
    probe_time_constant_min: Annotated[list[Minutes], Of("the probe's own: as declared, else the ends of what is usual for its role", "site.toml; FACTS G2, G4, C13")]
    assumes: Annotated[str, Of("what it rests on, in words")]
    max_least_c: Annotated[Celsius, Of("highest of the contents, at least")]
    max_most_c: Annotated[Celsius, Of("highest of the contents, at most")]
    min_least_c: Annotated[Celsius, Of("lowest of the contents, the lower end")]
    min_most_c: Annotated[Celsius, Of("lowest of the contents, the upper end")]
    probe_max_c: Annotated[Celsius | None, Of("highest of the probe; none where it has no number", "rule 9")]
    probe_min_c: Annotated[Celsius | None, Of("lowest of the probe; none where it has no number", "rule 9")]
    outside: Annotated[dict[Direction, BesideOutsideRow], Of("beyond each limit")]
    unknown_minutes: Annotated[Minutes, Of("time that nothing tells about")]


class EarlierRow(TypedDict, Generic[T]):
    """What an earlier frozen case found for the same lot."""

    case: Annotated[str, Of("its number")]
    lot: Annotated[str, Of("the lot")]
    start: Annotated[T, Of("its window from")]
    end: Annotated[T, Of("its window until")]
    out_hours_least: Annotated[Hours, Of("out of range, at least")]
    out_hours_most: Annotated[Hours, Of("out of range or without readings, at most")]
    possible_freezing: Annotated[bool | None, Of("whether freezing was possible then")]


class LotRow(TypedDict, Generic[T]):
    """A lot over its whole stay."""

    lot: Annotated[str, Of("its number", "stock.csv")]
    product: Annotated[str, Of("what it is", "stock.csv")]
    presentation: Annotated[str | None, Of("how it is packed", "stock.csv")]
    manufacturer: Annotated[str | None, Of("who made it", "stock.csv")]
    expiry: Annotated[str | None, Of("its expiry", "stock.csv")]
    goes_with: Annotated[str | None, Of("the lot that it goes with, such as a diluent", "stock.csv")]
    stays: Annotated[list[StayRow[T]], Of("where it lay", "stock.csv")]
    exposures: Annotated[list[ExposureRow[T]], Of("what it received")]
    bands: Annotated[list[LotBandRow], Of("time beyond each temperature of its condition")]
    outside: Annotated[dict[Direction, LotOutsideRow], Of("time beyond its limits")]
    without_readings_min: Annotated[Minutes, Of("time of its stays without readings")]
    missing_readings: Annotated[Count, Of("readings that should stand in its stays and do not, gaps apart", "rule 14")]
    missing_share: Annotated[Share | None, Of("part of its stays that missing readings take", "rule 14")]
    allowances: Annotated[list[AllowanceRow], Of("what was stated for it")]
    sides_without_statement: Annotated[list[Direction], Of("sides of its limits that no statement covers although one covers the other")]
    product_beside: Annotated[list[ProductBesideRow[T]], Of("contents beside the probe, an estimate on which no verdict rests")]
    earlier_known: Annotated[bool, Of("whether the list says how long it was out before", "stock.csv")]
    earlier_out_hours: Annotated[Hours | None, Of("time out before, as stated", "stock.csv")]
    earlier_cases: Annotated[list[EarlierRow[str]], Of("earlier frozen cases of this lot")]
    freezing: Annotated[FreezingRow[T] | None, Of("the lowest it met")]
    possible_freezing: Annotated[bool | None, Of("freezing cannot be ruled out")]
    needs_decision: Annotated[bool, Of("somebody must decide on it", "rule 14")]
    why: Annotated[list[str], Of("why, a sentence each", "rule 14")]


class Results(TypedDict, Generic[T]):
    """The canonical result of a case or a month."""

    schema: Annotated[str, Of("name of this form")]
    rules: Annotated[Count, Of("edition of the rules that made the numbers", "CONTRACTS")]
    case: Annotated[CaseRow[T], Of("which case")]
    sources: Annotated[list[SourceRow[T]], Of("the downloads")]
    probes: Annotated[list[ProbeRow[T]], Of("each probe over the window")]
    mkt: Annotated[list[MktRow[T]], Of("mean kinetic temperatures by rule")]
    excursions: Annotated[list[ExcursionRow[T]], Of("runs outside the limits")]
    near_limit: Annotated[list[NearLimitRow[T]], Of("inside, but within the uncertainty")]
    conflicts: Annotated[list[ConflictRow[T]], Of("readings at odds")]
    episodes: Annotated[list[EpisodeRow[T]], Of("excursions that belong together, with causes")]
    faults: Annotated[list[FaultRow[T]], Of("what is wrong with the record")]
    bands: Annotated[list[BandRow], Of("time beyond temperatures of the condition")]
    buffer: Annotated[list[BufferRow[T]], Of("air behind a buffer, estimated")]
    gap_estimates: Annotated[list[GapEstimateRow[T]], Of("course inside gaps, estimated")]
    calibration: Annotated[list[CalibrationRow], Of("certificates")]
    uncertainty: Annotated[list[UncertaintyRow], Of("components of the uncertainty")]
    alarm_guard: Annotated[list[AlarmGuardRow], Of("alarm limits with a guard band")]
    alarms: Annotated[list[AlarmRow[T]], Of("what is to be known of alarms")]
    checks: Annotated[list[CheckRow[T]], Of("displays against readings")]
    believable: Annotated[list[BelievableRow], Of("is each unit's record believable?")]
    clock: Annotated[list[ClockRow], Of("what is known of each clock")]
    beside: Annotated[list[BesideRow[T]], Of("units looked at beside the case", "case.toml")]
    together: Annotated[list[TogetherRow[T]], Of("units that left their range together", "rule 11")]
    cause: Annotated[LeadingCause, Of("cause of the case")]
    lots: Annotated[list[LotRow[T]], Of("the lots")]
