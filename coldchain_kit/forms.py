"""Questions and answers: boxes to type into while the case is open, a table of what was entered in a frozen record.

Every answer goes at once to the case's ``entries.jsonl``. A frozen record holds no box, and says "not yet answered" for the rest.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import pandas as pd

from coldchain_kit import entries, excursions, narrative, say, timeline
from coldchain_kit.conditions import Condition
from coldchain_kit.errors import KitError
from coldchain_kit.register import Site
from coldchain_kit.tables import Prose, Table, Tables
from coldchain_kit.trace import Trace

UNANSWERED = "not yet answered"
SECTIONS = {"immediate": "Before anything else", "found": "What we were given", "cause": "Why did it happen"}  # part of the report that asks; the conclusion for all others
HINTS = {  # how a part of a row is written
    "start": "local time, such as 2026-03-06 22:10", "end": "local time, such as 2026-03-07 02:30", "time": "local time, such as 2026-03-09 11:20", "due": "a date, such as 2026-04-30",
    "closed": "a date, once it is done", "effective": "what was checked, by whom, when", "attachment": "name of a file beside the case", "second_person": "who agrees, by name",
    "stage": "as seen on the vial, in words", "read_by": "who looked, by name",
}  # fmt: skip
_SHARED: dict[str, Any] = {}  # the one box for the name, shown in every form of a notebook


def before_anything_else(assessment: Any, *, frozen: bool = False) -> Any:
    """Is the stock marked and at its labelled condition, where, by whom; was the download made before the logger was touched?"""
    return _ask(assessment, "Before anything else: immediate action", [name for name in entries.FIELDS if name.startswith("immediate.")], frozen=frozen)


def found(assessment: Any, *, frozen: bool = False) -> Any:
    """When, how and by whom the deviation was found."""
    return _ask(assessment, "How it was found", ["found.when", "found.by", "found.how"], frozen=frozen)


def five_whys(assessment: Any, *, frozen: bool = False) -> Any:
    """Why, asked five times."""
    return _ask(assessment, "Why, asked until it no longer helps", [f"why.{step}" for step in range(1, 6)], frozen=frozen)


def cause_groups(assessment: Any, *, frozen: bool = False) -> Any:
    """What played a part, by groups, so that none is forgotten."""
    return _ask(assessment, "What played a part, by groups", [name for name in entries.FIELDS if name.startswith("group.")], frozen=frozen)


def root_cause(assessment: Any, *, frozen: bool = False) -> Any:
    """The investigator's own root cause, apart from the kit's ranking."""
    return _ask(assessment, "Root cause, as the investigator sees it", ["cause.root", "cause.reasons", "cause.kit"], frozen=frozen)


def classification(assessment: Any, *, frozen: bool = False) -> Any:
    """Class of the deviation by the site's own scheme, and the risk in words."""
    given = assessment.site.extra.get("deviation_classes")
    choices = {"class": [str(name) for name in given]} if isinstance(given, (list, dict)) and given else {}
    return _ask(assessment, "Risk and class", ["risk", "class", "class.reason"], frozen=frozen, choices=choices)


def conclusion(assessment: Any, *, frozen: bool = False) -> Any:
    """The conclusion, and how the actions will be checked."""
    return _ask(assessment, "Conclusion", ["conclusion", "effectiveness"], frozen=frozen)


def decisions(assessment: Any, *, frozen: bool = False) -> Any:
    """What was decided on each lot, in the site's words, by whom, in which role, when, on what reference."""
    lots = [row["lot"] for row in assessment.results["lots"]]
    outcomes = assessment.site.extra.get("outcomes")
    choices = {"outcome": [str(word) for word in outcomes]} if isinstance(outcomes, list) else {}
    return _keyed(assessment, "decision", "Decisions on product", "Lot", lambda: lots, choices, frozen=frozen)


def replies(assessment: Any, *, frozen: bool = False) -> Any:
    """What manufacturers replied, with reference and attachment."""
    return _keyed(assessment, "reply", "Replies of manufacturers", "No.", lambda: _numbers(assessment, "reply"), {}, frozen=frozen)


