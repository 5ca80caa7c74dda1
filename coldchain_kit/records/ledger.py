"""OUT/ledger.jsonl: one chained line a record (:mod:`coldchain_kit.base.chain`)."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path
from typing import TypedDict, cast

from coldchain_kit.base import chain, sha256

NAME = "ledger.jsonl"
TAGMANIFEST = "tagmanifest-sha256.txt"
_FOLDER = re.compile(r"(?P<number>.+)-r(?P<revision>[1-9]\d*)$")


class LedgerRow(TypedDict, total=False):
    """A line of ledger.jsonl; a line that somebody changed may lack any of it."""

    number: str
    revision: int
    time: str
    path: str
    record_hash: str
    note: str
    previous: str
    line_hash: str
    torn: str


def now() -> str:
    """This moment in UTC, to the second, ending in Z."""
    return dt.datetime.now(dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def record_hash(folder: Path) -> str:
    """SHA-256 of the record's tagmanifest: the hash that stands for the whole record; "" where there is none."""
    try:
        return sha256((folder / TAGMANIFEST).read_bytes())
    except OSError:
        return ""


def split(folder_name: str) -> tuple[str, int] | None:
    """Number and revision of a record's folder name, or None.

    Examples
    --------
    >>> split("2026-014-r2")
    ('2026-014', 2)
    >>> split("notes") is None
    True
    """
    found = _FOLDER.fullmatch(folder_name)
    return (found["number"], int(found["revision"])) if found else None


def entered(out: Path) -> list[LedgerRow]:
    """The rows of a records folder's ledger."""
    return cast("list[LedgerRow]", chain.read(out / NAME).rows)


def revisions(out: Path, number: str) -> dict[int, str]:
    """Revision -> record hash of everything frozen under that number: from the ledger and, where a line is missing, the folders."""
    found = {parts[1]: record_hash(folder) for folder in out.glob("*-r*") if (parts := split(folder.name)) and parts[0] == number}
    found |= {row["revision"]: row.get("record_hash", "") for row in entered(out) if row.get("number") == number and isinstance(row.get("revision"), int)}
    return dict(sorted(found.items()))


def repair(out: Path) -> list[str]:
    """Enter finished records that no line names (a freeze killed between its last two steps); says what it did. Call it under the lock."""
    known = {row.get("path") for row in entered(out)}
    done = []
    for folder in _folders(out):
        if folder.name in known or not record_hash(folder):
            continue
        number, revision = split(folder.name) or (folder.name, 1)
        enter(out, folder, number, revision, note="entered later: the freeze was stopped before its line was written")
        done.append(f"{folder.name} was frozen but not entered: entered now")
    return done


def enter(out: Path, folder: Path, number: str, revision: int, **more: str) -> None:
    """The ledger line of a finished record."""
    chain.append(out / NAME, {"number": number, "revision": revision, "time": now(), "path": folder.name, "record_hash": record_hash(folder), **more})


def problems(out: Path) -> list[str]:
    """What is wrong with a records folder as a whole: broken chain, records missing, not entered, or other than entered."""
    held = chain.read(out / NAME)
    found = [*held.problems, *held.unfinished]
    for row in held.rows:
        name = str(row.get("path", ""))
        if not (out / name).is_dir():
            found.append(f"{name} is in the ledger but not in the folder")
        elif record_hash(out / name) != row.get("record_hash"):
            found.append(f"{name} is not the record that the ledger names")
    known = {row.get("path") for row in held.rows}
    found += [f"{folder.name} is not in the ledger" for folder in _folders(out) if folder.name not in known]
    return found


def _folders(out: Path) -> list[Path]:
    return sorted(path for path in out.iterdir() if split(path.name) and not path.name.startswith(".") and path.is_dir() and not path.is_symlink())
