"""Is the record believable: answer, clock, calibration, coverage, flags, faults, gaps, readings at odds, alarms, checks."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Literal

from coldchain_kit.model import CalibrationRow, ProbeRow
from coldchain_kit.show import wording
from coldchain_kit.show.tables.from_rows import records
from coldchain_kit.show.tables.inputs import MOST_ROWS
from coldchain_kit.show.tables.table import Table, capped

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment


def believable(assessment: Assessment) -> Table:
    """The one-line answer for each unit, with its reasons."""
    rows = tuple((row["unit"], wording.word(row["answer"]), row["reasons"] or "no fault was found in the record") for row in assessment.results.get("believable", ()))
    return Table("Is the record believable?", ("Unit", "Answer", "Reasons"), rows, empty="not evaluated.")


def clock(assessment: Assessment) -> Table:
    """How sure the times are."""
    given = assessment.results.get("clock") or [{"unit": unit.name, "state": unit.clock.get("state", ""), "text": unit.clock.get("text", "")} for unit in assessment.units.values()]
    rows = tuple((row["unit"], wording.word(row["state"]), _once(row["text"])) for row in given)
    return Table("The clock", ("Unit", "State", "In words"), rows, empty="not evaluated.")


def _once(text: str | None) -> str | None:
    """The text without sentences that stand in it before: each file says its own, often the same."""
    return " ".join(dict.fromkeys(re.split(r"(?<=[.!?]) (?=[A-Z])", text))) if text else text


def calibration(assessment: Assessment) -> Table:
    """Certificates in force over the window, their due dates and uncertainties; as-found points out of tolerance."""
    rows = tuple(
        (
            f"{row.get('unit') or ''} {row.get('probe')}".strip(), row.get("certificate") or "none", row.get("date"), _due(row), wording.celsius(row.get("expanded_uncertainty_c")),
            f"{_expanded(row)}, {wording.word(row.get('u_from'))}", row.get("text") if row.get("as_found_out") or row.get("overdue") or row.get("u_from") == "assumed" else "nothing",
        )
        for row in assessment.results.get("calibration", ())
    )  # fmt: skip
    columns = ("Unit and probe", "Certificate", "Date", "Due", "Expanded uncertainty stated", "Expanded uncertainty used (k = 2)", "To be looked at")
    notes = ("The uncertainty used holds the certificate's and half a step of the display. Without a certificate it is assumed, and said so.",)
    return Table("Calibration over the window", columns, rows, notes, "not evaluated.")


def uncertainty(assessment: Assessment) -> Table:
    """What the uncertainty of each deciding probe is made of, and what stands beside it."""
    rows = tuple(
        (f"{row['unit']} {row['probe']}", row["component"], f"{row['u_c']:.2g} °C", "in U" if row["in_u"] else "beside U", row["how"])
        for row in assessment.results.get("uncertainty", ())
    )
    columns = ("Unit and probe", "Component", "Standard uncertainty, or bias", "Where it counts", "How it was reckoned")
    notes = ("U is twice the root of the sum of squares of what is in U (GUM). What stands beside U widens no bound; keep it in mind.",)
    return Table("What the uncertainty is made of", columns, rows, notes, "not evaluated.")


def alarm_settings(assessment: Assessment) -> Table:
    """Where alarms would stand with a guard band of U; never used to declare an excursion."""
    rows = tuple(
        (f"{row['unit']} {row['probe']}", "high" if row["direction"] == "above" else "low", wording.celsius(row["limit_c"]), wording.celsius(row["alarm_c"]))
        for row in assessment.results.get("alarm_guard", ())
    )
    notes = ("The limit less the probe's expanded uncertainty (ILAC-G8, guard band w = U): a true temperature beyond the limit is then missed with a chance of at most 2.3 % a reading, before any alarm delay and the probe's lag. For setting the logger's alarm only: excursions are judged at the limit itself.",)
    return Table("Alarm settings with a guard band", ("Unit and probe", "Alarm", "Limit", "Setting"), rows, notes, "not evaluated.")


def _due(row: CalibrationRow) -> str:
    if row.get("overdue") is None or not row.get("due"):
        return row.get("due") or wording.NOT_KNOWN
    return f"{row['due']}, {'overdue' if row['overdue'] else 'not overdue'}"


def _expanded(row: CalibrationRow) -> str:
    return wording.NOT_KNOWN if row["u_c"] is None else wording.celsius(2 * row["u_c"])


def coverage(assessment: Assessment) -> Table:
    """How much of the window each probe's readings cover. Time without readings is never counted as in range."""
    rows = tuple(
        (
            _name(row), wording.count(row["readings"]), wording.percent(row["covered_share"]), wording.count(row["missing_readings"]), wording.count(len(row["gaps"])),
            wording.minutes(max((gap["minutes"] for gap in row["gaps"]), default=0.0)), wording.minutes(row["unknown_minutes"]),
        )
        for row in assessment.results["probes"]
    )  # fmt: skip
    columns = ("Probe", "Readings with a value", "Window covered", "Missing readings", "Gaps", "Longest gap", "Time about which nothing is known")
    return Table("Coverage of the window", columns, rows, ("Time without readings is never counted as in range. Shares are cut, never rounded up.",))


