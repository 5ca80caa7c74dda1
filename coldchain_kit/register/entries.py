"""What people wrote: an append-only file of entries beside the case, each line hashed over the one before.

``entries.jsonl``: one JSON object a line with n, when (UTC), who, field, old, new, why, and the hashes of
:mod:`coldchain_kit.base.chain`. A name is typed, not authenticated.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import NotRequired, TypedDict, cast

from coldchain_kit.base import Fault, KitError, chain, files, nearest, sheet

FILE = "entries.jsonl"
ACTIONS = "actions.csv"
ACTION_COLUMNS = ("id", "kind", "action", "owner", "due", "closed", "effective", "note")
ACTION_KINDS = ("correction", "corrective", "preventive")
TYPED = "Names are typed, not authenticated: the file shows what was entered under a name, not who sat at the keyboard."
_KEYS = {"n", "when", "who", "field", "old", "new", "why"}  # beside the hashes of the chain
_CHAINED = {"previous", "hash", "line_hash", "torn"}
Answer = str | dict[str, str] | None  # a text, the parts of a structured answer, or nothing: withdrawn


class Entry(TypedDict):
    """One line of entries.jsonl: who answered what, when (UTC), before, now, why; and the hashes of the chain."""

    n: int
    when: str
    who: str
    field: str
    old: Answer
    new: Answer
    why: str
    previous: NotRequired[str]
    line_hash: NotRequired[str]
    hash: NotRequired[str]
    torn: NotRequired[str]


class Action(TypedDict):
    """A line of actions.csv."""

    id: str
    kind: str
    action: str
    owner: str
    due: str
    closed: str
    effective: str
    note: str


# Every field that can be answered: name (a * stands for a number or a name of the user's own), the question.
FIELDS: dict[str, str] = {
    "immediate.marked": 'Is the affected stock marked "do not use"?',
    "immediate.where": "Where is the affected stock now?",
    "immediate.condition": "Is it at its labelled condition there? How do you know?",
    "immediate.by": "Who moved or marked it?",
    "immediate.when": "When (local time)?",
    "immediate.logger": "Was the download made before anybody cleared, stopped or reset the logger?",
    "immediate.informed": "Who was told, and when?",
    "hold.due": "By when must be decided on the stock, and who decides?",
    "given.doses": "Were doses given or issued from the last reading inside until the stock was marked? How many? (No patients' names.)",
    "given.list": "Reference of the site's own list of them",
    "given.who": "Who looks into recall or revaccination, and by when?",
    "found.how": "How was it found (alarm, daily check, download)?",
    "found.by": "Who found it?",
    "found.when": "When was it found (local time)?",
    "why.1": "What happened, in one sentence?",
    "why.2": "Why did that happen?",
    "why.3": "And why that?",
    "why.4": "And why that?",
    "why.5": "And why that?",
    "group.equipment": "Equipment: what about the unit, probe or logger played a part?",
    "group.power": "Power and building: what played a part?",
    "group.method": "Method: was there a procedure, and does it fit the work?",
    "group.load": "Load and handling: what was put in, taken out or moved?",
    "group.people": "Training and staffing: what would have helped? (No names, no blame.)",
    "group.surroundings": "Surroundings: heat, cold, season?",
    "group.monitoring": "Monitoring and alarms: why was it not seen earlier?",
    "cause.root": "Root cause, in the investigator's own words",
    "cause.reasons": "Reasons for it, and what speaks against it",
    "cause.kit": "Where does this differ from the kit's ranking, and why?",
    "text.*": "The wording of a paragraph, where the investigator changed the proposed one",
    "told.*": "Somebody who was told: authority, programme, sponsor, quality unit",
    "count.*": "Quantities of a lot: do they add up?",
    "decision.*": "Decision on a lot",
    "reply.*": "A manufacturer's reply",
    "monitor.*": "Vial monitor of a lot, its stage as read off the vial",
    "set_aside.*": "Readings set aside",
    "unit.state": "Is the unit mapped or qualified: document, date? What changed since?",
    "shake": "Was a shake test done? It needs a frozen control vial, serves only some vaccines, and releases nothing by itself. By whom, how?",
    "risk": "Risk to product and patients, in your words",
    "class": "Class of the deviation, from the site's own scheme",
    "class.reason": "Reason for this class",
    "conclusion": "Conclusion",
    "effectiveness": "How and when will it be checked that the actions worked?",
    "kept.until": "Until when is this record kept, and by which rule?",
    "kept.copies": "Who receives a copy?",
    "action.*": "A corrective or preventive action",
}
WHERE_IT_APPLIES = ("given.list", "given.who", "shake", "unit.state")  # not open while nobody has answered: they follow from another answer, or need not be asked
REQUIRED = {  # parts that a structured answer must hold
    "decision": ("outcome", "by", "role", "time"),
    "reply": ("from", "words", "time"),
    "monitor": ("stage", "read_by", "time"),
    "set_aside": ("unit", "probe", "start", "end", "reason", "second_person"),
    "told": ("who", "time"),
    "count": ("received", "used", "held", "moved", "by", "time"),
}
OPTIONAL = {"decision": ("reference", "attachment", "reasons"), "reply": ("reference", "lot", "new_expiry", "attachment"), "monitor": ("attachment",), "set_aside": (), "told": ("how", "reference", "answer"), "count": ("note",)}


def read(folder: str | Path) -> list[Entry]:
    """Every whole entry of a case's folder, oldest first; an empty list where nothing was entered.

    A line that was cut off while being written is no entry: :func:`check` names it.
    """
    return [cast(Entry, row) for row in chain.read(Path(folder) / FILE, first_form=True).rows if _is_entry(row)]


def current(folder: str | Path) -> dict[str, str | dict[str, str]]:
    """Field -> the answer that stands now. A withdrawn answer (None) is left out.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as case:
    ...     _ = append(case, who="R. Vaz", field="conclusion", new="Power cut.")
    ...     current(case)
    {'conclusion': 'Power cut.'}
    """
    now = {row["field"]: row["new"] for row in read(folder)}
    return {field: value for field, value in now.items() if value is not None}


def parts(answer: Answer) -> dict[str, str]:
    """The parts of a structured answer; none of a text.

    Examples
    --------
    >>> parts({"outcome": "kept"}), parts("kept")
    ({'outcome': 'kept'}, {})
    """
    return answer if isinstance(answer, dict) else {}


def append(folder: str | Path, *, who: str, field: str, new: Answer, why: str = "", now: dt.datetime | None = None) -> Entry:
    """Write one answer at once; nothing that stands in the file is touched.

    Parameters
    ----------
    folder : path
        The case's folder, where case.toml lies.
    who : str
        Typed name.
    field : str
        One of FIELDS.
    new : str, dict or None
        The answer; None withdraws it.
    why : str
        Needed where an earlier answer is changed or withdrawn.
    now : aware datetime, optional
        Instant of the entry; this moment unless given.

    Returns
    -------
    dict, the entry as written. The same answer again writes nothing and gives back the entry that stands.

    Raises
    ------
    KitError
        No name, unknown field, parts missing, a change without a reason, readings set aside without a second person, a broken chain.
    """
    folder, who, why = Path(folder), who.strip(), why.strip()
    _check_answer(field, new, who)
    files.outside_records(folder / FILE)
    with chain.locked(folder):
        return _append(folder, who, field, new, why, now)


def _append(folder: Path, who: str, field: str, new: Answer, why: str, now: dt.datetime | None) -> Entry:
    """:func:`append`, once the answer is checked and the folder's lock is held."""
    problems = [text for text in check(folder) if not text.startswith("note:")]
    if problems:
        raise KitError(problems[0], where=FILE, mend="Keep the file as it is, and ask whoever looks after your records before you write on")
    rows = read(folder)
    standing = next((row for row in reversed(rows) if row["field"] == field), None)
    old = standing["new"] if standing else None
    if standing and old == new:
        return standing
    if old is not None and not why:
        raise KitError(
            f"'{question(field)}' was answered before", where=field, expected="a reason for the change",
            mend="Say in one sentence why the answer changes; the earlier one stays in the trail",
        )  # fmt: skip
    when = (now or dt.datetime.now(dt.UTC)).astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    entry: Entry = {"n": len(rows) + 1, "when": when, "who": who, "field": field, "old": old, "new": new, "why": why}
    try:
        return cast(Entry, chain.append(folder / FILE, entry))
    except OSError as fault:
        raise KitError(
            f"the entry could not be written: {fault.strerror}", where=FILE, mend="Free some space or check the folder's permissions, then enter it again"
        ) from None


