"""The case or the month in short: the few facts that stand on the first screen of every record."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from coldchain_kit import causes
from coldchain_kit.model import ExcursionRow, LotRow, ProbeRow
from coldchain_kit.register import entries
from coldchain_kit.show import doubts, narrative, open_questions, wording
from coldchain_kit.show.tables import Table
from coldchain_kit.show.tables.excursions import extreme, strength
from coldchain_kit.show.tables.lots import more as more_words
from coldchain_kit.show.tables.lots import uncovered
from coldchain_kit.show.tables.table import facts as table_of

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment

MOST_SHOWN = 3  # excursions and episodes told here; the tables list all
MOST_OPEN = 4


def facts(assessment: Assessment) -> Table:
    """What happened, how long at least and at most, how far, how believable; in a case also lots, cause, decisions and what is open.

    Parameters
    ----------
    assessment : Assessment
        Of a case or of a month.
    """
    month = assessment.case.path == assessment.site.path
    rows = [
        ("What happened", _happened(assessment)),
        ("Time outside", _how_long(assessment)),
        ("Furthest out" if assessment.results["excursions"] else "Lowest and highest reading", _how_far(assessment)),
        ("Is the record believable?", _believable(assessment)),
        *_evidence_only(assessment),
    ]
    silent = assessment.results["case"].get("no_readings")
    rows = [("No readings", f"No probe that decides has a reading in this time: {silent}. Nothing is known but what the paper checks say."), *rows] if silent else rows
    rows += [("Most likely immediate cause", _cause(assessment))] if assessment.results["episodes"] or not month else []
    caption = f"The {'month' if month else 'case'} in short; times in {assessment.site.timezone}, with their offset from UTC"
    return table_of(caption, rows if month else rows + _of_people(assessment))


def _happened(assessment: Assessment) -> list[str]:
    rows, zone = assessment.results["excursions"], assessment.site.timezone
    if not rows:
        return narrative.sentences(assessment)["happened"]
    shown = [row for row in rows if wording.of_display(row)]
    rows = [row for row in rows if not wording.of_display(row)]
    worst = sorted(sorted(rows, key=wording.furthest_first)[:MOST_SHOWN], key=lambda row: row["start"])
    more = len(rows) - len(worst)
    told = [f"{_who(row)} {wording.word(row['direction'])} of {wording.celsius(row['limit_c'])} from {_edge(row['start'], row['open_start'], 'earlier', zone)} to {_edge(row['end'], row['open_end'], 'later', zone)}; {_verdict(row)}." for row in worst]
    less = [f"And {more} more, which went less far; the tables list all."] if more > 0 else []
    unseen = [f"And {len(shown) - MOST_SHOWN} more by the display; the tables list all."] if len(shown) > MOST_SHOWN else []
    return [*told, *less, *(wording.displayed(row, zone) for row in shown[:MOST_SHOWN]), *unseen]


def _who(row: ExcursionRow[str]) -> str:
    return f"{row['id']}: unit {row['unit']}, probe {row['probe']},"


def _edge(time: str, is_open: bool, further: str, zone: str) -> str:
    told = wording.when(time, zone, estimated=True)
    return f"{told} or {further} (no readings beyond)" if is_open else f"about {told}"


def _verdict(row: ExcursionRow[str]) -> str:
    told = f"verdict: {wording.word(row['verdict'])}"
    return f"{told}; its readings look impossible" if row["faulty"] else told


def _how_long(assessment: Assessment) -> list[str]:
    told = [
        f"Unit {row['unit']}, probe {row['probe']}, {wording.word(side)}: {wording.minutes(held['minutes'])} by the readings; at least {wording.minutes(held['minutes_least'])}, at most {wording.minutes(held['minutes_most'])}."
        for row in assessment.results["probes"]
        if row["decides"]
        for side, held in row["outside"].items()
        if held["minutes_most"]
    ]
    unknown = [
        f"Unit {row['unit']}, probe {row['probe']}: for {wording.minutes(row['unknown_minutes'])} there are no readings, and nothing is known."
        for row in assessment.results["probes"]
        if row["decides"] and row["unknown_minutes"]
    ]
    shown = [
        f"Unit {row['unit']}, {wording.word(row['direction'])}: {wording.BY_DISPLAY}, at most {wording.minutes(row['minutes_most'])} ({row['id']})."
        for row in assessment.results["excursions"] if wording.of_display(row)
    ]  # fmt: skip
    none = [] if assessment.results["case"].get("no_readings") else ["None by the readings of the probes that decide, not even within their uncertainty."]
    return [*(told or none), *shown[:MOST_SHOWN], *unknown]


def _how_far(assessment: Assessment) -> list[str]:
    rows, zone, probes = assessment.results["excursions"], assessment.site.timezone, assessment.results["probes"]
    told = []
    for side in ("above", "below"):
        of_side = [row for row in rows if row["direction"] == side and not wording.of_display(row)]
        if of_side:
            row = max(of_side, key=lambda row: math.inf if row["extreme_c"] is None else abs(row["extreme_c"] - row["limit_c"]))
            told.append(f"{extreme(row, probes)} at {wording.when(row['extreme_time'], zone)}, {row['unit']} {row['probe']}; {_uncertainty(row, probes)}.")
    shown = [row for row in rows if wording.of_display(row)]
    told += [f"{wording.celsius(row['extreme_c'], limit=row['limit_c'])} by the display of {row['unit']}, time not known ({row['id']})." for row in shown[:MOST_SHOWN]]
    if told:
        return told
    return [f"{row['unit']} {row['probe']}: {wording.end_of(row, 'min')} to {wording.end_of(row, 'max')}; {_uncertainty(row, probes)}." for row in probes if row["decides"]] or [wording.NOT_KNOWN]


def _uncertainty(row: ExcursionRow[str] | ProbeRow[str], probes: list[ProbeRow[str]]) -> str:
    """The expanded uncertainty of a row's probe and what it rests on."""
    for probe in probes:
        if (probe["unit"], probe["probe"]) == (row["unit"], row["probe"]) and probe["u_c"] is not None:
            return f"expanded uncertainty {wording.celsius(2 * probe['u_c'])} ({wording.word(probe['u_from'])})"
    return f"uncertainty {wording.NOT_KNOWN}"


