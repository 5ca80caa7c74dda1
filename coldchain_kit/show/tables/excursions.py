"""What happened, how bad it was and why: excursions with bounds, totals, MKT, bands, episodes, causes with their evidence."""

from __future__ import annotations

from typing import TYPE_CHECKING

from coldchain_kit.model import BandRow, CauseRow, ExcursionRow, ProbeRow, RecurrentRow
from coldchain_kit.show import wording
from coldchain_kit.show.tables.causes import strength
from coldchain_kit.show.tables.inputs import MOST_ROWS
from coldchain_kit.show.tables.table import Table, Tables, capped, turned

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment

BOUNDS = 'Between neighbouring readings the temperature is taken to stay between them. "At least" and "at most" hold the probe\'s uncertainty and the time without readings.'


def readings(assessment: Assessment) -> Table:
    """Lowest, highest, mean and MKT of each probe: corrected values, the as-read extremes beside them."""
    zone = assessment.site.timezone
    rows = tuple(
        (
            f"{row['unit']} {row['probe']}", wording.word(row["role"]), "yes" if row["decides"] else "no", wording.end_of(row, "min"), wording.when(row["min_time"], zone), wording.end_of(row, "max"), wording.when(row["max_time"], zone),
            f"{wording.end_of(row, 'min', as_read=True)} to {wording.end_of(row, 'max', as_read=True)}", wording.celsius(row["mean_c"]) if row["mean_c"] is not None else "not given, see below", wording.celsius(row["mkt_c"]) if row["mkt_c"] is not None else "not given, see below", f"{_expanded(row)}, {wording.word(row['u_from'])}",
        )
        for row in assessment.results["probes"]
    )  # fmt: skip
    columns = ("Unit and probe", "Role", "Decides", "Lowest", "Lowest at", "Highest", "Highest at", "As read, lowest to highest", "Mean", "MKT over the window", "Expanded uncertainty (k = 2)")
    notes = (
        "Lowest, highest, mean and MKT: corrected values where a certificate is given, over all readings with a value, whatever their flag; mean and MKT weigh each reading by its time.",
        "MKT over the window describes, it excuses nothing. It is not given for frozen products, room and surface probes, and where a reading lies below the low limit.",
    )
    refused = dict.fromkeys(f"{row['unit']} {row['probe']}: {row['mean_why_not']}" for row in assessment.results["probes"] if row.get("mean_why_not"))
    return turned(Table("Readings of each probe in the window", columns, rows, (*notes, *refused)))


def _expanded(row: ProbeRow[str]) -> str:
    return wording.NOT_KNOWN if row["u_c"] is None else f"{wording.celsius(2 * row['u_c'])}"


def excursions(assessment: Assessment) -> Tables:
    """When each excursion was, and how long and how far it went."""
    rows = assessment.results["excursions"]
    if not rows:
        return Tables((Table("Excursions", (), empty=_none_found(assessment)),))
    read, shown = ([row for row in rows if wording.of_display(row) is display] for display in (False, True))
    found = (_when(read, assessment.site.timezone), _how_bad(read, assessment.results["probes"])) if read else ()
    return Tables((*found, _by_display(shown, assessment.site.timezone))) if shown else Tables(found)


def _by_display(rows: list[ExcursionRow[str]], zone: str) -> Table:
    """What only a display saw: its figure, and the time within which it may have been."""
    cells = [
        (
            row["id"], row["unit"], wording.word(row["direction"]), wording.celsius(row["limit_c"]), wording.celsius(row["extreme_c"], limit=row["limit_c"]),
            f"{wording.when(row['start'], zone)}, {'no reset before is known' if row['open_start'] else 'last check with reset'}", wording.when(row["end"], zone),
            f"0 min to {wording.minutes(row['minutes_most'])}", wording.BY_DISPLAY, f"line {row['logbook_line']}",
        )
        for row in rows
    ]  # fmt: skip
    shown, notes = capped(cells, MOST_ROWS, "excursions")
    columns = ("Id", "Unit", "Direction", "Limit", "Displayed", "Not before", "Not after", "Time outside, at least to at most", "Verdict", "Logbook")
    notes = (*notes, "No reading shows these. Each counts as an excursion: for the lots, for the cause, and for how much of a statement may be used.")
    return turned(Table("Excursions by the display only", columns, shown, notes))