def flags(assessment: Assessment) -> Table:
    """How many readings the quality tests call good, suspect, failed; how many they could not judge."""
    kinds: tuple[Literal["good", "not_evaluated", "suspect", "fail", "missing"], ...] = ("good", "not_evaluated", "suspect", "fail", "missing")
    rows = tuple((_name(row), *(wording.count(row["flags"][kind]) for kind in kinds)) for row in assessment.results["probes"])
    notes = ('A flag marks a reading and never deletes it. "Not evaluated" is not good: a test could not judge there.',)
    return Table("Readings by quality flag", ("Probe", *(wording.word(kind).capitalize() for kind in kinds)), rows, notes)


def faults(assessment: Assessment) -> Table:
    """Every fault found in the record, in plain words; stretches without readings have a table of their own."""
    zone = assessment.site.timezone
    rows = [
        (wording.word(row["kind"]), f"{row['unit']} {row['probe'] or ''}".strip(), wording.when(row["start"], zone), wording.when(row["end"], zone), wording.count(row["readings"]), row["text"])
        for row in assessment.results["faults"]
        if row["kind"] != "gap"
    ]
    shown, notes = capped(rows, MOST_ROWS, "faults")
    more = any(row["kind"] == "gap" for row in assessment.results["faults"])
    empty = "No other fault than the stretches without readings was found by the tests that ran." if more else "No fault was found by the tests that ran."
    notes = (*notes, "Stretches without readings stand in a table of their own.") if more else notes
    return Table("Faults of the record", ("Kind", "Unit and probe", "From", "To", "Readings", "In words"), shown, notes, empty)


def gaps(assessment: Assessment) -> Table:
    """Every stretch without readings."""
    zone = assessment.site.timezone
    rows = [
        (
            _name(row),
            "none in the window" if gap.get("edge") == "start" else wording.when(gap["start"], zone),
            "none in the window" if gap.get("edge") == "end" else wording.when(gap["end"], zone),
            wording.minutes(gap["minutes"]),
            _EDGES.get(gap.get("edge") or "", "between readings"),
        )
        for row in assessment.results["probes"]
        for gap in row["gaps"]
    ]
    shown, notes = capped(rows, MOST_ROWS, "gaps")
    return Table(
        "Stretches without readings",
        ("Probe", "Last reading before", "First reading after", "Length", "Where"),
        shown,
        (*notes, "Nobody knows the temperature in these stretches."),
        "No gap: the readings follow one another at the logger's interval.",
    )


_EDGES = {"start": "from the start of the window", "end": "to the end of the window"}


def conflicts(assessment: Assessment) -> Table:
    """Readings at odds at one instant, or without a sure instant: both stand here, none is dropped."""
    zone = assessment.site.timezone
    rows = [
        (wording.when(row["time"], zone), f"{row['unit']} {row['probe']}", wording.bounded(row["value_c"], row.get("one_sided"), row.get("text")), row["file"], row["line"], _kept(row["kept"]), row["why"])
        for row in assessment.results["conflicts"]
    ]
    shown, notes = capped(rows, MOST_ROWS, "readings")
    return Table(
        "Readings at odds, as read",
        ("Time", "Unit and probe", "Value", "File", "Line", "Counts", "Why"),
        shown,
        (*notes, "Of readings at odds the one further outside counts."),
        "No readings are at odds.",
    )


def _kept(value: bool) -> str:
    return "yes" if value else "no"


def alarms(assessment: Assessment) -> Table:
    """What the logger's own alarm settings and its event list say."""
    return records("The logger's own alarm", assessment.results.get("alarms", ()), assessment.site.timezone, empty="Nothing to report about the alarm settings that are known.")


def checks(assessment: Assessment) -> Table:
    """Displayed minimum and maximum of the logbook against the readings between the same two checks."""
    return records(
        "Checks in the logbook against the readings",
        assessment.results.get("checks", ()),
        assessment.site.timezone,
        empty="No check of the logbook is at odds with the readings, or none with a minimum and maximum was entered.",
    )


def _name(row: ProbeRow[str]) -> str:
    return f"{row['unit']} {row['probe']}{'' if row['decides'] else ' (does not decide)'}"
