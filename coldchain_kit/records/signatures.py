"""signatures.jsonl read and checked, and the optional keys: what :mod:`coldchain_kit.records.verification` needs to know about signatures.

Without a key a signature is a typed name, not authenticated, and is called that everywhere. With an Ed25519 key file the
line also carries a signature that only the holder of the key can make.
"""

from __future__ import annotations

import json
import os
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import Any, TypedDict, cast

from coldchain_kit.base import RecordError, chain
from coldchain_kit.records import identity, ledger, sshsig

NAME = "signatures.jsonl"
ROLES = ("author", "reviewer", "approver")
TYPED = "typed name, not authenticated"


class SignatureRow(TypedDict, total=False):
    """A line of signatures.jsonl; a line that somebody changed may lack any of it. ``checked``: what was found, not in the file."""

    name: str
    role: str
    meaning: str
    time: str
    record_hash: str
    rules: int
    person: str
    function: str
    open: list[str]
    although: str
    superseded_by: str
    identity: str
    public_key: str
    signature: str
    sshsig: str
    checked: str
    previous: str
    line_hash: str
    torn: str


def read(folder: Path, *, frozen_at: str = "", trusted: Collection[str] | None = None) -> tuple[list[SignatureRow], list[str]]:
    """The signature rows of a record and what is wrong with them (chain, record hash, key signatures, roles, persons, times).

    Rows get a key ``checked``: "typed name, not authenticated" or "signed with the key …".

    Parameters
    ----------
    frozen_at : str
        When the record was frozen; "" where it does not say.
    trusted : public keys [hex], optional
        Keys that the site knows; another one is said not to be trusted.
    """
    path = folder / NAME
    if not os.path.lexists(path):
        return [], []
    if path.is_symlink() or not path.is_file():
        return [], [f"{NAME}: not a plain file"]
    try:
        held = chain.read(path)
        rows, problems = cast("list[SignatureRow]", held.rows), [*held.problems, *held.unfinished]
    except OSError as fault:
        return [], [f"{NAME}: cannot be read ({fault.strerror})"]
    digest, tagmanifest = ledger.record_hash(folder), _bytes(folder / ledger.TAGMANIFEST)
    edition_2 = (folder / "data" / "context.json").is_file()  # records of edition 1 have none
    shown: list[SignatureRow] = []
    for number, row in enumerate(rows, 1):
        if row.get("record_hash") != digest:
            problems.append(f"{NAME} line {number} signs another record, or this one before it was changed")
        if not str(row.get("name", "")).strip() or row.get("role") not in ROLES:
            problems.append(f"{NAME} line {number} has no name or no known role")
        if edition_2 and "rules" not in row:
            problems.append(f"{NAME} line {number} has the form of an earlier edition than its record: this kit did not write it")
        if row.get("identity", TYPED) != TYPED and "signature" not in row:
            problems.append(f"{NAME} line {number} says that a key signed it, and holds no signature")
        checked, wrong = _check_key(row, trusted, tagmanifest)
        problems += [f"{NAME} line {number}: {wrong}"] if wrong else []
        problems += [f"{NAME} line {number}: {text}" for text in against(row, rows[: number - 1], frozen_at=frozen_at)] if "rules" in row else []
        shown.append({**row, "checked": checked})
    if any(identity.same_person(signer(one), signer(other)) for one in rows if one.get("role") == "author" for other in rows if other.get("role") == "approver"):
        problems.append(f"{NAME}: author and approver are the same person")
    return shown, list(dict.fromkeys(problems))


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError:
        return b""


def signer(row: SignatureRow) -> tuple[str, str, str]:
    """Name, id of the register and key of who signed a line, "" for what it has not."""
    return str(row.get("name", "")), str(row.get("person", "")), str(row.get("public_key", ""))


