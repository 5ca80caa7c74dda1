"""Does a record differ from what was frozen? Every damaged, missing and extra file is named.

The bagit library's own validation is one part; it passes an extra top-level file, an extra folder, and a deleted
tagmanifest followed by an edited bag-info. The rules added here: the tagmanifest must be there and every file stands in a
manifest except it and ``signatures.jsonl``; no link, no stray folder, nothing that is no plain file.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import re
import stat
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from coldchain_kit.base import RecordError, sha256
from coldchain_kit.records import ledger, signatures
from coldchain_kit.records.signatures import SignatureRow

MANIFEST, TAGMANIFEST, SIGNATURES = "manifest-sha256.txt", ledger.TAGMANIFEST, signatures.NAME
NEEDED_TAGS = ("bagit.txt", "bag-info.txt", MANIFEST)
NEEDED_DATA = ("data/record.html", "data/record.ipynb", "data/results.json", "data/environment.txt")
CONTENTS_LABEL = "Contents-SHA256"
_NOT_CONTENTS = ("data/record.html", "data/record.pdf", "data/context.json", "data/ro-crate-metadata.json", "data/HOW_TO_CHECK.txt")
_LINE = re.compile(r"(?P<hash>[0-9a-f]{64}) [ *](?P<name>.+)")


class NoRecord(RecordError):
    """The path holds no record at all."""


@dataclass(frozen=True)
class Report:
    """What :func:`report` found. ``found``: there is a record; ``problems``: empty when whole; ``signatures``: rows of signatures.jsonl; ``notes``: worth saying and no damage; ``head``: the ledger's head line; ``status`` of an investigation: INTERIM or CLOSED, with what is open."""

    path: Path
    found: bool
    problems: tuple[str, ...] = ()
    record_hash: str = ""
    signatures: tuple[SignatureRow, ...] = ()
    notes: tuple[str, ...] = ()
    head: str = ""
    status: str = ""

    @property
    def whole(self) -> bool:
        """Whether there is a record and nothing differs."""
        return self.found and not self.problems

    @property
    def code(self) -> int:
        """Exit code of the command: 0 whole, 1 damaged, 2 no record there."""
        return (0 if self.whole else 1) if self.found else 2

    @property
    def text(self) -> str:
        """One plain line, and one for each signature."""
        if not self.found:
            return "there is no record here"
        if self.problems:
            return f"DAMAGED: {len(self.problems)} thing{'s differ' if len(self.problems) > 1 else ' differs'} from what was frozen"
        signed = [f"  signed by {row['name']}{', ' + row['function'] if row.get('function') else ''} as {row['role']}, {row.get('time', '')}, {row['checked']}{_reserve(row)}" for row in self.signatures]
        told = [f"  note: {note}" for note in self.notes] + ([f"  {self.head}"] if self.head else [])
        state = [f"  {self.status}"] if self.status else []
        return "\n".join([f"whole, record hash {self.record_hash} (first 16: {self.record_hash[:16]})", *state, *(signed or ["  not signed"]), *told])


def _reserve(row: SignatureRow) -> str:
    """What was open when it was signed, and why it was signed all the same."""
    held = [f"{len(row['open'])} open then"] if row.get("open") else []
    held += [f"superseded by {row['superseded_by']} then"] if row.get("superseded_by") else []
    held += [f'although: "{row["although"]}"'] if row.get("although") else []
    return f" ({'; '.join(held)})" if held else ""


