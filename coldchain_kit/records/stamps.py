"""Time stamps by RFC 3161: a request for one record or for many under one root, the reply taken back and checked, offline.

The kit asks nobody: it writes the request, a person sends it to an authority that the site trusts, and brings back the reply. Beside each
record then lie NAME.tsq and NAME.tsr, and for many records under one root NAME.proof.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any, TypedDict

from coldchain_kit.base import RecordError, files
from coldchain_kit.records import bag, ledger, merkle, verification

SCHEMA = "coldchain-kit/stamp/1"


class Asked(TypedDict):
    """What a request was made over (FILE.tsq.json): the records in their order, the nonce, the hash that is stamped."""

    schema: str
    records: list[dict[str, str]]
    nonce: int
    imprint: str


def ask(records: Sequence[Path], query: Path) -> Path:
    """Write the request for a time stamp over one record, or one root over many.

    One record: the stamp is over its tagmanifest-sha256.txt itself. Many: over the Merkle root (RFC 9162) of their record hashes, in the order given.

    Returns
    -------
    Path of the request; beside it FILE.json says over what it is.

    Raises
    ------
    RecordError
        No record, one that is not whole, one twice, an extra that is not installed, a file that exists.
    """
    client = _client()
    if not records:
        raise RecordError("no record is named", expected="one record, or those of a month")
    rows = []
    for path in records:
        problems = verification.record(path)
        if problems:
            raise RecordError("the record is not whole: " + "; ".join(problems[:3]), where=path.name)
        rows.append({"path": path.resolve().name, "record_hash": ledger.record_hash(path)})
    if len({row["record_hash"] for row in rows}) < len(rows):
        raise RecordError("a record is named twice", where=query.name)
    if query.exists():
        raise RecordError("it exists and is never overwritten", where=query.name, mend="Name another file")
    message = _message(records[0], [row["record_hash"] for row in rows])
    request = client.TimestampRequestBuilder().data(message).hash_algorithm(client.HashAlgorithm.SHA256).nonce(nonce=True).build()
    held = Asked(schema=SCHEMA, records=rows, nonce=int(request.nonce), imprint=bytes(request.message_imprint.message).hex())
    files.write(_noted(query), json.dumps(held, indent=1, sort_keys=True) + "\n")
    _write(query, request.as_bytes())
    return query


def take(query: Path, reply: Path, authority: Path) -> list[Path]:
    """Check a reply against its request and the authority's certificate, and lay it beside each record that it covers.

    Parameters
    ----------
    query : Path
        The request; the records must lie beside it, or in the folder that it names.
    reply : Path
    authority : Path
        Certificates that the site trusts for this (PEM, one or several).

    Returns
    -------
    list of Path, the NAME.tsr beside each record. The ledger there gets a note.

    Raises
    ------
    RecordError
        The reply is no answer to this request, not by this authority, or a record is not the one that was stamped. Nothing is laid down.
    """
    held = _asked(query)
    time = _checked(reply, authority, bytes.fromhex(held["imprint"]), nonce=held["nonce"])
    folders = [query.resolve().parent / row["path"] for row in held["records"]]
    for folder, row in zip(folders, held["records"], strict=True):
        if ledger.record_hash(folder) != row["record_hash"]:
            raise RecordError("it is not the record that was stamped, or does not lie beside the request", where=folder.name)
    entries = [bytes.fromhex(row["record_hash"]) for row in held["records"]]
    made = []
    for at, folder in enumerate(folders):
        if len(entries) > 1:
            path = [one.hex() for one in merkle.proof(entries, at)]
            text = {"schema": "coldchain-kit/proof/1", "record_hash": entries[at].hex(), "place": at, "of": len(entries), "path": path, "root": held["imprint"], "rule": "RFC 9162, 2.1.3.2"}
            files.write(folder.with_name(f"{folder.name}.proof"), json.dumps(text, indent=1, sort_keys=True) + "\n")
        _write(folder.with_name(f"{folder.name}.tsq"), query.read_bytes())
        made.append(_write(folder.with_name(f"{folder.name}.tsr"), reply.read_bytes()))
        ledger.note(folder, f"time stamp of {time}, by an authority whose certificate the site named")
    return made


def check(record: Path, authority: Path) -> str:
    """When a record was there at the latest, by the time stamp beside it (ISO 8601, UTC).

    Raises
    ------
    RecordError
        There is no stamp, it is not by this authority, or it is over something else.
    """
    place = record.resolve()
    reply, proof = place.with_name(f"{place.name}.tsr"), place.with_name(f"{place.name}.proof")
    if not reply.is_file():
        raise RecordError("no time stamp lies beside it", where=place.name)
    digest = bytes.fromhex(ledger.record_hash(place) or "00")
    return _checked(reply, authority, _root(proof, digest) if proof.is_file() else digest)


def _root(proof: Path, digest: bytes) -> bytes:
    try:
        held = json.loads(proof.read_text("utf-8"))
        return merkle.root_by(digest, held["place"], held["of"], [bytes.fromhex(one) for one in held["path"]])
    except (OSError, ValueError, KeyError, TypeError) as fault:
        raise RecordError(f"the proof cannot be followed ({fault})", where=proof.name) from None


def _message(record: Path, hashes: Sequence[str]) -> bytes:
    """What the authority's hash is over: the tag manifest of one record, or the last step of the tree of many."""
    if len(hashes) == 1:
        return (record / ledger.TAGMANIFEST).read_bytes()
    entries = [bytes.fromhex(one) for one in hashes]
    k = merkle.split(len(entries))
    return b"\x01" + merkle.root(entries[:k]) + merkle.root(entries[k:])


def _checked(reply: Path, authority: Path, imprint: bytes, *, nonce: int | None = None) -> str:
    client = _client()
    from cryptography import x509

    try:
        roots = x509.load_pem_x509_certificates(authority.read_bytes())
        answer = client.decode_timestamp_response(reply.read_bytes())
    except (OSError, ValueError) as fault:
        raise RecordError(f"it cannot be read ({getattr(fault, 'strerror', None) or fault})", where=f"{reply.name}, {authority.name}") from None
    builder = client.VerifierBuilder(roots=roots) if nonce is None else client.VerifierBuilder(roots=roots, nonce=nonce)
    try:
        builder.build().verify(answer, imprint)
    except (client.VerificationError, ValueError) as fault:
        raise RecordError(f"the time stamp does not hold: {fault}", where=reply.name, mend="Nothing was laid down") from None
    return answer.tst_info.gen_time.strftime("%Y-%m-%dT%H:%M:%SZ")


def _asked(query: Path) -> Asked:
    try:
        held: Asked = json.loads(_noted(query).read_text("utf-8"))
        if held["schema"] != SCHEMA:
            raise ValueError
    except (OSError, ValueError, KeyError, TypeError):
        raise RecordError(f"{_noted(query).name}, which says over what it was asked, cannot be read", where=query.name, mend="Keep it beside the request") from None
    return held


def _noted(query: Path) -> Path:
    return query.with_name(f"{query.name}.json")


def _write(path: Path, data: bytes) -> Path:
    files.outside_records(path)
    with bag.plain_faults(path.parent):
        part = path.with_name(f".{path.name}.part")
        part.write_bytes(data)
        part.replace(path)
    return path


def _client() -> Any:
    try:
        import rfc3161_client
    except ImportError:
        raise RecordError("time stamps need the package rfc3161-client", mend='Install it: pip install "coldchain-kit[stamp]"') from None
    return rfc3161_client
