"""signatures.jsonl read and checked, and the optional keys: what :mod:`coldchain_kit.records.verification` needs to know about signatures.

Without a key a signature is a typed name, not authenticated, and is called that everywhere. With an Ed25519 key file the
line also carries a signature that only the holder of the key can make.
"""

from __future__ import annotations

import json
import os
import unicodedata
from pathlib import Path
from typing import Any, TypedDict, cast

from coldchain_kit.base import RecordError, chain
from coldchain_kit.records import ledger

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
    identity: str
    public_key: str
    signature: str
    checked: str
    previous: str
    line_hash: str
    torn: str


def read(folder: Path) -> tuple[list[SignatureRow], list[str]]:
    """The signature rows of a record and what is wrong with them (chain, record hash, key signatures, roles).

    Rows get a key ``checked``: "typed name, not authenticated" or "signed with the key …".
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
    digest = ledger.record_hash(folder)
    shown: list[SignatureRow] = []
    for number, row in enumerate(rows, 1):
        if row.get("record_hash") != digest:
            problems.append(f"{NAME} line {number} signs another record, or this one before it was changed")
        if not str(row.get("name", "")).strip() or row.get("role") not in ROLES:
            problems.append(f"{NAME} line {number} has no name or no known role")
        checked, wrong = _check_key(row)
        problems += [f"{NAME} line {number}: {wrong}"] if wrong else []
        shown.append({**row, "checked": checked})
    if people(rows, "author") & people(rows, "approver"):
        problems.append(f"{NAME}: author and approver are the same person")
    return shown, problems


def same(name: str) -> str:
    """A typed name without the differences that make no other person.

    Examples
    --------
    >>> same(" Ana  SOUSA ") == same("Ana Sousa")
    True
    """
    return " ".join(unicodedata.normalize("NFKC", str(name)).casefold().split())


def people(rows: list[SignatureRow], role: str) -> set[str]:
    """Who signed in that role."""
    return {same(row.get("name", "")) for row in rows if row.get("role") == role}


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
    pem = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except OSError as fault:
        raise RecordError(f"the key file cannot be made ({fault.strerror})", where=path.name) from None
    with os.fdopen(handle, "wb") as file:
        file.write(pem)
    return _hex(key.public_key(), serialization)


def with_key(row: SignatureRow, path: Path) -> SignatureRow:
    """The row with its key signature; raises RecordError where the file is no Ed25519 private key in PEM form."""
    private, serialization = _ed25519("Ed25519PrivateKey")
    try:
        key = serialization.load_pem_private_key(path.read_bytes(), password=None)
    except (OSError, ValueError, TypeError) as fault:
        raise RecordError(f"the key cannot be read ({type(fault).__name__})", where=path.name, expected="an Ed25519 private key in PEM form without password") from None
    if not isinstance(key, private):
        raise RecordError("the key is of another kind", where=path.name, expected="Ed25519")
    row = {**row, "identity": "typed name, signed with an Ed25519 key", "public_key": _hex(key.public_key(), serialization)}
    return {**row, "signature": key.sign(_signed_bytes(row)).hex()}


def _check_key(row: SignatureRow) -> tuple[str, str]:
    if "signature" not in row and "public_key" not in row:
        return TYPED, ""
    from cryptography.exceptions import InvalidSignature

    public, _ = _ed25519("Ed25519PublicKey")
    try:
        public.from_public_bytes(bytes.fromhex(row["public_key"])).verify(bytes.fromhex(row["signature"]), _signed_bytes(row))
    except (InvalidSignature, KeyError, ValueError, TypeError):
        return "key signature does not fit", "the key signature does not fit the line"
    return f"signed with the key {row['public_key'][:16]}…", ""


def _signed_bytes(row: SignatureRow) -> bytes:
    signed = {name: value for name, value in row.items() if name in ("name", "role", "meaning", "time", "record_hash", "identity", "public_key")}
    return json.dumps(signed, sort_keys=True, ensure_ascii=False).encode("utf-8")


def _ed25519(name: str) -> tuple[Any, Any]:
    try:
        from cryptography.hazmat.primitives import serialization
        from cryptography.hazmat.primitives.asymmetric import ed25519
    except ImportError:
        raise RecordError("keys need the package cryptography", mend='Install it: pip install "coldchain-kit[keys]"') from None
    return getattr(ed25519, name), serialization


def _hex(public: Any, serialization: Any) -> str:
    return public.public_bytes(serialization.Encoding.Raw, serialization.PublicFormat.Raw).hex()
