"""OUT/ledger.jsonl: what was frozen and signed in a folder of records, one chained line each (:mod:`coldchain_kit.base.chain`).

Lines have a ``kind``: ``intent`` before a finished folder gets its name, ``record`` after it, ``signature_intent`` and ``signature`` around a
signature, ``note``. A line without a kind is a record of edition 1, for ever. A folder without a line of its own is entered later only where an intent names
it by its hash: whatever else lies there was put there by somebody, and is named.
"""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypedDict, cast

from coldchain_kit.base import RecordError, chain, sha256

NAME = "ledger.jsonl"
TAGMANIFEST = "tagmanifest-sha256.txt"
RULES = 2  # edition of the rules that a line was written by
LATER = "entered later: the freeze was stopped before its line was written"
_FOLDER = re.compile(r"(?P<number>.+)-r(?P<revision>[1-9]\d*)$")


class LedgerRow(TypedDict, total=False):
    """A line of ledger.jsonl; a line that somebody changed may lack any of it."""

    kind: str
    rules: int
    number: str
    revision: int
    time: str
    path: str
    contents: str
    record_hash: str
    signature: str
    count: int
    name: str
    role: str
    by: str
    because: str
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


# ------------------------------------------------------------------------------------------------- reading


def held(out: Path) -> chain.Chain:
    """The ledger of a folder of records with everything wrong with its chain."""
    return chain.read(out / NAME)


def rows_of(lines: Sequence[Mapping[str, object]], *kinds: str) -> list[LedgerRow]:
    """The lines of some kinds; a line without one is a record of edition 1."""
    return [cast(LedgerRow, row) for row in lines if str(row.get("kind", "record")) in kinds]


def entered(out: Path) -> list[LedgerRow]:
    """The lines of records in a folder's ledger."""
    return rows_of(held(out).rows, "record")


def revisions(out: Path, number: str) -> dict[int, str]:
    """Revision -> record hash of everything frozen under that number: from the ledger and, where a line is missing, the folders."""
    found = {parts[1]: record_hash(folder) for folder in out.glob("*-r*") if (parts := split(folder.name)) and parts[0] == number}
    found |= {row["revision"]: row.get("record_hash", "") for row in entered(out) if row.get("number") == number and isinstance(row.get("revision"), int)}
    return dict(sorted(found.items()))


def head_line(out: Path) -> str:
    """One line to copy by hand into a bound book: how many lines the ledger has, the last one's time and hash.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     head_line(Path(folder))
    'no ledger here'
    """
    whole = held(out)
    if not whole.rows:
        return "no ledger here"
    return f"ledger: {len(whole.rows)} lines, last {whole.rows[-1].get('time', 'at no stated time')}, head {whole.head}"


def later_revision(folder: Path) -> str:
    """Folder name of a later revision of the same number beside a record, in the ledger or as a folder; "" where there is none.

    Examples
    --------
    >>> later_revision(Path("nowhere") / "2026-014-r1")
    ''
    """
    place = folder.resolve()
    parts = split(place.name)
    if parts is None or not place.parent.is_dir():
        return ""
    last = max(revisions(place.parent, parts[0]), default=0)
    return f"{parts[0]}-r{last}" if last > parts[1] else ""


# ------------------------------------------------------------------------------------------------- writing, under the folder's lock


def intend(out: Path, number: str, revision: int, *, path: str, contents: str, digest: str) -> None:
    """Say which record is about to get its name: by its contents' hash and its record hash."""
    _append(out, {"kind": "intent", "number": number, "revision": revision, "path": path, "contents": contents, "record_hash": digest})


def enter(out: Path, folder: Path, number: str, revision: int, **more: str) -> None:
    """The line of a finished record."""
    _append(out, {"kind": "record", "number": number, "revision": revision, "path": folder.name, "record_hash": record_hash(folder), **more})


def repair(out: Path) -> list[str]:
    """Enter finished records that an intent names and no line does (a freeze killed between its last two steps); says what it did."""
    whole = held(out)
    known, meant = {row.get("path") for row in rows_of(whole.rows, "record")}, _intents(whole.rows)
    done = []
    for folder in folders(out):
        if folder.name not in known and (folder.name, record_hash(folder)) in meant:
            number, revision = split(folder.name) or (folder.name, 1)
            enter(out, folder, number, revision, note=LATER)
            done.append(f"{folder.name} was frozen but not entered: entered now")
    return done


