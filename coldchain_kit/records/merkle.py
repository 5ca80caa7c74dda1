"""One hash over many records with a proof for each: the Merkle tree of RFC 9162, sections 2.1.1 and 2.1.3 (MEMORY)."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence


def leaf(entry: bytes) -> bytes:
    """Hash of one entry."""
    return hashlib.sha256(b"\x00" + entry).digest()


def node(left: bytes, right: bytes) -> bytes:
    """Hash of two subtrees."""
    return hashlib.sha256(b"\x01" + left + right).digest()


def split(count: int) -> int:
    """Entries of the left subtree: the largest power of two below ``count``."""
    return 1 << (count - 1).bit_length() - 1


def root(entries: Sequence[bytes]) -> bytes:
    """Merkle tree hash of the entries, in their order.

    Examples
    --------
    >>> root([]).hex()[:16]
    'e3b0c44298fc1c14'
    """
    if not entries:
        return hashlib.sha256(b"").digest()
    if len(entries) == 1:
        return leaf(entries[0])
    k = split(len(entries))
    return node(root(entries[:k]), root(entries[k:]))


def proof(entries: Sequence[bytes], at: int) -> list[bytes]:
    """Inclusion proof of entry ``at`` (from 0): the hashes beside its way up, lowest first."""
    if len(entries) <= 1:
        return []
    k = split(len(entries))
    return [*proof(entries[:k], at), root(entries[k:])] if at < k else [*proof(entries[k:], at - k), root(entries[:k])]


def root_by(entry: bytes, at: int, count: int, path: Sequence[bytes]) -> bytes:
    """The root that an entry and its proof lead to (RFC 9162, 2.1.3.2).

    Raises
    ------
    ValueError
        The proof is too long or too short for this place.
    """
    if not 0 <= at < count:
        raise ValueError("no such place in the tree")
    place, last, found = at, count - 1, leaf(entry)
    for beside in path:
        if last == 0:
            raise ValueError("the proof is too long")
        if place & 1 or place == last:
            found = node(beside, found)
            while not place & 1 and place:
                place, last = place >> 1, last >> 1
        else:
            found = node(found, beside)
        place, last = place >> 1, last >> 1
    if last:
        raise ValueError("the proof is too short")
    return found