def _believable(assessment: Assessment) -> list[str]:
    told = [f"Unit {row['unit']}: {wording.word(row['answer'])}. {' '.join(row['reasons']) or 'No fault was found.'}" for row in assessment.results.get("believable", ())]
    whole = [row["unit"] for row in assessment.results.get("believable", ()) if not row["reasons"]]
    cover = [f"{row['unit']} {row['probe']} {wording.percent(row['covered_share'])}" for row in assessment.results["probes"] if row["decides"] and row["unit"] in whole]
    return [*(told or ["Not evaluated."]), *([f"Share of the window with readings: {', '.join(cover)}."] if cover else [])]


def _evidence_only(assessment: Assessment) -> list[tuple[str, object]]:
    """Probes that do not decide, where they were outside: no verdict rests on them, but a reader must not overlook them."""
    told = [
        f"Unit {row['unit']}, probe {row['probe']} ({wording.word(row['role'])}), {wording.word(side)}: at least {wording.minutes(held['minutes_least'])}, at most {wording.minutes(held['minutes_most'])}."
        for row in assessment.results["probes"]
        if not row["decides"]
        for side, held in row["outside"].items()
        if held["minutes_most"]
    ]
    checks = assessment.results.get("checks", ())
    said = [row["text"] for row in checks[:MOST_SHOWN]] + ([f"And {len(checks) - MOST_SHOWN} more checks; the table lists all."] if len(checks) > MOST_SHOWN else [])
    return [(head, lines) for head, lines in (("Other probes, evidence only", told), ("Logbook at odds with the readings", said)) if lines]