def check(folder: str | Path) -> list[str]:
    """What is wrong with the file of entries, one plain line each; lines beginning "note:" are no damage.

    Names: a line that is no entry, an entry changed, removed or put elsewhere since it was written.
    """
    held = chain.read(Path(folder) / FILE, first_form=True)
    problems = [f"note: {text} and counts for nothing" for text in (*held.notes, *held.unfinished)]
    problems += [f"note: entry {number} was written over an unfinished line, whose text it keeps" for number, row in enumerate(held.rows, 1) if row.get("torn")]
    problems += held.problems
    for number, row in enumerate(held.rows, 1):
        if not _is_entry(row):
            problems.append(f"{FILE}: entry {number} is no entry of the kit")
        elif row["n"] != number:
            problems.append(f"{FILE}: before entry {number} one is missing, added or in another place")
    return problems


def head(folder: str | Path) -> str:
    """Hash of the newest line: it stands for all of them. Sixty-four noughts where there is none."""
    return chain.read(Path(folder) / FILE, first_form=True).head


def _is_entry(row: Mapping[str, object]) -> bool:
    return set(row) - _CHAINED == _KEYS


def question(field: str) -> str:
    """The question that a field answers, with its number or name where it has one; a field that no question has stays itself.

    Examples
    --------
    >>> question("conclusion"), question("decision.TBH-2207")
    ('Conclusion', 'Decision on a lot: TBH-2207')
    """
    kind, _, name = field.partition(".")
    return FIELDS.get(field) or (f"{FIELDS[f'{kind}.*']}: {name}" if f"{kind}.*" in FIELDS else field)