def enter_by_hand(out: Path, folder: Path, *, by: str, because: str) -> None:
    """Enter a record that no intent names, on a person's word, which stands in the line.

    Raises
    ------
    RecordError
        It is entered already, its name is no record's, or there is no name or reason.
    """
    parts = split(folder.name)
    if parts is None:
        raise RecordError("its name is not that of a record", where=folder.name, expected="NUMBER-rREVISION")
    if not by.strip() or not because.strip():
        raise RecordError("a record without an intent is entered on somebody's word", where=folder.name, expected="--by NAME and --because TEXT")
    with chain.locked(out):
        if any(row.get("path") == folder.name for row in entered(out)):
            raise RecordError("it is in the ledger already", where=folder.name)
        enter(out, folder, *parts, by=" ".join(by.split()), because=" ".join(because.split()), note="entered by hand")


def intend_signature(folder: Path, *, name: str, role: str, count: int) -> None:
    """Say that a record is about to get a signature; nothing where no ledger stands beside it."""
    _beside(folder, {"kind": "signature_intent", "name": name, "role": role, "count": count})


def signed(folder: Path, *, line_hash: str, count: int) -> None:
    """The line of a signature: the hash of its line in signatures.jsonl and how many lines there are; nothing where no ledger stands beside it."""
    _beside(folder, {"kind": "signature", "signature": line_hash, "count": count})


def note(folder: Path, text: str) -> None:
    """A line that says something about a record; nothing where no ledger stands beside it."""
    place = folder.resolve()
    if (place.parent / NAME).is_file():
        with chain.locked(place.parent):
            _beside(place, {"kind": "note", "note": text})


def _beside(folder: Path, row: dict[str, object]) -> None:
    place = folder.resolve()
    if (place.parent / NAME).is_file():
        _append(place.parent, {**row, "path": place.name, "record_hash": record_hash(place)})


def _append(out: Path, row: Mapping[str, object]) -> None:
    chain.append(out / NAME, {"rules": RULES, "time": now(), **row})


# ------------------------------------------------------------------------------------------------- judging


@dataclass
class Standing:
    """How a record, or a folder of them, stands to its ledger: ``problems`` (damage), ``notes`` (worth saying, no damage)."""

    problems: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def of_record(folder: Path, *, number: str, revision: str, signatures: Sequence[str]) -> Standing:
    """What the ledger beside a record says of it: chain, its own line, its name, later revisions, its signatures.

    Parameters
    ----------
    folder : Path
    number, revision : str
        As bag-info.txt has them; "" where it says nothing.
    signatures : list of str
        Hash of each line of its signatures.jsonl.

    Raises
    ------
    OSError
        The ledger cannot be read.
    """
    place = folder.resolve()
    found = Standing()
    if number and revision and place.name != f"{number}-r{revision}":
        found.problems.append(f"the folder was renamed: it is {number}-r{revision}")
    if not (place.parent / NAME).is_file():
        found.notes.append("no ledger beside it: whether it was the one frozen, and all its signatures are there, only a hash kept elsewhere can tell")
        extract = place.parent / f"{place.name}.{NAME}"
        if extract.is_file():
            _of_extract(extract, place, signatures, found)
        return found
    whole = held(place.parent)
    found.problems += [*whole.problems, *whole.unfinished]
    _own_line(whole.rows, place, found)
    _signatures(whole.rows, place, signatures, found)
    later = [row for row in rows_of(whole.rows, "record") if row.get("number") == number and isinstance(row.get("revision"), int) and str(row["revision"]) != revision and row["revision"] > int(revision or 0)]
    if later:
        found.notes.append(f"superseded by {later[-1].get('path')}")
    missing = [str(row.get("path")) for row in rows_of(whole.rows, "record") if not (place.parent / str(row.get("path"))).is_dir()]
    if missing:
        found.notes.append(f"other records of this ledger are missing here: {', '.join(missing[:3])}{' and more' if len(missing) > 3 else ''} (coldchain ledger lists them)")
    return found


def _own_line(lines: Sequence[Mapping[str, object]], place: Path, found: Standing) -> None:
    digest, own = record_hash(place), [row for row in rows_of(lines, "record") if row.get("path") == place.name]
    for row in own:
        if row.get("record_hash") != digest:
            found.problems.append(f"{NAME}: names another hash for a record of this name: it was rebuilt after it was frozen, or comes from elsewhere")
        elif row.get("note"):
            found.notes.append(f"{row['note']}{' by ' + row['by'] if row.get('by') else ''}{': ' + row['because'] if row.get('because') else ''}")
    if not own and (place.name, digest) in _intents(lines):
        found.notes.append("frozen, its line in the ledger not yet written: the next freeze enters it")
    elif not own:
        found.problems.append(f"{NAME}: does not name it: it was not frozen here, or its line was taken out")