def trusted_keys(path: Path) -> frozenset[str]:
    """Public keys of a list: one hex key a line, what follows it is a remark; lines that begin with # are left out.

    Raises
    ------
    RecordError
        It cannot be read, or a line is no key.
    """
    try:
        lines = path.read_text("utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as fault:
        raise RecordError(f"it cannot be read ({getattr(fault, 'strerror', None) or 'no UTF-8 text'})", where=path.name) from None
    found = {}
    for number, line in enumerate(lines, 1):
        word = line.strip().split(" ")[0].lower()
        if word and not word.startswith("#"):
            if not re.fullmatch(r"[0-9a-f]{64}", word):
                raise RecordError(f"'{word[:40]}' is no public key", where=f"{path.name} line {number}", expected="64 hex digits, as coldchain new-key prints them")
            found[word] = number
    return frozenset(found)


def report(path: str | Path, *, trusted: Collection[str] | None = None) -> Report:
    """Check one record, and how it stands to the ledger beside it; never raises for what it finds there.

    Parameters
    ----------
    path : path
        The record's folder.
    trusted : public keys [hex], optional
        A signature by another key is a problem.

    Returns
    -------
    Report
    """
    path = Path(path)
    if not _is_record(path):
        return Report(path, False)
    problems = files(path)
    rows, broken = signatures.read(path, frozen_at=bag_info(path).get("Frozen-At", ""), trusted=trusted)
    stands, head = _standing(path, rows)
    found = dict.fromkeys([*problems, *stands.problems, *broken])
    return Report(path, True, tuple(found), ledger.record_hash(path), tuple(rows), tuple(dict.fromkeys(stands.notes)), head, _status(path, rows))


def _status(path: Path, rows: Sequence[SignatureRow]) -> str:
    """CLOSED where nothing was open at the freeze and author and approver have signed, else INTERIM; nothing for what is no investigation."""
    try:
        held = json.loads((path / "data" / "context.json").read_text("utf-8"))
        kind, left = held["kind"], len(held["open"])
    except (OSError, ValueError, KeyError, TypeError):
        return ""
    if kind != "investigation":
        return ""
    signed = {row.get("role") for row in rows}
    missing = [role for role in ("author", "approver") if role not in signed]
    if not left and not missing:
        return "CLOSED: nothing open, author and approver have signed"
    return f"INTERIM: {f'{left} open' if left else 'nothing open'}{_by(missing)}"


def _by(missing: Sequence[str]) -> str:
    return f", not yet signed by {' and '.join(missing)}" if missing else ""


def files(path: Path) -> list[str]:
    """What differs in a record's own files from what was frozen, whatever stands beside it."""
    problems = [*_structure(path), *_hashes(path)]
    return problems or [*_bagit(path), *_contents(path)]


@dataclass(frozen=True)
class FolderReport:
    """How a folder of records stands to its ledger: what is damaged, what is worth saying, its head line for a bound book."""

    problems: tuple[str, ...]
    notes: tuple[str, ...]
    head: str


def folder(out: str | Path) -> FolderReport:
    """Check a whole folder of records: the ledger's chain, every record and its signatures, what is missing, what nobody froze here.

    Raises
    ------
    NoRecord
        There is no ledger.
    """
    out = Path(out)
    if not (out / ledger.NAME).is_file():
        raise NoRecord("there is no ledger", where=out.name or str(out), mend=f"Give the folder that holds {ledger.NAME}")
    found = ledger.of_folder(out)
    problems, notes = list(found.problems), list(found.notes)
    for one in ledger.folders(out):
        said = report(one)
        problems += [f"{one.name}: {text}" for text in said.problems if text not in found.problems and not text.startswith(ledger.NAME)]
        notes += [f"{one.name}: {text}" for text in said.notes if text.startswith(("superseded", "signature", "a signature", "entered"))]
    return FolderReport(tuple(dict.fromkeys(problems)), tuple(dict.fromkeys(notes)), ledger.head_line(out))


def enter(out: Path, place: Path, *, by: str, because: str) -> None:
    """Enter a whole record that no intent names into the ledger beside it, on a person's word.

    Raises
    ------
    RecordError
        It does not lie in that folder, its own files are damaged, or :func:`ledger.enter_by_hand` refuses.
    """
    here = place if place.is_dir() else out / place.name
    if here.resolve().parent != Path(out).resolve():
        raise RecordError("it does not lie in that folder", where=place.name, mend="Copy it beside the ledger first")
    wrong = files(here)
    if wrong:
        raise RecordError("the record is not whole: " + "; ".join(wrong[:3]), where=here.name, mend="Nothing was entered")
    ledger.enter_by_hand(Path(out), here.resolve(), by=by, because=because)


def record(path: str | Path) -> list[str]:
    """What differs from what was frozen, a line each; empty when the record is whole.

    Raises
    ------
    NoRecord
        Where the path holds no record.
    """
    found = report(path)
    if not found.found:
        raise NoRecord("there is no record", where=Path(path).name, mend="Give the folder that holds bagit.txt and data")
    return list(found.problems)


def _is_record(path: Path) -> bool:
    if not path.is_dir():
        return False
    return any(os.path.lexists(path / name) for name in (*NEEDED_TAGS, TAGMANIFEST, *NEEDED_DATA[:3]))


# ------------------------------------------------------------------------------------------------- what lies there


def _walk(folder: Path, inside: PurePosixPath) -> Iterator[tuple[str, os.DirEntry[str] | None]]:
    """Everything below a folder, in order, however deep it goes; None stands for a folder that the system does not open."""
    left: list[tuple[str, os.DirEntry[str] | None]] = [(str(inside), None)]
    while left:
        name, row = left.pop()
        if row is not None:
            yield name, row
            if not row.is_dir(follow_symlinks=False):
                continue
        try:
            with os.scandir(folder / name) as found:
                rows = sorted(found, key=lambda one: one.name, reverse=True)
        except OSError:
            yield f"{name}/", None
            continue
        left += [(one.name if name == "." else f"{name}/{one.name}", one) for one in rows]


def _structure(path: Path) -> Iterator[str]:
    """Links, special files, folders without a listed file, files in no manifest, listed files that are missing, rules of the tag files."""
    listed = {name for _, name in [*_read(path / MANIFEST), *_read(path / TAGMANIFEST)]}
    folders = {str(parent) for name in listed for parent in PurePosixPath(name).parents}
    present = set()
    for name, row in _walk(path, PurePosixPath()):
        present.add(name)
        if row is None:
            yield f"{_shown(name)}: cannot be read"
        elif row.is_symlink():
            yield f"{_shown(name)}: a link, not a file of the record"
        elif row.is_dir(follow_symlinks=False):
            if name not in folders:
                yield f"{_shown(name)}/: extra folder"
        elif not stat.S_ISREG(row.stat(follow_symlinks=False).st_mode):
            yield f"{_shown(name)}: not a plain file"
        elif name not in listed and name not in (TAGMANIFEST, SIGNATURES):
            yield f"{_shown(name)}: extra file"
    for name in sorted(listed | set(NEEDED_TAGS) | {TAGMANIFEST}):
        if name not in present:
            yield f"{_shown(name)}: missing"
    for manifest, needed in ((MANIFEST, NEEDED_DATA), (TAGMANIFEST, NEEDED_TAGS)):
        entries = [name for _, name in _read(path / manifest)]
        if manifest in present:
            yield from (f"{name}: not listed in {manifest}" for name in needed if name not in entries)
        yield from (f"{_shown(name)}: listed more than once in {manifest}" for name in sorted({n for n in entries if entries.count(n) > 1}))
        for name in sorted(set(entries)):
            inside = name.startswith("data/")
            if inside != (manifest == MANIFEST) or ".." in PurePosixPath(name).parts or name.startswith("/"):
                yield f"{_shown(name)}: has no place in {manifest}"


def listed(record: Path) -> list[tuple[str, str]]:
    """(SHA-256, name) of every file of the payload, as the manifest has them."""
    return _read(record / MANIFEST)


def _read(manifest: Path) -> list[tuple[str, str]]:
    """(hash, name) rows; a row that is none comes back with an empty hash, so that it is found as damage."""
    if not _plain_file(manifest):
        return []
    try:
        text = manifest.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError):
        return []
    rows = []
    for line in text.split("\n"):
        found = _LINE.fullmatch(line)
        if found:
            rows.append((found["hash"], found["name"].replace("%0D", "\r").replace("%0A", "\n").replace("%25", "%")))
    return rows