def _none_found(assessment: Assessment) -> str:
    holes = any(row["gaps"] for row in assessment.results["probes"] if row["decides"])
    return (
        "no reading lies outside the limits, but there is time without readings about which nothing is known."
        if holes
        else "no reading of the deciding probes lies outside the limits in this window."
    )


def _when(rows: list[ExcursionRow[str]], zone: str) -> Table:
    def edge(time: str, is_open: bool) -> str:
        told = wording.when(time, zone, estimated=True)
        return f"{told}, {'record begins or ends, or a gap' if is_open else 'estimated'}"

    cells = [
        (
            row["id"], f"{row['unit']} {row['probe']}", wording.word(row["direction"]), wording.celsius(row["limit_c"]), wording.when(row["start_earliest"], zone), wording.when(row["first_out"], zone), edge(row["start"], row["open_start"]), wording.when(row["last_out"], zone), edge(row["end"], row["open_end"]),
            wording.when(row["end_latest"], zone),
        )
        for row in rows
    ]  # fmt: skip
    shown, notes = capped(cells, MOST_ROWS, "excursions")
    columns = (
        "Id",
        "Unit and probe",
        "Direction",
        "Limit",
        "Last reading inside before",
        "First reading outside",
        "Start",
        "Last reading outside",
        "End",
        "First reading inside after, or record's edge",
    )
    return turned(
        Table(
            "Excursions: when",
            columns,
            shown,
            (*notes, "Start and end are where the straight line between two readings meets the limit. The others are readings that stand in the file."),
        )
    )


def _how_bad(rows: list[ExcursionRow[str]], probes: list[ProbeRow[str]]) -> Table:
    cells = [
        (
            row["id"], extreme(row, probes), wording.word(row["basis"]), wording.minutes(row["minutes"]), f"{wording.minutes(row['minutes_least'])} to {wording.minutes(row['minutes_most'])}", wording.area(row["degree_minutes"], bound=bool(row.get("degree_minutes_bound"))), wording.count(row["readings"]),
            wording.word(row["verdict"]), wording.chance(row["p_outside"]), "yes: faulty" if row["faulty"] else "no", wording.word(row["logger_alarm"]), _without_impossible(row),
        )
        for row in rows
    ]  # fmt: skip
    shown, notes = capped(cells, MOST_ROWS, "excursions")
    columns = (
        "Id",
        "Most extreme",
        "Outside in the values",
        "Time outside",
        "At least to at most",
        "Degree-minutes beyond the limit",
        "Readings",
        "Verdict",
        "Chance that the true value was outside",
        "Readings look impossible",
        "Shown by the logger's alarm",
        "Without readings that look impossible",
    )
    return turned(
        Table("Excursions: how long and how far", columns, shown, (*notes, BOUNDS, "All readings are the headline. An excursion of readings that look impossible stays listed."))
    )


def extreme(row: ExcursionRow[str], probes: list[ProbeRow[str]]) -> str:
    """An excursion's extreme; where it is the probe's own extreme and the certificate moved it, both values."""
    told = wording.extreme(row, limit=row["limit_c"])
    if row.get("extreme_bound") or row["extreme_c"] is None:
        return told
    for probe in probes:
        own = (probe["max_time"], probe["as_read_max_c"], probe["max_c"]) if row["direction"] == "above" else (probe["min_time"], probe["as_read_min_c"], probe["min_c"])
        if (probe["unit"], probe["probe"], own[0]) == (row["unit"], row["probe"], row["extreme_time"]):
            read, right = (wording.celsius(value_c, limit=row["limit_c"]) for value_c in own[1:])
            return f"{read} as read, {right} corrected" if read != right and told in (read, right) else told
    return told


def _without_impossible(row: ExcursionRow[str]) -> str:
    """The exposure without the readings that the quality tests call impossible; "the same" where there are none."""
    held = row.get("trustworthy")
    if not held:
        return "not evaluated"
    if held["readings"] == row["readings"]:
        return "the same"
    rest: ExcursionRow[str] = {**row, **held}
    return f"{wording.minutes(held['minutes'])}, {wording.area(held['degree_minutes'], bound=bool(held.get('extreme_bound')))}, most extreme {wording.extreme(rest, limit=row['limit_c'])}"


