"""Questions and answers: boxes to type into while the case is open, a table of what was entered in a frozen record.

A frozen record holds no box, and says "not yet answered" for the rest.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from coldchain_kit.forms import answers, boxes
from coldchain_kit.register import Site, entries
from coldchain_kit.show import Prose, Table, doubts, narrative, open_questions, wording

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment


def before_anything_else(assessment: Assessment, *, frozen: bool = False) -> object:
    """Is the stock marked and at its labelled condition, where, by whom; was the download made before the logger was touched?"""
    return _ask(assessment, "Before anything else: immediate action", [name for name in entries.FIELDS if name.startswith("immediate.")], frozen=frozen)


def found(assessment: Assessment, *, frozen: bool = False) -> object:
    """When, how and by whom the deviation was found."""
    return _ask(assessment, "How it was found", ["found.when", "found.by", "found.how"], frozen=frozen)


def given(assessment: Assessment, *, frozen: bool = False) -> object:
    """Doses given or issued while it was not known, and who looks into it. No patients' names."""
    return _ask(assessment, "Doses given or issued meanwhile", ["given.doses", "given.list", "given.who", "hold.due"], frozen=frozen)


def told(assessment: Assessment, *, frozen: bool = False) -> object:
    """Who was told and when, with what they answered."""
    return _keyed(assessment, "told", "Who was told", "No.", lambda: answers.numbers(assessment, "told"), {"who": [rule.who for rule in assessment.site.notify]}, frozen=frozen)


def counts(assessment: Assessment, *, frozen: bool = False) -> object:
    """Quantities of each lot, so that received, used, held and moved add up; counted by a person."""
    lots = [row["lot"] for row in assessment.results["lots"]]
    return _keyed(assessment, "count", "Quantities, as counted", "Lot", lambda: lots, {}, frozen=frozen)


def unit_state(assessment: Assessment, *, frozen: bool = False) -> object:
    """Mapping or qualification of the unit, and a shake test where one was done."""
    return _ask(assessment, "Of the unit and the stock", ["unit.state", "shake"], frozen=frozen)


def kept(assessment: Assessment, *, frozen: bool = False) -> object:
    """Until when the record is kept, and who receives a copy."""
    return _ask(assessment, "Keeping and copies", ["kept.until", "kept.copies"], frozen=frozen)


def five_whys(assessment: Assessment, *, frozen: bool = False) -> object:
    """Why, asked five times."""
    return _ask(assessment, "Why, asked until it no longer helps", [f"why.{step}" for step in range(1, 6)], frozen=frozen)


def cause_groups(assessment: Assessment, *, frozen: bool = False) -> object:
    """What played a part, by groups, so that none is forgotten."""
    return _ask(assessment, "What played a part, by groups", [name for name in entries.FIELDS if name.startswith("group.")], frozen=frozen)


def root_cause(assessment: Assessment, *, frozen: bool = False) -> object:
    """The investigator's own root cause, apart from the kit's ranking."""
    return _ask(assessment, "Root cause, as the investigator sees it", ["cause.root", "cause.reasons", "cause.kit"], frozen=frozen)


def classification(assessment: Assessment, *, frozen: bool = False) -> object:
    """Class of the deviation by the site's own scheme, and the risk in words."""
    given = assessment.site.extra.get("deviation_classes")
    choices = {"class": [str(name) for name in given]} if isinstance(given, (list, dict)) and given else {}
    return _ask(assessment, "Risk and class", ["risk", "class", "class.reason"], frozen=frozen, choices=choices)


def conclusion(assessment: Assessment, *, frozen: bool = False) -> object:
    """The conclusion, and how the actions will be checked."""
    return _ask(assessment, "Conclusion", ["conclusion", "effectiveness"], frozen=frozen)


def decisions(assessment: Assessment, *, frozen: bool = False) -> object:
    """What was decided on each lot, in the site's words, by whom, in which role, when, on what reference."""
    lots = [row["lot"] for row in assessment.results["lots"]]
    outcomes = assessment.site.extra.get("outcomes")
    choices = {"outcome": [str(word) for word in outcomes]} if isinstance(outcomes, list) else {}
    return _keyed(assessment, "decision", "Decisions on product", "Lot", lambda: lots, choices, frozen=frozen)


def replies(assessment: Assessment, *, frozen: bool = False) -> object:
    """What manufacturers replied, with reference and attachment."""
    return _keyed(assessment, "reply", "Replies of manufacturers", "No.", lambda: answers.numbers(assessment, "reply"), {}, frozen=frozen)


def monitors(assessment: Assessment, *, frozen: bool = False) -> object:
    """The stage of each lot's vial monitor, as somebody read it off the vial: never calculated."""
    lots = [row["lot"] for row in assessment.results["lots"]]
    return _keyed(assessment, "monitor", "Vial monitors, as read off the vial", "Lot", lambda: lots, {}, frozen=frozen)


def set_aside(assessment: Assessment, *, frozen: bool = False) -> object:
    """Readings set aside: only with a reason and a second person's name. All readings stay the headline."""
    return _keyed(assessment, "set_aside", "Readings set aside", "No.", lambda: answers.numbers(assessment, "set_aside"), {}, frozen=frozen)


