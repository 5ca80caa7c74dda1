"""What a revision changed against the one before it: inputs, results, answers. What looks like a falsified past is said first.

Pure: two :class:`State` in, a :class:`Changes` out. Where they come from is :mod:`coldchain_kit.records.context`'s work.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypedDict

from coldchain_kit.register import entries

TOLERANCE = 1e-9
MOST_SAID = 6  # changed figures told on the first screen; the table in the record lists all
_KEYS = ("id", "lot", "unit", "probe", "direction", "condition", "from_c", "to_c", "limit_c", "rule", "role", "file", "kind", "cause", "source", "start", "time", "line")
_TELLING = (  # what a reader asks for first, in this order
    ("excursions", "minutes_most"), ("excursions", "minutes_least"), ("excursions", "extreme_c"), ("excursions", "minutes"), ("cause", "cause"), ("lots", "needs_decision"),
    ("lots", "possible_freezing"), ("lots", "more_than_stated"), ("probes", "max_c"), ("probes", "min_c"), ("probes", "covered_share"), ("probes", "minutes_most"),
)  # fmt: skip


class AnswerState(TypedDict):
    """An entry of a revision: its number, question, answer in words, who, and the hash of its line."""

    n: int
    field: str
    who: str
    new: Any
    hash: str


class State(TypedDict):
    """A revision as far as it is compared: inputs and attachments by name, results, entries; ``downloads`` names the inputs that hold readings."""

    inputs: dict[str, str]
    downloads: list[str]
    results: dict[str, Any]
    entries: list[AnswerState]


class Change(TypedDict):
    """One thing that changed: of what part, where, before and now as JSON text ("" where it was not there)."""

    part: str
    where: str
    before: str
    now: str


@dataclass(frozen=True)
class Changes:
    """``warnings``: sentences in strong words; ``told``: sentences for the first screen; ``rows``: every change."""

    warnings: tuple[str, ...]
    told: tuple[str, ...]
    rows: tuple[Change, ...]


def compare(before: State, now: State, *, revision: int) -> Changes:
    """Everything that differs between a revision and the next.

    Parameters
    ----------
    before, now : State
    revision : int
        Number of the revision before.

    Examples
    --------
    >>> old = State(inputs={"F2.csv": "a1"}, downloads=["F2.csv"], results={"probes": [{"probe": "A", "max_c": 13.8}]}, entries=[])
    >>> new = State(inputs={"F2.csv": "b2"}, downloads=["F2.csv"], results={"probes": [{"probe": "A", "max_c": 8.1}]}, entries=[])
    >>> found = compare(old, new, revision=1)
    >>> print(*found.warnings, *found.told, sep="\\n")
    AN EARLIER DOWNLOAD DIFFERS: F2.csv does not hold the bytes that it held in revision 1. Ask why before you read on.
    Inputs changed: F2.csv.
    1 figure of the results differs (probes 1): probes A max_c 13.8, now 8.1.
    """
    inputs, answers, results = list(_inputs(before, now)), list(_answers(before["entries"], now["entries"])), list(_results(before["results"], now["results"]))
    warnings = (*_downloads(before, now, revision), *_prefix(before["entries"], now["entries"], revision))
    told = [text for part in (_said(inputs, "Inputs"), _figures(results), _said(answers, "Answers")) for text in part]
    return Changes(warnings, tuple(told) or ("Nothing in inputs, results or answers.",), (*inputs, *results, *answers))


# ------------------------------------------------------------------------------------------------- inputs


def _inputs(before: State, now: State) -> Iterator[Change]:
    old, new = before["inputs"], now["inputs"]
    for name in sorted(old.keys() | new.keys()):
        if old.get(name) != new.get(name):
            yield Change(part="inputs", where=name, before=old.get(name, ""), now=new.get(name, ""))


def _downloads(before: State, now: State, revision: int) -> Iterator[str]:
    for name in sorted(before["downloads"]):
        if name not in now["inputs"]:
            yield f"AN EARLIER DOWNLOAD IS NOT THERE ANY MORE: {name} of revision {revision}. Ask why before you read on."
        elif now["inputs"][name] != before["inputs"].get(name):
            yield f"AN EARLIER DOWNLOAD DIFFERS: {name} does not hold the bytes that it held in revision {revision}. Ask why before you read on."


# ------------------------------------------------------------------------------------------------- answers


def _prefix(before: Sequence[AnswerState], now: Sequence[AnswerState], revision: int) -> Iterator[str]:
    """Earlier entries must be the first ones of the new: answers are added, changed and withdrawn by later entries, never taken out."""
    kept = 0
    for old, new in zip(before, now, strict=False):
        if old["hash"] != new["hash"]:
            break
        kept += 1
    if kept < len(before):
        yield (
            f"EARLIER ENTRIES ARE NOT WHAT THEY WERE: of the {len(before)} entries of revision {revision} the first {kept} stand unchanged; from No. {kept + 1} on they were "
            "altered, reordered or taken out. Ask why before you read on."
        )  # fmt: skip


def _answers(before: Sequence[AnswerState], now: Sequence[AnswerState]) -> Iterator[Change]:
    old, new = ({row["field"]: row["new"] for row in rows} for rows in (before, now))
    for field in sorted(old.keys() | new.keys()):
        was, is_ = old.get(field), new.get(field)
        if was != is_:
            yield Change(part="answers", where=field, before="" if was is None else _text(was), now="" if is_ is None else _text(is_))


# ------------------------------------------------------------------------------------------------- results


def _results(before: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[Change]:
    for name in sorted(before.keys() | now.keys()):
        for where, was, is_ in _differences(before.get(name), now.get(name), ""):
            yield Change(part=name, where=where, before="" if was is None else _text(was), now="" if is_ is None else _text(is_))


def _differences(was: Any, is_: Any, at: str) -> Iterator[tuple[str, Any, Any]]:
    if isinstance(was, Mapping) and isinstance(is_, Mapping):
        for key in sorted(was.keys() | is_.keys()):
            yield from _differences(was.get(key), is_.get(key), f"{at} {key}".strip())
    elif isinstance(was, list) and isinstance(is_, list):
        old, new = _keyed(was), _keyed(is_)
        for name in dict.fromkeys([*old, *new]):
            yield from _differences(old.get(name), new.get(name), f"{at} {name}".strip())
    elif not _equal(was, is_):
        yield at, was, is_


def _keyed(rows: Sequence[Any]) -> dict[str, Any]:
    """Rows by what names them (id, lot, unit, probe, side …), by their place where nothing does."""
    for keys in (("id",), *(_KEYS[:upto] for upto in range(2, len(_KEYS) + 1))):
        names = [" ".join(str(row[key]) for key in keys if row.get(key) is not None) if isinstance(row, Mapping) else "" for row in rows]
        if all(names) and len(set(names)) == len(rows):
            return dict(zip(names, rows, strict=True))
    return {str(place): row for place, row in enumerate(rows, 1)}


def _equal(was: Any, is_: Any) -> bool:
    numbers = all(isinstance(value, (int, float)) and not isinstance(value, bool) for value in (was, is_))
    return math.isclose(was, is_, rel_tol=TOLERANCE, abs_tol=TOLERANCE) if numbers else was == is_


# ------------------------------------------------------------------------------------------------- in words


def _said(rows: Sequence[Change], noun: str) -> Iterator[str]:
    kinds = {"added": [row["where"] for row in rows if not row["before"]], "withdrawn" if noun == "Answers" else "taken out": [row["where"] for row in rows if not row["now"]]}
    kinds["changed"] = [row["where"] for row in rows if row["before"] and row["now"]]
    for kind, names in kinds.items():
        if names:
            more = f" and {len(names) - MOST_SAID} more" if len(names) > MOST_SAID else ""
            shown = [f"“{entries.question(name)}”" for name in names] if noun == "Answers" else names
            yield f"{noun} {kind}: {', '.join(shown[:MOST_SAID])}{more}."


def _figures(rows: Sequence[Change]) -> Iterator[str]:
    if not rows:
        return
    parts = ", ".join(f"{name} {count}" for name, count in Counter(row["part"] for row in rows).most_common())
    telling = sorted(rows, key=_rank)[:MOST_SAID]
    first = "; ".join(f"{row['part']} {row['where']} {_brief(row['before'])}, now {_brief(row['now'])}" for row in telling)
    noun = "1 figure of the results differs" if len(rows) == 1 else f"{len(rows)} figures of the results differ"
    yield f"{noun} ({parts}): {first}{'; the table of changes lists all' if len(rows) > MOST_SAID else ''}."


def _rank(row: Change) -> int:
    last = row["where"].rsplit(" ", 1)[-1]
    return next((place for place, (part, key) in enumerate(_TELLING) if row["part"] == part and last == key), len(_TELLING))


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, sort_keys=True)


def _brief(text: str) -> str:
    return "not there" if not text else text if len(text) <= 60 else text[:57] + "…"
