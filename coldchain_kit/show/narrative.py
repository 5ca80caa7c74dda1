"""Text proposed from the numbers: plain sentences, each figure in one sentence only, with its unit and zone.

Deterministic: the same results give the same words. Static words hold no figures, so that two cases share none.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from coldchain_kit.model import ExcursionRow, ProbeRow
from coldchain_kit.show import wording
from coldchain_kit.show.tables import Prose

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment

SECTIONS = ("identification", "given", "believable", "happened", "how_bad", "why", "lots", "conclusion")
MOST_TOLD = 6  # more excursions than this are told by their number and listed in the table


def sentences(assessment: Assessment) -> dict[str, list[str]]:
    """Every proposed sentence, by section; a figure stands in one sentence only.

    Parameters
    ----------
    assessment : Assessment

    Returns
    -------
    dict: section (SECTIONS) -> sentences.
    """
    return {name: _WRITERS[name](assessment) for name in SECTIONS}


def section(assessment: Assessment, name: str) -> Prose:
    """The proposed sentences of one section, as a paragraph."""
    return Prose((" ".join(_WRITERS[name](assessment)),))


def _identification(assessment: Assessment) -> list[str]:
    case, site = assessment.case, assessment.site
    lines = [f"This is case {case.id} of {site.name}: {case.title}."]
    found = case.found or {}
    if found:
        at = f" on {wording.moment(site.instant(found['time']), site.timezone)}" if found.get("time") else ", at a time that is not known"
        lines.append(f"It was found by {found.get('by') or 'a person not named'}{at}.")
    else:
        lines.append("When and by whom it was found has not been entered in the case file.")
    return lines


def _given(assessment: Assessment) -> list[str]:
    lines = []
    for row in assessment.results["sources"]:
        lines.append(f"File {row['file']} holds {wording.count(row['rows'])} data lines, of which {wording.count(row['read'])} were read and {wording.count(row['rejected'])} refused.")
    assumed = [row["file"] for row in assessment.results["sources"] if "assumed" in str(row["layout"].get("unit_from"))]
    if assumed:
        lines.append(f"The unit of measure stands nowhere in {wording.several(assumed)}; degrees Celsius are assumed.")
    return lines


def _believable(assessment: Assessment) -> list[str]:
    lines = []
    for row in assessment.results.get("believable", ()):
        lines.append(f"The record of unit {row['unit']} is judged {wording.word(row['answer'])}.")
        lines += row["reasons"] or ["No fault was found in it."]
    for probe in _deciding(assessment):
        if probe["gaps"]:
            lines.append(
                f"For {wording.minutes(sum(gap['minutes'] for gap in probe['gaps']))} of the window there are no readings of probe {probe['probe']} of unit {probe['unit']}; nobody knows its temperature then."
            )
    at_odds = len(assessment.results["conflicts"])
    if at_odds:
        lines.append(f"Readings at odds, or without a sure instant: {wording.count(at_odds)}; all of them are shown.")
    return lines or ["Whether the record is believable was not evaluated."]


def _happened(assessment: Assessment) -> list[str]:
    rows, zone = assessment.results["excursions"], assessment.site.timezone
    if not rows:
        return _nothing(assessment)
    silent = assessment.results["case"].get("no_readings")
    shown = [f"No probe that decides has a reading in this window: {silent}."] if silent else []
    shown += [wording.displayed(row, zone) for row in rows if wording.of_display(row)][:MOST_TOLD]
    rows = [row for row in rows if not wording.of_display(row)]
    if len(rows) > MOST_TOLD:
        rest = [f"The table lists all {wording.count(len(rows))} excursions; told here are those that went furthest."]
        rows = sorted(sorted(rows, key=wording.furthest_first)[:3], key=lambda row: row["start"])
        return rest + [_excursion(row, assessment) for row in rows] + shown
    return [_excursion(row, assessment) for row in rows] + shown


def _nothing(assessment: Assessment) -> list[str]:
    silent = assessment.results["case"].get("no_readings")
    if silent:
        return [f"No probe that decides has a reading in this window: {silent}.", "What the stock met is not known; the paper checks are the only evidence."]
    holes = [row for row in _deciding(assessment) if row["gaps"]]
    lines = ["No reading of a deciding probe lies outside the limits in this window."]
    lines.append("Because readings are missing, this does not show that the product stayed inside." if holes else "That is a statement about the readings, not about the product.")
    return lines


def _excursion(row: ExcursionRow[str], assessment: Assessment) -> str:
    zone = assessment.site.timezone
    edges = ((row["start"], row["open_start"]), (row["end"], row["open_end"]))
    begins, ends = (wording.moment(time if is_open else _minute(time), zone) for time, is_open in edges)
    begins += ", where readings begin or follow a gap (since when is not known)" if row["open_start"] else ", estimated between two readings,"
    ends = f"was still out on {ends}, where the readings stop (until when is not known)" if row["open_end"] else f"came back on {ends}"
    doubt = f" It is {wording.word('undecided')}." if row["verdict"] == "undecided" else ""
    faulty = " The quality tests call its readings impossible; it stays listed." if row["faulty"] else ""
    return f"Excursion {row['id']}: probe {row['probe']} of unit {row['unit']} went {wording.word(row['direction'])} of {wording.celsius(row['limit_c'])} on {begins} and {ends}.{doubt}{faulty}"


def _minute(time: str) -> pd.Timestamp:
    return pd.Timestamp(time).floor("min")


def _how_bad(assessment: Assessment) -> list[str]:
    zone, lines = assessment.site.timezone, []
    rows = sorted((row for row in assessment.results["excursions"] if not wording.of_display(row)), key=wording.furthest_first)[:MOST_TOLD]
    for row in sorted(rows, key=lambda row: row["start"]):
        side = "highest" if row["direction"] == "above" else "lowest"
        if row["extreme_c"] is None:
            text = f"the file says “{row['extreme_text']}”" if row.get("extreme_text") else "its readings stand at the end of a range"
            lines.append(f"How far {row['id']} went is not known: {text}, first on {wording.moment(row['extreme_time'], zone)}.")
        else:
            lines.append(f"In {row['id']} the {side} reading was {wording.extreme(row, limit=row['limit_c'])} on {wording.moment(row['extreme_time'], zone)}.")
        lines.append(f"{row['id']} lasted {wording.minutes(row['minutes'])}.")
        lines.append(
            f"The time outside in {row['id']} was at least {wording.minutes(row['minutes_least'])} and at most {wording.minutes(row['minutes_most'])}, from the readings' spacing, gaps and the probe's uncertainty."
        )
        if row["degree_minutes"] is None:
            lines.append(f"The degree-minutes of {row['id']} are not known: a reading in it has no number.")
        else:
            lines.append(f"{row['id']} comes to {wording.area(row['degree_minutes'], bound=bool(row.get('degree_minutes_bound')))} beyond the limit.")
    for mkt in assessment.results["mkt"]:
        if mkt["mkt_c"] is not None:
            lines.append(
                f'By the rule "{mkt["rule"]}" the mean kinetic temperature of probe {mkt["probe"]} is {wording.celsius(mkt["mkt_c"])}, in the window that ends on {wording.moment(mkt["window_end"], zone)}.'
            )
    return lines or ["There is no excursion to measure."]


def _why(assessment: Assessment) -> list[str]:
    lines = []
    for row in assessment.results["episodes"][:MOST_TOLD]:
        if not row["causes"]:
            continue
        first, *others = row["causes"]
        lines.append(f"For episode {row['id']} the kit ranks first: {wording.word(first['cause'])}, with a support of {wording.support(first['support'])} out of one.")
        if others:
            lines.append(f"After it comes {wording.word(others[0]['cause'])}, with a support of {wording.support(others[0]['support'])}.")
    if lines:
        lines += [f"Units {wording.several(row['units'])} left their range together, {wording.word(row['direction'])}." for row in assessment.results.get("together", ())[:MOST_TOLD]]
        lines.append("A ranking is not a conclusion: the root cause is for the investigator to state.")
    return lines or [f"Cause by the readings: {wording.word(assessment.results['cause']['cause'])}."]


def _lots(assessment: Assessment) -> list[str]:
    rows = assessment.results["lots"]
    if not rows:
        return ["No stock list was given, so it is not known which lots were there."]
    asked = [row for row in rows if row["needs_decision"]]
    lines = []
    if asked:
        lines.append(f"These lots need a decision by a person: {wording.several([row['lot'] for row in asked])}.")
    else:
        lines.append("For no listed lot was an excursion found in a complete record; that is all this says.")
    freezing = [row["lot"] for row in rows if row["possible_freezing"]]
    if freezing:
        lines.append(f"Possible freezing must be looked into for {wording.several(freezing)}.")
    return lines


def _conclusion(assessment: Assessment) -> list[str]:
    lines = [
        'The kit draws no conclusion about product. Affected stock stays at its labelled condition, marked "do not use", until the pharmacist or quality unit has decided under local rules.'
    ]
    if any(row["needs_decision"] for row in assessment.results["lots"]):
        lines.append("The manufacturers and the responsible authority are to be asked about the lots named above.")
    return lines


def _deciding(assessment: Assessment) -> list[ProbeRow[str]]:
    rows = assessment.results["probes"]
    return [row for row in rows if row["decides"]] or rows


_WRITERS = {
    "identification": _identification, "given": _given, "believable": _believable, "happened": _happened, "how_bad": _how_bad, "why": _why, "lots": _lots,
    "conclusion": _conclusion,
}  # fmt: skip