def against(row: SignatureRow, before: Sequence[SignatureRow], *, frozen_at: str) -> list[str]:
    """What forbids a line after those before it, a sentence each: order, persons, times (CONTRACTS "Record").

    Parameters
    ----------
    row : SignatureRow
        The line, or the one that is about to be written.
    before : list of SignatureRow
    frozen_at : str
        When the record was frozen (ISO 8601, Z); "" where it does not say.
    """
    role, told = str(row.get("role")), []
    place = {name: at for at, name in enumerate(ROLES)}
    last = max((place.get(str(one.get("role")), -1) for one in before), default=-1)
    if role in place and place[role] < last:
        told.append(f"the {role} signs before the {ROLES[last]}, who has signed already")
    if role in ("reviewer", "approver") and not any(one.get("role") == "author" for one in before):
        told.append(f"the author signs before the {role}, and has not signed yet")
    other = {"author": "approver", "approver": "author"}.get(role)
    if other and any(one.get("role") == other and identity.same_person(signer(one), signer(row)) for one in before):
        told.append(f"{row.get('name')} signed as {other}; author and approver must be two people")
    if any(one.get("role") == role and identity.same_person(signer(one), signer(row)) for one in before):
        told.append(f"{row.get('name')} has signed as {role} already")
    key = row.get("public_key")
    if key and any(one.get("public_key") == key and identity.folded(str(one.get("name", ""))) != identity.folded(str(row.get("name", ""))) for one in before):
        told.append("its key is one with which another person signed: one key is one signer")
    times = [text for text in (frozen_at, *(str(one.get("time", "")) for one in before)) if text]
    if times and str(row.get("time", "")) < max(times):
        told.append(f"its time {row.get('time')} is before {max(times)}, when the record was frozen or signed last: a clock is wrong")
    return told


# ------------------------------------------------------------------------------------------------- keys


def new_key(path: Path) -> str:
    """Make an Ed25519 key file, readable by its owner only; gives back the public key to keep elsewhere [hex].

    Raises
    ------
    RecordError
        Where the file exists, or the package ``cryptography`` is not installed.
    """
    private, serialization = _ed25519("Ed25519PrivateKey")
    key = private.generate()
    pem = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.OpenSSH, serialization.NoEncryption())
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except OSError as fault:
        raise RecordError(f"the key file cannot be made ({fault.strerror})", where=path.name) from None
    with os.fdopen(handle, "wb") as file:
        file.write(pem)
    return sshsig.public_hex(key)


def with_key(row: SignatureRow, path: Path, *, tagmanifest: bytes) -> SignatureRow:
    """The row with two signatures in OpenSSH's form: ``sshsig`` over the record's tag manifest, for stock tools; ``signature`` over the row's own fields.

    Raises
    ------
    RecordError
        The file is no Ed25519 private key, or the package ``cryptography`` is not installed.
    """
    key = sshsig.private_key(path)
    row = {**row, "identity": "typed name, signed with an Ed25519 key", "public_key": sshsig.public_hex(key), "sshsig": sshsig.sign(tagmanifest, key)}
    return {**row, "signature": sshsig.sign(_signed_bytes(row), key, namespace=sshsig.LINES)}


def _check_key(row: SignatureRow, trusted: Collection[str] | None, tagmanifest: bytes) -> tuple[str, str]:
    if "signature" not in row and "public_key" not in row:
        return TYPED, ""
    try:
        from cryptography.exceptions import InvalidSignature

        public, _ = _ed25519("Ed25519PublicKey")
    except (ImportError, RecordError):
        return "key signature not checked", 'its key signature was not checked: the package cryptography is not installed (pip install "coldchain-kit[keys]")'
    try:
        if "rules" in row:
            keys = {sshsig.signer(row["signature"], _signed_bytes(row), namespace=sshsig.LINES), sshsig.signer(row["sshsig"], tagmanifest), row["public_key"]}
            if len(keys) > 1:
                raise ValueError("another key")
        else:
            public.from_public_bytes(bytes.fromhex(row["public_key"])).verify(bytes.fromhex(row["signature"]), _signed_bytes(row))
    except (InvalidSignature, KeyError, ValueError, TypeError, AttributeError):
        return "key signature does not fit", "the key signature does not fit the line or the record"
    if trusted is not None and row["public_key"] not in trusted:
        return f"signed with the key {row['public_key'][:16]}…, which is not trusted", "its key is not among the trusted ones"
    return f"signed with the key {row['public_key'][:16]}…" + (", trusted" if trusted is not None else ""), ""


def _signed_bytes(row: SignatureRow) -> bytes:
    if "rules" in row:  # every field but the signature itself and what the chain adds
        signed = {name: value for name, value in row.items() if name not in ("signature", "previous", "line_hash", "torn", "checked")}
    else:
        signed = {name: value for name, value in row.items() if name in ("name", "role", "meaning", "time", "record_hash", "identity", "public_key")}
    return json.dumps(signed, sort_keys=True, ensure_ascii=False).encode("utf-8")


def _ed25519(name: str) -> tuple[Any, Any]:
    try:
        from cryptography.hazmat.primitives import serialization
        from cryptography.hazmat.primitives.asymmetric import ed25519
    except ImportError:
        raise RecordError("keys need the package cryptography", mend='Install it: pip install "coldchain-kit[keys]"') from None
    return getattr(ed25519, name), serialization

