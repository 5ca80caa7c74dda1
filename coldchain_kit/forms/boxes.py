"""Boxes to type into while a case is open; every answer goes at once to its ``entries.jsonl``, and each save says in words how it went."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

from coldchain_kit.base import KitError
from coldchain_kit.register import entries
from coldchain_kit.show import Table

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment

HINTS = {  # how a part of a row is written
    "start": "local time, such as 2026-03-06 22:10", "end": "local time, such as 2026-03-07 02:30", "time": "local time, such as 2026-03-09 11:20", "due": "a date, such as 2026-04-30",
    "closed": "a date, once it is done", "effective": "what was checked, by whom, when", "attachment": "name of a file beside the case", "second_person": "who agrees, by name",
    "stage": "as seen on the vial, in words", "read_by": "who looked, by name",
}  # fmt: skip


_SHARED: dict[str, Any] = {}  # the one box for the name, shown in every form of a notebook


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


def _saved(status: Any, save: Callable[[], object]) -> bool:
    """Run one save, say in words how it went, and tell whether it did."""
    try:
        row = save()
    except KitError as fault:
        status.value = f'<span role="alert"><strong>Not saved.</strong> {escape(str(fault))}</span>'
        return False
    at = f", entry {row['n']}, {row['when']}" if isinstance(row, dict) else ""
    status.value = f'<span role="status">Saved{escape(at)}.</span>'
    return True


def live_questions(assessment: Assessment, title: str, fields: Sequence[str], latest: Mapping[str, entries.Entry], choices: dict[str, list[str]]) -> Any:
    import ipywidgets as widgets

    why, parts = _why_box(), []
    for field in fields:
        label, status = widgets.HTML(f"<label>{escape(entries.FIELDS[field])}</label>"), widgets.HTML("")
        held = str((latest[field]["new"] if field in latest else None) or "")
        if field in choices:
            box = widgets.Dropdown(options=["", *dict.fromkeys([*choices[field], *([held] if held else [])])], value=held)
        else:
            box = widgets.Textarea(value=held, continuous_update=False, rows=2, layout=widgets.Layout(width="44em"))
        box.observe(_saver(assessment, field, status, why), names="value")
        parts += [label, box, status]
    return _frame(title, parts, why)


def _saver(assessment: Assessment, field: str, status: Any, why: Any) -> Callable[[dict[str, Any]], None]:
    def save(change: dict[str, Any]) -> None:
        _saved(status, lambda: entries.append(assessment.case.folder, who=_name_box().value, field=field, new=change["new"].strip() or None, why=why.value))

    return save


def text_box(assessment: Assessment, field: str, proposed: str, mark: str, row: entries.Entry | None) -> Any:
    import ipywidgets as widgets

    status, why = widgets.HTML(""), _why_box()
    held = entries.parts(row["new"])["text"] if row and row["new"] else proposed
    box = widgets.Textarea(value=held, continuous_update=False, rows=6, layout=widgets.Layout(width="60em"))

    def save(change: dict[str, Any]) -> None:
        _saved(status, lambda: entries.append(assessment.case.folder, who=_name_box().value, field=field, new={"text": change["new"].strip(), "over": mark}, why=why.value))

    box.observe(save, names="value")
    shown = widgets.HTML(f"<p><em>Proposed by the kit:</em> {escape(proposed)}</p>")
    return _frame("The wording for the record", [shown, box, status], why)


@dataclass(frozen=True)
class Editing:
    """What an editor of structured answers works on: which rows there are, what stands, how one is saved."""

    title: str
    noun: str
    parts: Sequence[str]
    choices: dict[str, list[str]]
    keys: Callable[[], list[str]]
    standing: Callable[[], Mapping[str, Mapping[str, object]]]
    save: Callable[[str, dict[str, str], str, str], object]
    table: Callable[[], Table]


def editor(on: Editing) -> Any:
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
