"""One hash chain for entries, ledger and signatures: a JSON object a line, each naming the hash of the line before it.

A chain finds accidents and partial edits. Whoever can rebuild everything is found only by a hash kept elsewhere.

One rule for a torn line (a write that was cut off): it counts for nothing, the next write takes it away and keeps its
text under ``torn`` in its own line. A whole last line that lost only its line end is a line. Entries written by version
0.1 carry ``hash`` in place of ``line_hash`` and name the hash of the entry before; a torn line stayed among them. They
are checked by that rule, for ever (``first_form``).
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from filelock import FileLock, Timeout

from coldchain_kit.base.errors import RecordError
from coldchain_kit.base.files import sha256

LOCK = ".lock"
_BLOCK = 1 << 14
START = "0" * 64


@dataclass(frozen=True)
class Chain:
    """What stands in a chained file.

    ``rows``: its readable lines, oldest first; ``problems``: what is damaged, one sentence each; ``notes``: what is odd and
    no damage; ``head``: hash of its last whole line (sixty-four noughts where there is none); ``torn``: the unfinished text at
    its end, ``unfinished`` says so in a sentence.
    """

    rows: list[dict[str, Any]] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    head: str = START
    torn: str = ""
    unfinished: tuple[str, ...] = ()


@contextlib.contextmanager
def locked(folder: Path, *, wait_s: float = 60.0) -> Iterator[None]:
    """Hold a folder's lock, so that writers take turns; a killed process gives it up by itself.

    Parameters
    ----------
    wait_s : float
        How long to wait for another writer [s].

    Raises
    ------
    RecordError
        Where the folder cannot be written, or another writer holds it for longer.
    """
    lock = FileLock(folder / LOCK, timeout=wait_s, mode=0o644)
    try:
        lock.acquire(poll_interval=0.05)
    except Timeout:
        raise RecordError("another freeze or entry is being written here", where=folder.name, mend="Wait until it has finished, then try again") from None
    except OSError as fault:
        raise RecordError(f"nothing can be written there ({fault.strerror})", where=folder.name, mend="Choose another folder or change its permissions") from None
    try:
        yield
    finally:
        lock.release()


def read(path: Path, *, first_form: bool = False) -> Chain:
    """A chained file with everything that is wrong with it; an empty chain where there is no such file.

    Parameters
    ----------
    first_form : bool
        Lines of version 0.1 may stand at its beginning (entries only).

    Raises
    ------
    OSError
        The system refused to read it.
    """
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return Chain()
    whole, cut, torn = data.rpartition(b"\n")
    if torn and _is_line(torn, sha256(whole.rpartition(b"\n")[2]) if cut else START):
        whole, cut, torn = data, b"\n", b""  # only its line end was lost
    rows: list[dict[str, Any]] = []
    problems: list[str] = []
    notes: list[str] = []
    unread: list[int] = []
    before, earlier = START, START
    for number, line in enumerate(whole.split(b"\n") if cut else [], 1):
        row = _row(line)
        if row is None:
            unread.append(number)
        else:
            first_form = first_form and "line_hash" not in row
            (notes if first_form else problems).extend(_unreadable(path.name, one) for one in unread)
            unread.clear()
            wrong = _faults(row, earlier if first_form else before, first_form=first_form)
            problems += [f"{path.name} line {number} {text}" for text in wrong]
            earlier = str(row.get("hash")) if first_form else earlier
            rows.append(row)
        before = sha256(line)
    problems += [_unreadable(path.name, one) for one in unread]
    said = (f"{path.name} ends in an unfinished line of {len(torn)} bytes",) if torn else ()
    return Chain(rows, problems, notes, before, torn.decode("utf-8", "replace"), said)


def _is_line(text: bytes, before: str) -> bool:
    """Whether a last line without its end is whole all the same: it names the line before and its own hash fits."""
    row = _row(text)
    return row is not None and not _faults(row, before, first_form=False)


def append(path: Path, row: Mapping[str, object]) -> dict[str, Any]:
    """Add one chained line and bring it to the disk; call it under the folder's lock.

    Returns
    -------
    dict, the line as written, with ``previous`` and ``line_hash``.

    Raises
    ------
    OSError
        The system refused (no permission, disk full): what stood there before is whole again.
    RecordError
        A text that cannot be written as UTF-8.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     _ = append(Path(folder) / "chain.jsonl", {"n": 1})
    ...     _ = append(Path(folder) / "chain.jsonl", {"n": 2})
    ...     found = read(Path(folder) / "chain.jsonl")
    >>> [row["n"] for row in found.rows], found.problems
    ([1, 2], [])
    """
    try:
        line_hash(row)  # before a file is made for it
    except UnicodeEncodeError:
        raise RecordError("a text holds characters that cannot be written", where=path.name, mend="Type it again") from None
    handle = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o644)
    try:
        return _add(handle, row)
    finally:
        os.close(handle)


def _add(handle: int, row: Mapping[str, object]) -> dict[str, Any]:
    end = _end(handle)
    torn = end.torn.decode("utf-8", "replace")
    whole = {**row, **({"torn": torn} if torn else {}), "previous": end.head}
    whole["line_hash"] = line_hash(whole)
    line = (json.dumps(whole, sort_keys=True, ensure_ascii=False) + "\n").encode("utf-8")
    try:
        _write(handle, b"\n" * end.unended + line, at=end.kept)  # over the unfinished text, which the new line keeps
        os.ftruncate(handle, end.kept + end.unended + len(line))
    except OSError:
        os.ftruncate(handle, end.kept)
        _write(handle, end.torn, at=end.kept)
        raise
    return whole


class _End(NamedTuple):
    """The end of a chained file: hash of its last whole line, unfinished text after it, where that begins, whether the last line lost its line end."""

    head: str
    torn: bytes
    kept: int
    unended: bool


def _end(handle: int) -> _End:
    """Read from the end back to the last whole line, so that a long chain costs no more than a short one."""
    size = at = os.fstat(handle).st_size
    data = b""
    while at and data.count(b"\n") < 2:
        step = min(at, max(_BLOCK, len(data)))
        at -= step
        data = os.pread(handle, step, at) + data
    whole, cut, torn = data.rpartition(b"\n")
    head = sha256(whole.rpartition(b"\n")[2]) if cut else START
    if torn and _is_line(torn, head):
        return _End(sha256(torn), b"", size, True)
    return _End(head, torn, size - len(torn), False)


def line_hash(row: Mapping[str, object]) -> str:
    """Of a line without this hash, so that a slip in the last line is found, too."""
    return sha256(json.dumps({key: value for key, value in row.items() if key != "line_hash"}, sort_keys=True, ensure_ascii=False))


def _write(handle: int, data: bytes, *, at: int) -> None:
    os.lseek(handle, at, os.SEEK_SET)
    done = 0
    while done < len(data):
        done += os.write(handle, data[done:])
    os.fsync(handle)


def _row(line: bytes) -> dict[str, Any] | None:
    try:
        row = json.loads(line)
        json.dumps(row, ensure_ascii=False).encode("utf-8")
    except (ValueError, RecursionError):
        return None
    return row if isinstance(row, dict) else None


def _unreadable(name: str, number: int) -> str:
    return f"{name} line {number} is not readable"


def _faults(row: Mapping[str, object], before: str, *, first_form: bool) -> list[str]:
    own = _first_form_hash(row) == row.get("hash") if first_form else row.get("line_hash") == line_hash(row)
    found = [] if own else ["was changed"]
    if row.get("previous") != before:
        found.append("does not follow the line before it: one of them was changed, added or taken out")
    return found


def _first_form_hash(row: Mapping[str, object]) -> str:
    held = {key: value for key, value in row.items() if key != "hash"}
    return hashlib.sha256(json.dumps(held, sort_keys=True, ensure_ascii=False, separators=(",", ":")).encode("utf-8")).hexdigest()
