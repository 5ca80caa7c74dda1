"""Sign a frozen record: one more line in its signatures.jsonl, bound to its hash. The record itself is not touched."""

from __future__ import annotations

from contextlib import AbstractContextManager
from pathlib import Path
from typing import cast

from coldchain_kit.base import RecordError, chain, nearest
from coldchain_kit.records import ledger, signatures, verification
from coldchain_kit.records.signatures import ROLES, SignatureRow, new_key, people, same

__all__ = ["MEANING", "line", "new_key", "sign"]

MEANING = {
    "author": "I wrote this record and it says what I found",
    "reviewer": "I read this record and its readings, and asked what I did not understand",
    "approver": "I approve this record",
}


def sign(record: str | Path, *, role: str, name: str, meaning: str | None = None, key: Path | None = None) -> SignatureRow:
    """Append one signature line to a whole record.

    Parameters
    ----------
    record : path
        The record's folder.
    role : str
        author, reviewer or approver.
    name : str
        The person's name as typed; nothing proves it.
    meaning : str, optional
        What the signature means; a usual sentence for the role when not given.
    key : Path, optional
        Ed25519 private key, PEM, without password (see :func:`new_key`).

    Raises
    ------
    RecordError
        The record is not whole; unknown role; no name; author and approver the same; signed before in this role.
    """
    folder = Path(record)
    if role not in ROLES:
        raise RecordError(f"the role '{role}' is not known", expected="one of " + ", ".join(ROLES), mend=nearest(role, ROLES))
    if not same(name):
        raise RecordError("there is no name to sign with", expected="the person's full name")
    found = verification.report(folder)
    if not found.found:
        raise verification.NoRecord("there is no record", where=folder.name)
    unfinished = chain.read(folder / signatures.NAME).unfinished  # the new line keeps such a text
    wrong = [problem for problem in found.problems if problem not in unfinished]
    if wrong:
        raise RecordError("the record is not whole, so it cannot be signed: " + "; ".join(wrong[:3]), where=folder.name, mend="Run: coldchain verify")
    with _lock(folder):
        rows, _ = signatures.read(folder)
        _refuse_double(rows, role, name, folder)
        row: SignatureRow = {"name": " ".join(name.split()), "role": role, "meaning": (meaning or MEANING[role]).strip(), "time": ledger.now(), "record_hash": found.record_hash}
        row = {**row, "identity": signatures.TYPED} if key is None else signatures.with_key(row, key)
        try:
            ledger.intend_signature(folder, name=row["name"], role=role, count=len(rows) + 1)
            written = cast(SignatureRow, chain.append(folder / signatures.NAME, row))
            ledger.signed(folder, line_hash=written["line_hash"], count=len(rows) + 1)
            return written
        except OSError as fault:
            raise RecordError(f"the signature could not be written ({fault.strerror})", where=folder.name) from None


def line(row: SignatureRow) -> str:
    """A signature as one line of text.

    Examples
    --------
    >>> line({"name": "Ana Sousa", "role": "author", "meaning": "I wrote it", "time": "2026-03-10T09:00:00Z", "identity": "typed name, not authenticated", "record_hash": "ab" * 32})
    'Ana Sousa as author, 2026-03-10T09:00:00Z: "I wrote it" (typed name, not authenticated). Record hash, first 16 characters: abababababababab'
    """
    who = f"{row['name']} as {row['role']}, {row['time']}"
    return f"{who}: \"{row['meaning']}\" ({row['identity']}). Record hash, first 16 characters: {row['record_hash'][:16]}"


def _refuse_double(rows: list[SignatureRow], role: str, name: str, folder: Path) -> None:
    other = {"author": "approver", "approver": "author"}.get(role)
    if other and same(name) in people(rows, other):
        raise RecordError(f"{name.strip()} signed as {other}; author and approver must be two people", where=folder.name)
    if same(name) in people(rows, role):
        raise RecordError(f"{name.strip()} has signed as {role} already", where=folder.name)


def _lock(folder: Path) -> AbstractContextManager[None]:
    """The lock of the folder that holds the record, so that two signatures take turns."""
    return chain.locked(folder.resolve().parent)