def near_limit(assessment: Assessment) -> Table:
    """Readings inside the limit, but within the probe's uncertainty of it: no excursion, yet worth knowing."""
    zone = assessment.site.timezone
    cells = [
        (
            f"{row['unit']} {row['probe']}",
            wording.word(row["direction"]).replace("the limit", "side"),
            wording.when(row["start"], zone),
            wording.when(row["end"], zone),
            wording.celsius(row["extreme_c"]),
            wording.chance(row["p_outside"]),
        )
        for row in assessment.results["near_limit"]
    ]
    shown, notes = capped(cells, 20, "stretches")
    return Table(
        "Inside the limit, but within the probe's uncertainty of it",
        ("Unit and probe", "Side", "From", "To", "Nearest to the limit", "Chance that the true value was outside"),
        shown,
        notes,
        "No reading lies so close to a limit.",
    )


def totals(assessment: Assessment) -> Table:
    """Total time outside of each probe, with bounds; a stretch counts once."""
    cells = []
    for row in assessment.results["probes"]:
        for side, held in row["outside"].items():
            cells.append(
                (
                    f"{row['unit']} {row['probe']}",
                    "yes" if row["decides"] else "no, evidence only",
                    wording.word(side),
                    wording.minutes(held["minutes"]),
                    wording.minutes(held["minutes_least"]),
                    wording.minutes(held["minutes_most"]),
                )
            )
    return Table(
        "Total time outside in the window",
        ("Unit and probe", "Decides", "Side", "By the readings", "At least", "At most"),
        tuple(cells),
        () if assessment.results["excursions"] else (BOUNDS,),
        "There is no limit to be outside of.",
    )


def mkt(assessment: Assessment) -> Table:
    """Mean kinetic temperature by each rule's own windows, with refusals and the warning where a long window hides a hot day."""
    zone = assessment.site.timezone
    cells = [
        (
            row["probe"], row["rule"], wording.when(row["window_start"], zone), wording.when(row["window_end"], zone), wording.percent(row["covered_share"]), wording.celsius(row["mkt_c"], limit=row["limit_c"]) if row["mkt_c"] is not None else "refused",
            wording.celsius(row["limit_c"]), f"{row['ea_kj_mol']:g} kJ/mol" if row["ea_kj_mol"] else None, " ".join(filter(None, (row.get("why_not"), row.get("warning")))) or "none", row["source"],
        )
        for row in assessment.results["mkt"]
    ]  # fmt: skip
    shown, notes = capped(cells, MOST_ROWS, "windows")
    notes = (*notes, "An MKT says nothing about time without readings, nothing about freezing, and a long window hides a hot day.")
    columns = ("Probe", "Rule", "Window from", "to", "Covered", "MKT", "Limit", "Activation energy", "Remarks", "Source")
    return turned(Table("Mean kinetic temperature (MKT), corrected values, by rule", columns, shown, notes, "The storage condition has no MKT rule, or no window it applies to."))


def buffer(assessment: Assessment) -> Table:
    """What a buffered probe's lag hides: how far the air around it must have gone."""
    zone = assessment.site.timezone
    cells = tuple(
        (
            f"{row['unit']} {row['probe']}", wording.minutes(row["time_constant_min"]), f"{wording.celsius(row['air_high_c'])} at {wording.when(row['air_high_time'], zone)}", f"{wording.figure(row['warmer_by_c'])} °C",
            f"{wording.celsius(row['air_low_c'])} at {wording.when(row['air_low_time'], zone)}", f"{wording.figure(row['colder_by_c'])} °C", "not known" if row["doubt_c"] is None else f"{wording.figure(row['doubt_c'])} °C",
        )
        for row in assessment.results.get("buffer", ())
    )  # fmt: skip
    columns = (
        "Unit and probe",
        "Time constant declared",
        "Warmest air",
        "Warmer than the highest reading by",
        "Coldest air",
        "Colder than the lowest reading by",
        "Doubt from the display's step",
    )
    notes = ("Reckoned back from the probe's lag. Product has a lag of its own, often another one. No verdict and no allowance rests on this.",)
    return turned(
        Table("What the buffer hides: the air that the probe must have met", columns, cells, notes, "not evaluated: no deciding buffered probe with a declared time constant.")
    )