def _check_answer(field: str, new: Answer, who: str) -> None:
    kind, _, name = field.partition(".")
    if field.endswith("*") or (field not in FIELDS and not (name and f"{kind}.*" in FIELDS)):
        raise KitError(f"there is no question '{field[:60]}'", expected="one of " + ", ".join(FIELDS), mend=nearest(field, FIELDS))
    if not who or re.search(r"[\x00-\x1f]", who) or len(who) > 120:
        raise KitError("no name was typed", where=field, expected="the name of the person who answers", mend="Type your name first")
    if kind in REQUIRED and new is not None:
        _check_parts(kind, field, new, who)
    elif new is not None and not isinstance(new, (str, dict)):
        raise KitError(f"the answer is a {type(new).__name__}", where=field, expected="a text")


def _check_parts(kind: str, field: str, new: Answer, who: str) -> None:
    if not isinstance(new, dict):
        raise KitError("the answer is a single text", where=field, expected="these parts: " + ", ".join(REQUIRED[kind]))
    faults = [Fault(f"'{part}' is not filled in", field) for part in REQUIRED[kind] if not str(new.get(part) or "").strip()]
    faults += [Fault(f"unknown part '{part}'", field, mend=nearest(part, (*REQUIRED[kind], *OPTIONAL[kind]))) for part in new if part not in (*REQUIRED[kind], *OPTIONAL[kind])]
    if kind == "set_aside" and str(new.get("second_person") or "").strip().casefold() == who.casefold():
        faults.append(Fault("the second person is the same as the first", field, "another person's name", "Two people set readings aside, never one"))
    if kind == "set_aside":
        faults += [Fault(f"'{part}' is '{new.get(part)}'", field, "the site's local time such as 2026-03-06T20:00") for part in ("start", "end") if not _is_local(new.get(part))]
    if faults:
        raise KitError(faults=faults)


