"""data/context.json: what the page of a record takes from outside its inputs, kept so that the page can be made again from the record alone.

When it was frozen and by whom, for what number and revision, in which language, the ledger's state then, and the revision before: its
hash, results, inputs and entries, so that "What changed" can be checked by a stranger without that revision.
"""

from __future__ import annotations

import getpass
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NotRequired, TypedDict, cast

from coldchain_kit.base import RecordError
from coldchain_kit.records import changes, ledger, verification
from coldchain_kit.register import entries

SCHEMA = "coldchain-kit/context/1"
NAME = "context.json"


class Previous(TypedDict):
    """The revision before: its number and record hash; ``state`` None where its folder is not there or is damaged (``why``)."""

    revision: int
    record_hash: str
    state: changes.State | None
    why: str


class KnownPerson(TypedDict):
    """Somebody of the site's register."""

    id: str
    name: str
    function: str


class About(TypedDict):
    """What a record knows of its case beside its figures: what was open when it was frozen, and who works there."""

    open: list[str]
    people: list[KnownPerson]


class Context(TypedDict):
    """What a page takes from outside its inputs."""

    schema: str
    title: str
    kind: str
    site: str
    banner: str
    number: str
    revision: int
    reason: str
    frozen_at: str
    frozen_by: str
    language: str
    warnings: list[str]
    ledger_lines: int
    ledger_head: str
    kit_version: str
    earlier: NotRequired[list[str]]
    open: list[str]
    people: list[KnownPerson]
    previous: Previous | None
    changes: WhatChanged | None


class WhatChanged(TypedDict):
    """:class:`changes.Changes` as it stands in the file."""

    warnings: list[str]
    told: list[str]
    rows: list[changes.Change]


def account() -> str:
    """Name of the computer's account that runs this: who froze a record, as far as the computer knows."""
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):
        return "not known"


def text(held: Context) -> bytes:
    """As it stands in the record."""
    return (json.dumps(held, ensure_ascii=False, indent=1, sort_keys=True) + "\n").encode("utf-8")


def read(record: Path) -> Context | None:
    """The context of a frozen record; None for one of version 0.1.0, which has none.

    Raises
    ------
    RecordError
        It is there and cannot be read.
    """
    path = record / "data" / NAME
    if not path.is_file():
        return None
    try:
        held = json.loads(path.read_text("utf-8"))
    except ValueError:
        raise RecordError("it is no JSON", where=f"{record.name}/data/{NAME}") from None
    return cast(Context, held)


def warnings(record: Path) -> list[str]:
    """What a person must hear at once about a record: readings later than its freeze, and a past that is not what it was."""
    held = read(record)
    return [] if held is None else [*held["warnings"], *(held["changes"]["warnings"] if held["changes"] else [])]


def state(files: Mapping[str, str], results: Mapping[str, object], trail: Sequence[entries.Entry]) -> changes.State:
    """A revision as far as it is compared.

    Parameters
    ----------
    files : dict
        Name below data/ ("inputs/…", "attachments/…") -> SHA-256.
    results : dict
    trail : entries of the case, oldest first
    """
    kept = {name.removeprefix("inputs/"): digest for name, digest in files.items() if name.startswith(("inputs/", "attachments/"))}
    read_from = [str(row["file"]) for row in cast("list[Mapping[str, object]]", results.get("sources", []))]
    downloads = [name for name in kept if any(name == one or name.endswith("/" + one) for one in read_from)]
    told = [changes.AnswerState(n=int(row["n"]), field=row["field"], who=row["who"], new=row["new"], hash=str(row.get("line_hash") or row.get("hash") or "")) for row in trail]
    return changes.State(inputs=kept, downloads=sorted(downloads), results=dict(results), entries=told)


def trail_of(folder: Path) -> list[entries.Entry]:
    """Entries of the case that lies somewhere below a folder of inputs; none where there is no file of them."""
    found = sorted(folder.rglob(entries.FILE)) if folder.is_dir() else []
    return entries.read(found[0].parent) if found else []


def previous(out: Path, number: str, revision: int, *, record_hash: str) -> Previous:
    """The revision before, read from its folder; without its state where that is not there or not whole."""
    folder = out / f"{number}-r{revision}"
    found = verification.report(folder)
    if not found.found:
        return Previous(revision=revision, record_hash=record_hash, state=None, why="its folder is not beside this one")
    if found.problems:
        return Previous(revision=revision, record_hash=record_hash, state=None, why=f"it is not whole: {found.problems[0]}")
    results: dict[str, Any] = json.loads((folder / "data" / "results.json").read_text("utf-8"))
    files = {name.removeprefix("data/"): digest for digest, name in verification.listed(folder) if name.startswith(("data/inputs/", "data/attachments/"))}
    return Previous(revision=revision, record_hash=record_hash, state=state(files, results, trail_of(folder / "data" / "inputs")), why="")


def changed(before: Previous | None, now: changes.State) -> WhatChanged | None:
    """What changed since the revision before; None for a first one."""
    if before is None:
        return None
    if before["state"] is None:
        return WhatChanged(warnings=[f"WHAT CHANGED CANNOT BE SAID: revision {before['revision']} could not be compared; {before['why']}."], told=[], rows=[])
    found = changes.compare(before["state"], now, revision=before["revision"])
    return WhatChanged(warnings=list(found.warnings), told=list(found.told), rows=list(found.rows))


def ledger_state(out: Path) -> tuple[int, str]:
    """Lines of the ledger and the hash of its last one, before this record is entered."""
    held = ledger.held(out)
    return len(held.rows), held.head