def actions(assessment: Assessment, *, frozen: bool = False) -> object:
    """Corrective and preventive actions with owner and due date, shown until closed and found effective."""
    folder = assessment.case.folder
    if frozen:
        return _actions_table(entries.actions(folder))

    def keys() -> list[str]:
        held = [row["id"] for row in entries.actions(folder)]
        return [*held, next(f"A{number}" for number in range(1, 1000) if f"A{number}" not in held)]

    return boxes.editor(
        boxes.Editing(
            title="Actions",
            noun="Action",
            parts=entries.ACTION_COLUMNS[1:],
            choices={"kind": list(entries.ACTION_KINDS)},
            keys=keys,
            standing=lambda: {row["id"]: row for row in entries.actions(folder)},
            save=lambda key, row, who, why: entries.save_action(folder, {"id": key, **row}, who=who, why=why),
            table=lambda: _actions_table(entries.actions(folder)),
        )
    )


def _actions_table(rows: list[entries.Action]) -> Table:
    cells = tuple(
        (row["id"], row["kind"], row["action"], row["owner"], row["due"], row["closed"] or "open", row["effective"] or "not yet checked", row["note"] or "none") for row in rows
    )
    left = [row["id"] for row in rows if not row["closed"] or not row["effective"]]
    notes = (f"Still open, or not yet found effective: {wording.several(left)}.",) if left else ()
    return Table("Actions", ("No.", "Kind", "Action", "Owner", "Due", "Closed", "Effective", "Note"), cells, notes, "No action has been entered yet.")


def text(assessment: Assessment, section: str, *, frozen: bool = False) -> object:
    """The proposed sentences of a section, or the investigator's wording with the proposed one below it.

    Parameters
    ----------
    section : str
        One of ``narrative.SECTIONS``.
    """
    proposed = " ".join(narrative.sentences(assessment)[section])
    mark = hashlib.sha256(proposed.encode()).hexdigest()[:16]
    row = answers.latest(assessment).get(f"text.{section}")
    if frozen:
        return _worded(row, proposed, mark, assessment.site)
    return boxes.text_box(assessment, f"text.{section}", proposed, mark, row)


def _worded(row: entries.Entry | None, proposed: str, mark: str, site: Site) -> Prose:
    if row is None or row["new"] is None:
        return Prose((proposed,))
    new = entries.parts(row["new"])
    lines = [new["text"], f"Worded by {row['who']}, {wording.when(row['when'], site.timezone)}. Proposed by the kit: {proposed}"]
    if new.get("over") != mark:
        lines.append("The proposed text has changed since this wording was written: compare the figures.")
    return Prose(lines)


def _ask(assessment: Assessment, title: str, fields: Sequence[str], *, frozen: bool, choices: dict[str, list[str]] | None = None) -> object:
    latest = answers.latest(assessment)
    if frozen:
        said = [field for field in fields if field in latest or answers.from_case(assessment, field) != open_questions.UNANSWERED]
        rows = tuple(
            (
                entries.FIELDS[field],
                answers.shown(row["new"]) + answers.changed(row) if row else answers.from_case(assessment, field),
                answers.who(assessment, row["who"]) if row else "the case file",
                wording.when(row["when"], assessment.site.timezone) if row else "with the case",
            )
            for field in said
            for row in [latest.get(field)]
        )
        left = len(fields) - len(said)
        notes = (f"Not answered: {left} of {len(fields)}; see “What is still open”.",) if left else ()
        return Table(title, ("Question", "Answer", "Entered by (typed)", "Entered at"), rows, notes, f"none of {len(fields)} questions is answered; see “What is still open”.")
    return boxes.live_questions(assessment, title, fields, latest, choices or {})


def _keyed(assessment: Assessment, prefix: str, title: str, noun: str, keys: Callable[[], list[str]], choices: dict[str, list[str]], *, frozen: bool) -> object:
    """Structured answers, one a number or a lot: a table, and in live use the boxes to fill one in."""
    if frozen or not keys():
        return _keyed_table(assessment, prefix, title, noun, keys())
    folder = assessment.case.folder
    return boxes.editor(
        boxes.Editing(
            title=title,
            noun=noun,
            parts=(*entries.REQUIRED[prefix], *entries.OPTIONAL[prefix]),
            choices=choices,
            keys=keys,
            standing=lambda: answers.standing(assessment, prefix),
            save=lambda key, row, who, why: entries.append(folder, who=who, field=f"{prefix}.{key}", new=row, why=why),
            table=lambda: _keyed_table(assessment, prefix, title, noun, keys()),
        )
    )


def _keyed_table(assessment: Assessment, prefix: str, title: str, noun: str, keys: list[str]) -> Table:
    parts, standing, latest = (*entries.REQUIRED[prefix], *entries.OPTIONAL[prefix]), answers.standing(assessment, prefix), answers.latest(assessment)
    rows = []
    for key in dict.fromkeys([*(key for key in keys if key in standing), *standing]):
        held, entry = standing[key], latest[f"{prefix}.{key}"]
        given = [_part(assessment, part, held.get(part)) or (open_questions.UNANSWERED if part in entries.REQUIRED[prefix] else "none") for part in parts]
        given[0] += answers.changed(entry)
        rows.append((key, *given, answers.who(assessment, entry["who"])))
    columns = (noun, *(part.replace("_", " ").capitalize() for part in parts), "Entered by (typed)")
    if prefix != "decision":
        return Table(title, columns, tuple(rows), empty="Nothing has been entered.")
    left = [key for key in keys if key not in standing]
    none = f"No decision yet on {wording.several(left)}." if left else "No lot is listed."
    return Table(title, columns, tuple(rows), (*([none] if left and rows else []), *doubts.of_decisions(assessment)), empty=none)


def _part(assessment: Assessment, part: str, held: str | None) -> str:
    """A part of a structured answer; a time in the site's zone with its offset."""
    stamp = doubts.instant(assessment, held) if part in ("time", "start", "end") else None
    return wording.when(stamp, assessment.site.timezone) if stamp is not None else str(held or "")