def monitors(assessment: Any, *, frozen: bool = False) -> Any:
    """The stage of each lot's vial monitor, as somebody read it off the vial: never calculated."""
    lots = [row["lot"] for row in assessment.results["lots"]]
    return _keyed(assessment, "monitor", "Vial monitors, as read off the vial", "Lot", lambda: lots, {}, frozen=frozen)


def set_aside(assessment: Any, *, frozen: bool = False) -> Any:
    """Readings set aside: only with a reason and a second person's name. All readings stay the headline."""
    return _keyed(assessment, "set_aside", "Readings set aside", "No.", lambda: _numbers(assessment, "set_aside"), {}, frozen=frozen)


def actions(assessment: Any, *, frozen: bool = False) -> Any:
    """Corrective and preventive actions with owner and due date, shown until closed and found effective."""
    folder = assessment.case.folder
    if frozen:
        return _actions_table(entries.actions(folder))

    def keys() -> list[str]:
        held = [row["id"] for row in entries.actions(folder)]
        return [*held, next(f"A{number}" for number in range(1, 1000) if f"A{number}" not in held)]

    return _editor(
        _Editing(
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


def _actions_table(rows: list[dict[str, str]]) -> Table:
    cells = tuple(
        (row["id"], row["kind"], row["action"], row["owner"], row["due"], row["closed"] or "open", row["effective"] or "not yet checked", row["note"] or "none") for row in rows
    )
    left = [row["id"] for row in rows if not row["closed"] or not row["effective"]]
    notes = (f"Still open, or not yet found effective: {say.several(left)}.",) if left else ()
    return Table("Actions", ("No.", "Kind", "Action", "Owner", "Due", "Closed", "Effective", "Note"), cells, notes, "No action has been entered yet.")


def text(assessment: Any, section: str, *, frozen: bool = False) -> Any:
    """The proposed sentences of a section, or the investigator's wording with the proposed one below it.

    Parameters
    ----------
    section : str
        One of ``narrative.SECTIONS``.
    """
    proposed = " ".join(narrative.sentences(assessment)[section])
    mark = hashlib.sha256(proposed.encode()).hexdigest()[:16]
    row = _latest(assessment).get(f"text.{section}")
    if frozen:
        return _worded(row, proposed, mark, assessment.site)
    return _text_box(assessment, f"text.{section}", proposed, mark, row)


def _worded(row: dict | None, proposed: str, mark: str, site: Site) -> Prose:
    if row is None or row["new"] is None:
        return Prose((proposed,))
    lines = [row["new"]["text"], f"Worded by {row['who']}, {say.when(row['when'], site.timezone)}. Proposed by the kit: {proposed}"]
    if row["new"].get("over") != mark:
        lines.append("The proposed text has changed since this wording was written: compare the figures.")
    return Prose(lines)


def trail(assessment: Any) -> Tables:
    """Every entry ever made in this case: who, when, which question, before, after, why; and whether the chain is whole."""
    folder, zone = assessment.case.folder, assessment.site.timezone
    rows = tuple(
        (
            row["n"],
            say.when(row["when"], zone),
            row["who"],
            _question(row["field"]),
            _shown(row["old"]) if row["old"] is not None else "none before",
            _shown(row["new"]) if row["new"] is not None else "withdrawn",
            row["why"] or "first answer",
            row["hash"][:16],
        )
        for row in entries.read(folder)
    )
    problems = entries.check(folder)
    state = "Each line is hashed over the one before, and the chain is whole." if not problems else "Look at this: " + "; ".join(problems) + "."
    columns = ("No.", "When", "Who (typed)", "Question", "Before", "After", "Why", "Hash, first 16 characters")
    return Tables((Table("Everything that was entered, in order", columns, rows, (state, entries.TYPED), f"Nothing has been entered yet. {entries.TYPED}"),))


def still_open(assessment: Any) -> Table:
    """Questions that nobody has answered, lots without a decision, actions not closed."""
    now = entries.current(assessment.case.folder)
    rows = [
        (entries.FIELDS[name], SECTIONS.get(name.partition(".")[0], "Conclusion and sign-off"))
        for name in entries.FIELDS
        if not name.endswith("*") and not name.startswith(("why.", "group.")) and name not in now and not _in_case(assessment, name)
    ]
    rows += [(f"Decision on lot {row['lot']}", "Which lots") for row in assessment.results["lots"] if row["needs_decision"] and f"decision.{row['lot']}" not in now]
    rows += [(f"Action {row['id']}: {row['action']}", f"What was done, due {row['due'] or 'at no stated date'}") for row in entries.actions(assessment.case.folder) if not row["closed"] or not row["effective"]]
    return Table("What is still open", ("Question", "Stands in part"), tuple(rows), empty="Every question is answered, every lot decided upon and every action closed.")


def _question(field: str) -> str:
    """The question that a field answers, with its number or name where it has one."""
    if field in entries.FIELDS:
        return entries.FIELDS[field]
    kind, _, name = field.partition(".")
    return f"{entries.FIELDS.get(f'{kind}.*', kind)}: {name}"


def _in_case(assessment: Any, name: str) -> bool:
    """Whether case.toml already says it."""
    given = assessment.case.found or {}
    return (name == "found.when" and bool(given.get("time"))) or (name == "found.by" and bool(given.get("by")))


def both_results(assessment: Any) -> Table:
    """Excursions with all readings (the headline) and without the readings set aside, side by side."""
    rows = []
    for field, held in sorted(entries.current(assessment.case.folder).items()):
        if field.startswith("set_aside."):
            rows += _with_and_without(assessment, field.partition(".")[2], held)
    columns = ("No.", "Unit and probe", "Readings set aside", "All readings (the headline)", "Without them", "Reason", "Second person")
    return Table(
        "Results with and without the readings set aside, corrected values", columns, tuple(rows), empty="No reading has been set aside: every result rests on all readings."
    )


def _with_and_without(assessment: Any, number: str, held: dict) -> list[tuple]:
    unit, site = assessment.units.get(held["unit"]), assessment.site
    trace = unit.traces.get(held["probe"]) if unit else None
    if trace is None:
        return [(number, f"{held['unit']} {held['probe']}", "no such probe in this case", "unchanged", "unchanged", held["reason"], held["second_person"])]
    start, end = (site.instant(pd.Timestamp(held[edge])) for edge in ("start", "end"))
    out = (trace.readings.index >= start) & (trace.readings.index <= end)
    less = Trace(trace.probe, trace.readings[~out], trace.flags[~out], trace.steps, trace.sources)
    condition = site.units[held["unit"]].condition
    told = [_told(one, condition) for one in (trace, less)]
    count = f"{say.count(int(out.sum()))}, from {say.when(start, site.timezone)} to {say.when(end, site.timezone)}"
    return [(number, f"{held['unit']} {held['probe']}", count, *told, held["reason"], held["second_person"])]


def _told(trace: Trace, condition: Condition) -> str:
    """Excursions of a whole trace in one line; time without readings beside them, because setting readings aside makes some."""
    table, steps = excursions.find(trace, condition), timeline.steps(trace.celsius)
    silent = f"time without readings {say.minutes(float(steps.loc[steps['gap'], 'minutes'].sum()))}"
    if not len(table):
        return f"no excursion; {silent}"
    noun = "excursion" if len(table) == 1 else "excursions"
    return f"{say.count(len(table))} {noun}, {say.minutes(float(table['minutes'].sum()))} outside, {say.figure(float(table['degree_minutes'].sum()))} °C·min; {silent}"


# --- the machinery ------------------------------------------------------------------------------------------------------


def _latest(assessment: Any) -> dict[str, dict]:
    return {row["field"]: row for row in entries.read(assessment.case.folder)}


def _shown(value: Any) -> str:
    if isinstance(value, dict):
        return "; ".join(f"{name.replace('_', ' ')}: {held}" for name, held in value.items() if held)
    return UNANSWERED if value is None else str(value)


def _numbers(assessment: Any, prefix: str) -> list[str]:
    """Numbers in use and the next free one."""
    used = [field.partition(".")[2] for field in _latest(assessment) if field.startswith(f"{prefix}.")]
    return [*used, next(str(number) for number in range(1, 1000) if str(number) not in used)]


def _ask(assessment: Any, title: str, fields: Sequence[str], *, frozen: bool, choices: dict[str, list[str]] | None = None) -> Any:
    latest = _latest(assessment)
    if frozen:
        rows = tuple(
            (
                entries.FIELDS[field],
                _shown(row["new"]) if row else _from_case(assessment, field),
                row["who"] if row else "nobody",
                say.when(row["when"], assessment.site.timezone) if row else "never",
            )
            for field in fields
            for row in [latest.get(field)]
        )
        return Table(title, ("Question", "Answer", "Entered by (typed)", "Entered at"), rows)
    return _live_questions(assessment, title, fields, latest, choices or {})


def _from_case(assessment: Any, field: str) -> str:
    """What case.toml says where nobody answered the form."""
    given = assessment.case.found or {}
    if field == "found.when" and given.get("time"):
        return f"{say.when(assessment.site.instant(given['time']), assessment.site.timezone)} (from the case file)"
    if field == "found.by" and given.get("by"):
        return f"{given['by']} (from the case file)"
    return UNANSWERED


def _standing(assessment: Any, prefix: str) -> dict[str, dict]:
    """Number or name -> the structured answer that stands now."""
    return {field.partition(".")[2]: row["new"] for field, row in _latest(assessment).items() if field.startswith(f"{prefix}.") and row["new"] is not None}


def _keyed(assessment: Any, prefix: str, title: str, noun: str, keys: Callable[[], list[str]], choices: dict[str, list[str]], *, frozen: bool) -> Any:
    """Structured answers, one a number or a lot: a table, and in live use the boxes to fill one in."""
    if frozen or not keys():
        return _keyed_table(assessment, prefix, title, noun, keys())
    folder = assessment.case.folder
    return _editor(
        _Editing(
            title=title,
            noun=noun,
            parts=(*entries.REQUIRED[prefix], *entries.OPTIONAL[prefix]),
            choices=choices,
            keys=keys,
            standing=lambda: _standing(assessment, prefix),
            save=lambda key, row, who, why: entries.append(folder, who=who, field=f"{prefix}.{key}", new=row, why=why),
            table=lambda: _keyed_table(assessment, prefix, title, noun, keys()),
        )
    )


def _keyed_table(assessment: Any, prefix: str, title: str, noun: str, keys: list[str]) -> Table:
    parts, standing, latest = (*entries.REQUIRED[prefix], *entries.OPTIONAL[prefix]), _standing(assessment, prefix), _latest(assessment)
    shown = list(dict.fromkeys([*(key for key in keys if prefix == "decision" or key in standing), *standing]))
    rows = []
    for key in shown:
        held = standing.get(key) or {}
        answers = (held.get(part) or (UNANSWERED if part in entries.REQUIRED[prefix] else "none") for part in parts)
        rows.append((key, *answers, latest[f"{prefix}.{key}"]["who"] if key in standing else "nobody"))
    columns = (noun, *(part.replace("_", " ").capitalize() for part in parts), "Entered by (typed)")
    return Table(title, columns, tuple(rows), empty="No lot is listed." if prefix == "decision" else "Nothing has been entered.")


def _name_box() -> Any:
    import ipywidgets as widgets

    if "who" not in _SHARED:
        _SHARED["who"] = widgets.Text(description="Your name", placeholder="typed, not checked", continuous_update=False, layout=widgets.Layout(width="24em"))
    return _SHARED["who"]


def _frame(title: str, parts: Sequence[Any], why: Any, *, how: str = "Every answer is saved as soon as you leave its box.") -> Any:
    import ipywidgets as widgets

    head = widgets.HTML(f"<strong>{escape(title)}</strong><br>{how} {escape(entries.TYPED)}")
    return widgets.VBox([head, _name_box(), why, *parts])


def _why_box() -> Any:
    import ipywidgets as widgets

    return widgets.Text(description="Reason", placeholder="needed only where you change an earlier answer", continuous_update=False, layout=widgets.Layout(width="44em"))


def _saved(status: Any, save: Callable[[], Any]) -> bool:
    """Run one save, say in words how it went, and tell whether it did."""
    try:
        row = save()
    except KitError as fault:
        status.value = f'<span role="alert"><strong>Not saved.</strong> {escape(str(fault))}</span>'
        return False
    at = f", entry {row['n']}, {row['when']}" if isinstance(row, dict) else ""
    status.value = f'<span role="status">Saved{escape(at)}.</span>'
    return True


def _live_questions(assessment: Any, title: str, fields: Sequence[str], latest: dict[str, dict], choices: dict[str, list[str]]) -> Any:
    import ipywidgets as widgets

    why, parts = _why_box(), []
    for field in fields:
        label, status = widgets.HTML(f"<label>{escape(entries.FIELDS[field])}</label>"), widgets.HTML("")
        held = str((latest.get(field) or {}).get("new") or "")
        if field in choices:
            box = widgets.Dropdown(options=["", *dict.fromkeys([*choices[field], *([held] if held else [])])], value=held)
        else:
            box = widgets.Textarea(value=held, continuous_update=False, rows=2, layout=widgets.Layout(width="44em"))
        box.observe(_saver(assessment, field, status, why), names="value")
        parts += [label, box, status]
    return _frame(title, parts, why)


def _saver(assessment: Any, field: str, status: Any, why: Any) -> Callable[[dict], None]:
    def save(change: dict) -> None:
        _saved(status, lambda: entries.append(assessment.case.folder, who=_name_box().value, field=field, new=change["new"].strip() or None, why=why.value))

    return save


def _text_box(assessment: Any, field: str, proposed: str, mark: str, row: dict | None) -> Any:
    import ipywidgets as widgets

    status, why = widgets.HTML(""), _why_box()
    held = row["new"]["text"] if row and row["new"] else proposed
    box = widgets.Textarea(value=held, continuous_update=False, rows=6, layout=widgets.Layout(width="60em"))

    def save(change: dict) -> None:
        _saved(status, lambda: entries.append(assessment.case.folder, who=_name_box().value, field=field, new={"text": change["new"].strip(), "over": mark}, why=why.value))

    box.observe(save, names="value")
    shown = widgets.HTML(f"<p><em>Proposed by the kit:</em> {escape(proposed)}</p>")
    return _frame("The wording for the record", [shown, box, status], why)


@dataclass(frozen=True)
class _Editing:
    """What an editor of structured answers works on: which rows there are, what stands, how one is saved."""

    title: str
    noun: str
    parts: Sequence[str]
    choices: dict[str, list[str]]
    keys: Callable[[], list[str]]
    standing: Callable[[], dict[str, dict]]
    save: Callable[[str, dict[str, str], str, str], Any]
    table: Callable[[], Table]


def _editor(on: _Editing) -> Any:
    """A choice of which row, a box for each part, a button; and the table of what stands."""
    import ipywidgets as widgets

    status, why, shown = widgets.HTML(""), _why_box(), widgets.HTML(on.table()._repr_html_())
    pick = widgets.Dropdown(options=on.keys(), description=on.noun, style={"description_width": "9em"})
    boxes = {
        part: widgets.Combobox(
            options=on.choices.get(part, []), description=part.replace("_", " "), placeholder=HINTS.get(part, ""), ensure_option=False, layout=widgets.Layout(width="40em"), style={"description_width": "9em"}
        )
        for part in on.parts
    }
    button = widgets.Button(description="Save")

    def fill(*_: Any) -> None:
        held = on.standing().get(pick.value) or {}
        for part, box in boxes.items():
            box.value = str(held.get(part) or "")

    def press(_: Any) -> None:
        row, key = {part: box.value.strip() for part, box in boxes.items() if box.value.strip()}, pick.value
        if _saved(status, lambda: on.save(key, row, _name_box().value, why.value)):
            shown.value, pick.options = on.table()._repr_html_(), on.keys()
            pick.value = key

    pick.observe(fill, names="value")
    button.on_click(press)
    fill()
    return _frame(on.title, [shown, pick, *boxes.values(), button, status], why, how="Press Save when a row is filled in; it is saved at once.")
