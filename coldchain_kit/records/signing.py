"""Sign a frozen record: one more line in its signatures.jsonl, bound to its hash. The record itself is not touched."""

from __future__ import annotations

from contextlib import AbstractContextManager
from pathlib import Path
from typing import cast

from coldchain_kit.base import RecordError, chain, files, nearest
from coldchain_kit.records import context, identity, ledger, signatures, verification
from coldchain_kit.records.signatures import ROLES, SignatureRow, new_key
from coldchain_kit.register import Person

__all__ = ["MEANING", "line", "new_key", "sign"]

MEANING = {
    "author": "I wrote this record and it says what I found",
    "reviewer": "I read this record and its readings, and asked what I did not understand",
    "approver": "I approve this record",
}


def sign(record: str | Path, *, role: str, name: str, meaning: str | None = None, key: Path | None = None, function: str | None = None, although: str | None = None) -> SignatureRow:
    """Append one signature line to a whole record.

    Parameters
    ----------
    record : path
        The record's folder.
    role : str
        author, reviewer or approver.
    name : str
        The person's name as typed, or their id in the register's ``people``; nothing proves it.
    meaning : str, optional
        What the signature means; a usual sentence for the role when not given.
    key : Path, optional
        Ed25519 private key, PEM, without password (see :func:`new_key`).
    function : str, optional
        The person's function; the register's when not given.
    although : str, optional
        Why it is signed although something is open, or a later revision is there; it stands in the line.

    Raises
    ------
    RecordError
        The record is not whole; unknown role; no name, or one of mixed scripts; out of order; author and approver the same; signed before in this
        role; a key of another person; a clock before the freeze; open items or a later revision without ``although``. Nothing is written.
    """
    folder = Path(record)
    if role not in ROLES:
        raise RecordError(f"the role '{role}' is not known", expected="one of " + ", ".join(ROLES), mend=nearest(role, ROLES))
    texts = {name: _tidy(text, name) for name, text in (("meaning", meaning), ("function", function), ("although", although)) if text is not None}
    found = verification.report(folder)
    if not found.found:
        raise verification.NoRecord("there is no record", where=folder.name)
    unfinished = chain.read(folder / signatures.NAME).unfinished  # the new line keeps such a text
    wrong = [problem for problem in found.problems if problem not in unfinished]
    if wrong:
        raise RecordError("the record is not whole, so it cannot be signed: " + "; ".join(wrong[:3]), where=folder.name, mend="Run: coldchain verify")
    with _lock(folder):
        rows, _ = signatures.read(folder)
        row = _row(folder, role, name, texts, found.record_hash)
        row = {**row, "identity": signatures.TYPED} if key is None else signatures.with_key(row, key, tagmanifest=(folder / ledger.TAGMANIFEST).read_bytes())
        forbidden = signatures.against(row, rows, frozen_at=verification.bag_info(folder).get("Frozen-At", ""))
        if forbidden:
            raise RecordError("; ".join(forbidden), where=folder.name, mend="Nothing was signed")
        return _write(folder, row, len(rows) + 1)


def _write(folder: Path, row: SignatureRow, count: int) -> SignatureRow:
    """The line into signatures.jsonl, with its lines in the ledger and, where a key signed, the detached signature beside the record; all or nothing."""
    detached = beside(folder, count, row["role"])
    if "sshsig" in row:
        files.write(detached, row["sshsig"])
    try:
        ledger.intend_signature(folder, name=row["name"], role=row["role"], count=count)
        written = cast(SignatureRow, chain.append(folder / signatures.NAME, row))
    except OSError as fault:
        if "sshsig" in row:
            detached.unlink(missing_ok=True)
        raise RecordError(f"the signature could not be written ({fault.strerror})", where=folder.name) from None
    try:
        ledger.signed(folder, line_hash=written["line_hash"], count=count)
    except OSError as fault:
        raise RecordError(f"it is signed, but the ledger could not be written ({fault.strerror})", where=folder.name, mend="Make room there; verify says that the line is begun") from None
    return written


def beside(folder: Path, count: int, role: str) -> Path:
    """Where a detached signature lies for stock tools: beside the record, never inside."""
    place = folder.resolve()
    return place.parent / f"{place.name}.{count}-{role}.sshsig"


def line(row: SignatureRow) -> str:
    """A signature as one line of text.

    Examples
    --------
    >>> line({"name": "Ana Sousa", "role": "author", "meaning": "I wrote it", "time": "2026-03-10T09:00:00Z", "identity": "typed name, not authenticated", "record_hash": "ab" * 32})
    'Ana Sousa as author, 2026-03-10T09:00:00Z: "I wrote it" (typed name, not authenticated). Record hash, first 16 characters: abababababababab'
    """
    who = f"{row['name']} as {row['role']}, {row['time']}"
    return f"{who}: \"{row['meaning']}\" ({row['identity']}). Record hash, first 16 characters: {row['record_hash'][:16]}"


def _row(folder: Path, role: str, name: str, texts: dict[str, str], record_hash: str) -> SignatureRow:
    """The line that is about to be written, but for its key.

    Raises
    ------
    RecordError
        The name cannot be one person's; something is open or superseded and ``although`` says nothing.
    """
    held = context.read(folder)
    known = identity.person(name, {one["id"]: Person(one["id"], one["name"], one["function"]) for one in held["people"]}) if held else None
    row: SignatureRow = {
        "rules": ledger.RULES, "name": identity.checked(known.name if known else name), "role": role, "function": texts.get("function") or (known.function if known else "") or "",
        "meaning": texts.get("meaning") or MEANING[role], "time": ledger.now(), "record_hash": record_hash, "open": held["open"] if held else [],
    }  # fmt: skip
    row |= {"person": known.id} if known else {}
    later = ledger.later_revision(folder)
    row |= {"superseded_by": later} if later else {}
    row |= {"although": texts["although"]} if texts.get("although") else {}
    reasons = ([f"{later} has taken its place"] if later else []) + ([f"{len(row['open'])} things are open: {'; '.join(row['open'][:3])}"] if row["open"] else [])
    if reasons and "although" not in row:
        raise RecordError("; ".join(reasons), where=folder.name, mend='To sign all the same, say why: --although "…"; it stands beside the signature')
    return row


def _tidy(text: str, name: str) -> str:
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        raise RecordError(f"--{name} holds characters that cannot be written", expected="text", mend="Type it again") from None
    return " ".join(text.split())


def _lock(folder: Path) -> AbstractContextManager[None]:
    """The lock of the folder that holds the record, so that two signatures take turns."""
    return chain.locked(folder.resolve().parent)