def _plain_file(path: Path) -> bool:
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except OSError:
        return False


def _shown(name: str) -> str:
    return name.encode("utf-8", "backslashreplace").decode("utf-8").translate({n: f"\\x{n:02x}" for n in range(32)})


# ------------------------------------------------------------------------------------------------- what it says


def _hashes(path: Path) -> Iterator[str]:
    for manifest in (TAGMANIFEST, MANIFEST):
        if not _plain_file(path / manifest):
            continue
        rows = _read(path / manifest)
        try:
            exact = "".join(f"{digest}  {_written(name)}\n" for digest, name in rows).encode("utf-8", "surrogateescape") == (path / manifest).read_bytes()
        except OSError:
            exact = False
        if not exact:
            yield f"{manifest}: damaged, not in the form it was written in"
        for digest, name in rows:
            if ".." in PurePosixPath(name).parts or name.startswith("/") or not _plain_file(path / name) or _through_link(path, name):
                continue
            try:
                with (path / name).open("rb") as file:
                    same = hashlib.file_digest(file, "sha256").hexdigest() == digest
            except OSError as fault:
                yield f"{_shown(name)}: cannot be read ({fault.strerror})"
            else:
                if not same:
                    yield f"{_shown(name)}: damaged, its bytes differ from what was frozen" + ("" if manifest == MANIFEST else f" (or its line in {TAGMANIFEST} was changed)")