def gap_estimates(assessment: Assessment) -> Table:
    """What might have happened inside each gap if cooling had stopped at its start. The only bound is: unknown."""
    zone = assessment.site.timezone
    cells = [
        (
            f"{row['unit']} {row['probe']}", wording.when(row["start"], zone), wording.when(row["end"], zone), wording.celsius(row["before_c"]), wording.celsius(row["after_c"]), wording.celsius(row["warmest_c"]),
            "not within the gap" if row["minutes_to_limit"] is None else f"after {wording.minutes(row['minutes_to_limit'])}", row["assumes"],
        )
        for row in assessment.results.get("gap_estimates", ())
    ]  # fmt: skip
    shown, notes = capped(cells, 20, "gaps")
    columns = ("Unit and probe", "From", "To", "Reading before", "Reading after", "Warmest, if cooling had stopped", "High limit reached", "Assumptions")
    empty = "no estimate: there is no gap, or the unit's own warm-up and the room's temperature are not known."
    return turned(
        Table("Inside the gaps: an estimate, not a bound", columns, shown, (*notes, "What really happened is unknown. No verdict and no allowance rests on this."), empty)
    )


def bands(assessment: Assessment) -> Table:
    """Minutes beyond further temperatures, with bounds; those that nothing comes near are named below."""
    rows = assessment.results.get("bands", ())
    cells = [
        (
            f"{row['unit']} {row['probe']}",
            _beyond(row),
            wording.minutes(row["minutes"]),
            f"{wording.minutes(row['minutes_least'])} to {wording.minutes(row['minutes_most'])}",
            wording.minutes(row.get("longest")),
        )
        for row in rows
        if row["minutes_most"]
    ]
    quiet = [f"{row['unit']} {row['probe']} {_beyond(row)}" for row in rows if not row["minutes_most"]]
    shown, notes = capped(cells, MOST_ROWS, "rows")
    notes = (*notes, f"No reading, not even within the uncertainty, and no gap beyond: {'; '.join(quiet)}.") if quiet else notes
    empty = f"no reading lies there, not even within the uncertainty, and no gap: {'; '.join(quiet)}." if rows else "not evaluated."
    return Table(
        f"Time beyond these temperatures, deciding probes; {wording.FURTHER}",
        ("Unit and probe", "Beyond", "By the readings", "At least to at most", "Longest run"),
        shown,
        notes,
        empty,
    )


def _beyond(row: BandRow) -> str:
    return f"{row['direction']} {wording.celsius(row['limit_c'])}"


def episodes(assessment: Assessment) -> Table:
    """Episodes: excursions of a unit that belong together."""
    zone = assessment.site.timezone
    cells = [
        (
            row["id"],
            row["unit"],
            wording.when(row["start"], zone, estimated=True),
            wording.when(row["end"], zone, estimated=True),
            _members(row["excursions"]),
            _again(row["recurrent"]),
            _leading(row["causes"]),
        )
        for row in assessment.results["episodes"]
    ]
    shown, notes = capped(cells, MOST_ROWS, "episodes")
    return Table("Episodes", ("Id", "Unit", "From", "To", "Excursions", "Comes back", "Most likely immediate cause"), shown, notes, "No excursion, so no episode.")


def _members(ids: list[str]) -> str:
    return ", ".join(ids) if len(ids) <= 6 else f"{len(ids)}: {ids[0]} to {ids[-1]}"


def _again(held: RecurrentRow | None) -> str:
    if not held:
        return "no"
    return f"{held['count']} times, about every {wording.figure(held['period_hours'])} h; longest {wording.minutes(held['longest_min'])}, together {wording.minutes(held['total_min'])}"


def _leading(causes: list[CauseRow]) -> str:
    return f"{wording.word(causes[0]['cause'])} ({strength(causes[0]['support'])} support)" if causes else "not evaluated"
