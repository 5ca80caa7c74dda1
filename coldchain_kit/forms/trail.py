"""What was entered, in order; and the results with and without the readings that were set aside."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from coldchain_kit import excursions
from coldchain_kit.forms import answers
from coldchain_kit.model import Condition, Trace, timeline
from coldchain_kit.register import entries
from coldchain_kit.show import Table, Tables, wording

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment


def trail(assessment: Assessment) -> Tables:
    """Every entry ever made in this case: who, when, which question, before, after, why; and whether the chain is whole."""
    folder, zone = assessment.case.folder, assessment.site.timezone
    rows = tuple(
        (
            row["n"],
            wording.when(row["when"], zone),
            row["who"],
            entries.question(row["field"]),
            answers.shown(row["old"]) if row["old"] is not None else "none before",
            answers.shown(row["new"]) if row["new"] is not None else "withdrawn",
            row["why"] or "first answer",
            (row.get("line_hash") or row["hash"])[:16],
        )
        for row in entries.read(folder)
    )
    problems = entries.check(folder)
    state = "Each line is hashed over the one before, and the chain is whole." if not problems else "Look at this: " + "; ".join(problems) + "."
    columns = ("No.", "When", "Who (typed)", "Question", "Before", "After", "Why", "Hash, first 16 characters")
    return Tables((Table("Everything that was entered, in order", columns, rows, (state, entries.TYPED), f"Nothing has been entered yet. {entries.TYPED}"),))


def both_results(assessment: Assessment) -> Table:
    """Excursions with all readings (the headline) and without the readings set aside, side by side."""
    rows = []
    for field, held in sorted(entries.current(assessment.case.folder).items()):
        if field.startswith("set_aside."):
            rows += _with_and_without(assessment, field.partition(".")[2], entries.parts(held))
    columns = ("No.", "Unit and probe", "Readings set aside", "All readings (the headline)", "Without them", "Reason", "Second person")
    return Table(
        f"Results with and without the readings set aside; {wording.FURTHER}", columns, tuple(rows), empty="No reading has been set aside: every result rests on all readings."
    )


def _with_and_without(assessment: Assessment, number: str, held: dict[str, str]) -> list[tuple[str, ...]]:
    unit, site = assessment.units.get(held["unit"]), assessment.site
    trace = unit.traces.get(held["probe"]) if unit else None
    if trace is None:
        return [(number, f"{held['unit']} {held['probe']}", "no such probe in this case", "unchanged", "unchanged", held["reason"], held["second_person"])]
    start, end = (site.instant(pd.Timestamp(held[edge])) for edge in ("start", "end"))
    out = (trace.readings.index >= start) & (trace.readings.index <= end)
    less = Trace(trace.probe, trace.readings[~out], trace.flags[~out], trace.steps, trace.sources, trace.cadences)
    condition = site.units[held["unit"]].condition
    told = [_told(one, condition) for one in (trace, less)]
    count = f"{wording.count(int(out.sum()))}, from {wording.when(start, site.timezone)} to {wording.when(end, site.timezone)}"
    return [(number, f"{held['unit']} {held['probe']}", count, *told, held["reason"], held["second_person"])]


def _told(trace: Trace, condition: Condition) -> str:
    """Excursions of a whole trace in one line; time without readings beside them, because setting readings aside makes some."""
    table, steps = excursions.find(trace, condition), timeline.steps(trace)
    silent = f"time without readings {wording.minutes(float(steps.loc[steps['gap'], 'minutes'].sum()))}"
    if not len(table):
        return f"no excursion; {silent}"
    total = None if table["degree_minutes"].isna().any() else float(table["degree_minutes"].sum())
    noun = "excursion" if len(table) == 1 else "excursions"
    return f"{wording.count(len(table))} {noun}, {wording.minutes(float(table['minutes'].sum()))} outside, {wording.area(total)}; {silent}"
