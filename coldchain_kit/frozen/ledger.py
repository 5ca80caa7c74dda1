"""OUT/ledger.jsonl: one line a record, each hashed over the one before; the lock that makes freezes take turns.

A chain finds accidents and partial edits. Whoever can rebuild everything is found only by a hash kept elsewhere.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from coldchain_kit.errors import RecordError
from coldchain_kit.run import sha256

NAME = "ledger.jsonl"
LOCK = ".lock"
START = "0" * 64
TORN = "ends in an unfinished line"
TAGMANIFEST = "tagmanifest-sha256.txt"
_FOLDER = re.compile(r"(?P<number>.+)-r(?P<revision>[1-9]\d*)$")


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


@contextlib.contextmanager
def locked(out: Path, *, wait_s: float = 60.0) -> Iterator[None]:
    """Hold the lock of a records folder; a killed process gives it up by itself.

    Raises
    ------
    RecordError
        Where the folder cannot be written, or another freeze holds it longer than ``wait_s`` [s].
    """
    import fcntl

    try:
        handle = os.open(out / LOCK, os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as fault:
        raise RecordError(f"nothing can be written there ({fault.strerror})", where=out.name, mend="Choose another folder or change its permissions") from None
    try:
        until = time.monotonic() + wait_s
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() > until:
                    raise RecordError("another freeze is writing here", where=out.name, mend="Wait until it has finished, then try again") from None
                time.sleep(0.05)
        yield
    finally:
        os.close(handle)


def lines(path: Path) -> tuple[list[dict[str, Any]], list[str], str]:
    """A chained file: its good rows, what is wrong with it, and the hash of its last whole line.

    Every row is checked to name the hash of the line before it. An unfinished last line (a write that was
    cut off) is a problem of its own.
    """
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return [], [], START
    rows, problems, before = [], [], START
    whole, cut, torn = data.rpartition(b"\n")
    for number, line in enumerate(whole.split(b"\n") if cut else [], 1):
        try:
            row = json.loads(line)
            if not isinstance(row, dict):
                raise ValueError
        except ValueError:
            problems.append(f"{path.name} line {number} is not readable")
        else:
            if row.get("line_hash") != _line_hash(row):
                problems.append(f"{path.name} line {number} was changed")
            if row.get("previous") != before:
                problems.append(f"{path.name} line {number} does not follow the line before it: one of them was changed, added or taken out")
            rows.append(row)
        before = sha256(line)
    if torn:
        problems.append(f"{path.name} {TORN} of {len(torn)} bytes")
    return rows, problems, before


def _line_hash(row: dict[str, Any]) -> str:
    """Of the line itself without this hash, so that a slip in the last line is found too."""
    return sha256(json.dumps({key: value for key, value in row.items() if key != "line_hash"}, sort_keys=True, ensure_ascii=False))


def append(path: Path, row: dict[str, Any]) -> dict[str, Any]:
    """Add one chained line and bring it to the disk; call it under a lock. An unfinished last line is cut off first and that is said."""
    _, _, before = lines(path)
    handle = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o644)
    try:
        size = os.fstat(handle).st_size
        tail = os.pread(handle, size, 0)
        kept = tail.rfind(b"\n") + 1
        if kept < size:
            os.ftruncate(handle, kept)
            row = {**row, "note": f"an unfinished line of {size - kept} bytes before this one was cut off"}
        row = {**row, "previous": before}
        row["line_hash"] = _line_hash(row)
        line = (json.dumps(row, sort_keys=True, ensure_ascii=False) + "\n").encode("utf-8")
        done = 0
        try:
            os.lseek(handle, kept, os.SEEK_SET)
            while done < len(line):
                done += os.write(handle, line[done:])
            os.fsync(handle)
        except OSError:
            os.ftruncate(handle, kept)
            raise
    finally:
        os.close(handle)
    return row


def entered(out: Path) -> list[dict[str, Any]]:
    """The rows of a records folder's ledger."""
    return lines(out / NAME)[0]


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
    append(out / NAME, {"number": number, "revision": revision, "time": now(), "path": folder.name, "record_hash": record_hash(folder), **more})


def problems(out: Path) -> list[str]:
    """What is wrong with a records folder as a whole: broken chain, records missing, not entered, or other than entered."""
    rows, found, _ = lines(out / NAME)
    for row in rows:
        name = str(row.get("path", ""))
        if not (out / name).is_dir():
            found.append(f"{name} is in the ledger but not in the folder")
        elif record_hash(out / name) != row.get("record_hash"):
            found.append(f"{name} is not the record that the ledger names")
    known = {row.get("path") for row in rows}
    found += [f"{folder.name} is not in the ledger" for folder in _folders(out) if folder.name not in known]
    return found


def _folders(out: Path) -> list[Path]:
    return sorted(path for path in out.iterdir() if split(path.name) and not path.name.startswith(".") and path.is_dir() and not path.is_symlink())