def _written(name: str) -> str:
    return name.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _through_link(path: Path, name: str) -> bool:
    return any((path / parent).is_symlink() for parent in PurePosixPath(name).parents)


def _bagit(path: Path) -> Iterator[str]:
    import bagit

    logger = logging.getLogger("bagit")
    level, logger.level = logger.level, logging.CRITICAL + 1
    try:
        bagit.Bag(str(path)).validate()
    except (bagit.BagError, OSError, ValueError) as fault:
        yield f"not a valid bag: {fault}"
    finally:
        logger.level = level


def contents_hash(entries: list[tuple[str, str]]) -> str:
    """SHA-256 over the (hash, name) rows of what a record holds: all of data/ but the page, its PDF, what they were frozen under, and how to read and check it.

    It is the hash that the page itself can print, and the same for the same case frozen at another time.
    """
    rows = sorted((name, digest) for digest, name in entries if name not in _NOT_CONTENTS)
    return sha256("".join(f"{digest}  {name}\n" for name, digest in rows))


def bag_info(path: Path) -> dict[str, str]:
    """The rows of bag-info.txt; lines that go on in the next line are joined."""
    rows: dict[str, str] = {}
    label = ""
    try:
        text = (path / "bag-info.txt").read_text("utf-8")
    except (OSError, UnicodeDecodeError):
        return rows
    for line in text.splitlines():
        if line[:1] in (" ", "\t") and label:
            rows[label] += " " + line.strip()
        elif ":" in line:
            label, _, value = line.partition(":")
            rows[label] = value.strip()
    return rows


def _contents(path: Path) -> Iterator[str]:
    wanted = contents_hash(_read(path / MANIFEST))
    if bag_info(path).get(CONTENTS_LABEL) != wanted:
        yield f"bag-info.txt: {CONTENTS_LABEL} does not fit the files"
    elif wanted[:16] not in (path / "data" / "record.html").read_text("utf-8", "replace"):
        yield "data/record.html: does not carry the hash of this record's contents"


def _standing(path: Path, rows: list[SignatureRow]) -> tuple[ledger.Standing, str]:
    """How it stands to the ledger beside it, and that ledger's head line."""
    info = bag_info(path)
    hashes = [str(row.get("line_hash", "")) for row in rows]
    ahead = [text for text in (info.get("Frozen-At", ""), *(str(row.get("time", "")) for row in rows)) if text > ledger.now()]
    try:
        found = ledger.of_record(path, number=info.get("Case", ""), revision=info.get("Revision", ""), signatures=hashes)
        found.notes += [f"it says that it was frozen or signed at {max(ahead)}, which by this computer's clock has not come yet"] if ahead else []
        return found, ledger.head_line(path.resolve().parent)
    except (OSError, ValueError) as fault:
        return ledger.Standing([f"{ledger.NAME}: cannot be read ({getattr(fault, 'strerror', None) or fault})"]), ""