def _cause(assessment: Assessment) -> list[str]:
    found = [row for row in assessment.results["episodes"] if row["causes"]]
    around = [*together(assessment), *(row["text"] for row in assessment.results.get("beside", ()))]
    if not found:
        cause = assessment.results["cause"]["cause"]
        return [f"{wording.word(cause)}."[:1].upper() + f"{wording.word(cause)}."[1:], *around]
    shown = {row["id"] for row in assessment.results["excursions"] if wording.of_display(row)}
    told = [
        f"Episode {row['id']}: {wording.word(row['causes'][0]['cause'])} ({'only a display showed it' if shown.issuperset(row['excursions']) else strength(row['causes'][0]['support']) + ' support'})."
        for row in found[:MOST_SHOWN]
    ]
    more = len(found) - MOST_SHOWN
    return [*told, *([f"And {more} more episodes."] if more > 0 else []), *at_odds(assessment), *around, "The kit ranks; the investigator concludes."]


def at_odds(assessment: Assessment) -> list[str]:
    """Lines of the logbook, or of the logger, that the readings do not allow to have caused an episode, a sentence each."""
    told = [
        f"{one['observation']} {one['comment']}"
        for row in assessment.results["episodes"] for cause in row.get("causes", ()) for one in cause["for"] if one["comment"].startswith(causes.AT_ODDS)
    ]  # fmt: skip
    return list(dict.fromkeys(told))[:MOST_SHOWN]


def together(assessment: Assessment) -> list[str]:
    """Units that left their range together, a sentence each."""
    zone = assessment.site.timezone
    return [
        f"Units {wording.several(row['units'])} were {row['direction']} their limit together, from {wording.when(row['start'], zone, estimated=True)}: look at what they share, such as power and the room."
        for row in assessment.results.get("together", ())[:MOST_SHOWN]
    ]


def _of_people(assessment: Assessment) -> list[tuple[str, object]]:
    """What people wrote and decided, and what they still owe."""
    now, lots = entries.current(assessment.case.folder), assessment.results["lots"]
    asked = [row["lot"] for row in lots if row["needs_decision"]]
    need = f"{wording.several(asked)} ({len(asked)} of {len(lots)} listed)" if asked else "none of those listed" if lots else f"{wording.NOT_KNOWN}: no stock list was given"
    latest = {row["field"]: row for row in entries.read(assessment.case.folder)}
    decided = [_decided(lot, entries.parts(now[f"decision.{lot}"]), latest[f"decision.{lot}"]) for lot in asked if f"decision.{lot}" in now] + doubts.of_decisions(assessment)
    return [
        ("Root cause, by the investigator", now.get("cause.root", open_questions.UNANSWERED)),
        ('Stock marked "do not use"', now.get("immediate.marked", open_questions.UNANSWERED)),
        ("Lots that need a decision", need),
        *_stated(lots),
        ("Decided on product", decided or "nothing yet"),
        ("Still open", _open(assessment)),
    ]


def _decided(lot: str, held: dict[str, str], row: entries.Entry) -> str:
    changed = f"; changed, see No. {row['n']}" if row["old"] is not None else ""
    return f"{lot}: {held['outcome']} (by {held['by']}{changed})."


def _stated(lots: list[LotRow[str]]) -> list[tuple[str, list[str] | str]]:
    """Lots that used more than their manufacturers stated, or may have, and sides that no statement covers."""
    told = [
        f"{row['lot']}: {more_words(one)} ({wording.celsius(one['from_c'])} to {wording.celsius(one['to_c'])}, {wording.hours(one['hours'])} stated)."
        for row in lots for one in row["allowances"] if one["more_than_stated"] in ("yes", "may_be")
    ]  # fmt: skip
    told += [text for row in lots for text in uncovered(row) if row["needs_decision"]]
    more = len(told) - MOST_OPEN
    return [("Against what manufacturers stated", [*told[:MOST_OPEN], *([f"And {more} more; the table lists all."] if more > 0 else [])])] if told else []


def _open(assessment: Assessment) -> list[str] | str:
    rows = [str(row[0]) for row in open_questions.still_open(assessment).rows]
    rows.sort(key=lambda text: not text.startswith("Decision on lot"))
    more = len(rows) - MOST_OPEN
    return [*rows[:MOST_OPEN], *([f"and {more} more, listed under “What is still open”"] if more > 0 else [])] or "nothing"