def _signatures(lines: Sequence[Mapping[str, object]], place: Path, hashes: Sequence[str], found: Standing) -> None:
    """Each signature that the ledger names must be there, in its place; and none that it does not name, since it names signatures at all."""
    own = [row for row in rows_of(lines, "signature") if row.get("path") == place.name and row.get("record_hash") == record_hash(place)]
    begun = [row for row in rows_of(lines, "signature_intent") if row.get("path") == place.name]
    known = set()
    for row in own:
        at = row.get("count", 0)
        known.add(at)
        if not 1 <= at <= len(hashes):
            found.problems.append(f"signatures.jsonl: line {at} is lost, which {NAME} names")
        elif hashes[at - 1] != row.get("signature"):
            found.problems.append(f"signatures.jsonl line {at} is not the one that {NAME} names")
    meant = {row.get("count") for row in begun}
    first = min(known | {at for at in meant if isinstance(at, int)}, default=None)
    for at in range(1, len(hashes) + 1):
        if at in known:
            continue
        if at in meant:
            found.notes.append(f"signature {at} was begun, its line in the ledger not yet written")
        elif first is None or at < first:
            found.notes.append(f"signature {at} is older than the lines of signatures in this ledger, or was added without it")
        else:
            found.problems.append(f"signatures.jsonl line {at} is not in {NAME}: it was added without it, or its line was taken out")
    for row in begun:
        at = row.get("count", 0)
        if at > len(hashes) and at not in known:
            found.notes.append(f"a signature as {row.get('role', 'not known')} was begun, not finished")


def _of_extract(extract: Path, place: Path, signatures: Sequence[str], found: Standing) -> None:
    """A handover carries the ledger's lines for its record beside it: they must name this very record and its signatures."""
    lines = []
    for number, text in enumerate(extract.read_text("utf-8", "replace").splitlines(), 1):
        try:
            row = json.loads(text)
        except ValueError:
            row = None
        if not isinstance(row, dict) or (row.get("kind") != "extract" and "line_hash" in row and row["line_hash"] != chain.line_hash(row)):
            found.problems.append(f"{extract.name} line {number} was changed")
        elif row.get("kind") != "extract":
            lines.append(row)
    _own_line(lines, place, found)
    _signatures(lines, place, signatures, found)


def of_folder(out: Path, whole: chain.Chain | None = None) -> Standing:
    """What is wrong with a folder of records as a whole: chain, records missing, not entered, other than entered, renamed; begun and not finished.

    Raises
    ------
    OSError
        The ledger cannot be read.
    """
    whole = whole or held(out)
    found = Standing([*whole.problems, *whole.unfinished])
    entered_, meant = rows_of(whole.rows, "record"), _intents(whole.rows)
    for row in entered_:
        name = str(row.get("path", ""))
        if not (out / name).is_dir():
            found.problems.append(f"{name} is in the ledger but not in the folder")
        elif record_hash(out / name) != row.get("record_hash"):
            found.problems.append(f"{name} is not the record that the ledger names")
    known = {row.get("path") for row in entered_}
    for folder in folders(out):
        if folder.name in known:
            continue
        if (folder.name, record_hash(folder)) in meant:
            found.notes.append(f"{folder.name} is frozen, its line not yet written: the next freeze enters it")
        else:
            found.problems.append(f"{folder.name} is not in the ledger, and no intent names it")
    for name, _ in sorted(meant):
        if name not in known and not (out / name).is_dir():
            found.notes.append(f"{name} was begun, not finished")
    times = [str(row.get("time", "")) for row in whole.rows if row.get("time")]
    if times != sorted(times):
        found.notes.append("the times of its lines go back somewhere: a clock was set back, or lines were written in another order")
    return found


def _intents(lines: Sequence[Mapping[str, object]]) -> set[tuple[str, str]]:
    return {(str(row.get("path")), str(row.get("record_hash"))) for row in rows_of(lines, "intent")}


def folders(out: Path) -> list[Path]:
    """Every folder there that is called like a record."""
    return sorted(path for path in out.iterdir() if split(path.name) and not path.name.startswith(".") and path.is_dir() and not path.is_symlink())


# ------------------------------------------------------------------------------------------------- handing over


def extract(out: Path, name: str) -> str:
    """The ledger's lines for one record, as they stand, under a line with the ledger's head; "" where there is no ledger."""
    if not (out / NAME).is_file():
        return ""
    whole = held(out)
    first = json.dumps({"kind": "extract", "of": NAME, "lines": len(whole.rows), "head": whole.head}, sort_keys=True)
    return "".join(f"{line}\n" for line in (first, *_lines_for(out / NAME, name)))


def _lines_for(path: Path, name: str) -> Iterator[str]:
    for text in path.read_text("utf-8", "replace").splitlines():
        try:
            row = json.loads(text)
        except ValueError:
            continue
        if isinstance(row, dict) and row.get("path") == name:
            yield text