def _is_local(text: object) -> bool:
    try:
        return dt.datetime.fromisoformat(str(text)).tzinfo is None
    except ValueError:
        return False


# --- actions.csv --------------------------------------------------------------------------------------------------------


def actions(folder: str | Path) -> list[Action]:
    """Rows of actions.csv; an empty list where there is no such file.

    Raises
    ------
    KitError
        Unknown or missing columns, unknown kinds, dates that are none: every fault at once, with its line.
    """
    path = Path(folder) / ACTIONS
    if not path.is_file():
        return []
    rows = sheet.rows(path, needed=ACTION_COLUMNS[:5], optional=ACTION_COLUMNS[5:])
    found = [_action({name: sheet.unmarked(row.cells.get(name, "").strip()) for name in ACTION_COLUMNS}) for row in rows]
    faults = [fault for row, cells in zip(rows, found, strict=True) for fault in _action_faults(cells, row.where)]
    if faults:
        raise KitError(faults=faults)
    return found


def _action(cells: Mapping[str, str]) -> Action:
    return {
        "id": cells["id"], "kind": cells["kind"], "action": cells["action"], "owner": cells["owner"], "due": cells["due"], "closed": cells["closed"],
        "effective": cells["effective"], "note": cells["note"],
    }  # fmt: skip


def _action_faults(row: Action, where: str) -> Iterator[Fault]:
    if (row.get("kind") or "").strip() not in ACTION_KINDS:
        yield Fault(f"kind is '{row.get('kind')}'", where, "one of " + ", ".join(ACTION_KINDS), nearest(str(row.get("kind")), ACTION_KINDS))
    for name in ("id", "action", "owner"):
        if not row[name].strip():
            yield Fault(f"'{name}' is empty", where)
    if (row.get("id") or "").startswith("#"):
        yield Fault(f"id is '{row['id']}'", where, "an id such as A1", "A line that begins with # is a remark and no action")
    for day in ("due", "closed"):
        given = row[day].strip()
        if (given or day == "due") and not _is_date(given):
            yield Fault(f"{day} is '{given}'", where, "a date such as 2026-03-20")


def _is_date(text: str) -> bool:
    try:
        return bool(dt.date.fromisoformat(text))
    except ValueError:
        return False


def save_action(folder: str | Path, row: Mapping[str, object], *, who: str, why: str = "", now: dt.datetime | None = None) -> list[Action]:
    """Add or change one action: the table is replaced whole or not at all, and the change stands in the trail.

    Parameters
    ----------
    row : dict
        ACTION_COLUMNS; ``id`` says which action it is.

    Returns
    -------
    list of dict, all actions now.

    Raises
    ------
    KitError
        A part missing or not as it must be, a change without a reason, no name, a file that cannot be written.
    """
    folder, kept = Path(folder), {name: str(row.get(name) or "").strip() for name in ACTION_COLUMNS}
    faults = list(_action_faults(_action(kept), f"action {kept['id'] or '?'}"))
    if faults:
        raise KitError(faults=faults)
    field, who, why = f"action.{kept['id']}", who.strip(), why.strip()
    _check_answer(field, kept, who)
    files.outside_records(folder / ACTIONS)
    with chain.locked(folder):
        rows = {one["id"]: one for one in actions(folder)}
        _append(folder, who, field, kept, why, now)
        rows[kept["id"]] = _action(kept)
        _write_actions(folder, list(rows.values()))
    return list(rows.values())


def _write_actions(folder: Path, rows: list[Action]) -> None:
    text = io.StringIO()
    table = csv.DictWriter(text, ACTION_COLUMNS, lineterminator="\n")
    table.writeheader()
    table.writerows({name: sheet.safe(str(value)) for name, value in one.items()} for one in rows)
    files.write(folder / ACTIONS, text.getvalue())
