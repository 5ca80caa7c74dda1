"""Detached signatures in OpenSSH's own form (SSHSIG), which ``ssh-keygen -Y verify`` of any current system checks.

The form is that of the OpenSSH project's PROTOCOL.sshsig (MEMORY; tested against ssh-keygen both ways). Ed25519 and SHA-512 only.
"""

from __future__ import annotations

import base64
import hashlib
import struct
import textwrap
from pathlib import Path
from typing import Any

from coldchain_kit.base import RecordError

NAMESPACE = "file"  # what ssh-keygen calls signatures over files
LINES = "coldchain-signature-line"
_MAGIC, _KIND, _HASH = b"SSHSIG", b"ssh-ed25519", b"sha512"
_BEGIN, _END = "-----BEGIN SSH SIGNATURE-----", "-----END SSH SIGNATURE-----"


def sign(message: bytes, key: Any, *, namespace: str = NAMESPACE) -> str:
    """The armoured signature of a message by an Ed25519 private key (of ``cryptography``)."""
    blob = _MAGIC + struct.pack(">I", 1) + _text(_public_blob(_raw(key.public_key()))) + _text(namespace.encode()) + _text(b"") + _text(_HASH)
    blob += _text(_text(_KIND) + _text(key.sign(_signed(message, namespace))))
    body = "\n".join(textwrap.wrap(base64.b64encode(blob).decode("ascii"), 70))
    return f"{_BEGIN}\n{body}\n{_END}\n"


def signer(armoured: str, message: bytes, *, namespace: str = NAMESPACE) -> str:
    """The public key [hex] that signed a message.

    Raises
    ------
    ValueError
        It is no such signature, of another namespace, or does not fit the message.
    """
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric import ed25519

    public, told, signature = _parts(armoured)
    if told != namespace:
        raise ValueError(f"it is a signature for '{told}'")
    try:
        ed25519.Ed25519PublicKey.from_public_bytes(public).verify(signature, _signed(message, namespace))
    except InvalidSignature:
        raise ValueError("it does not fit") from None
    return public.hex()


def public_line(public: str, name: str) -> str:
    """A public key [hex] as OpenSSH writes it, and as a line of an allowed-signers file where NAME comes first.

    Examples
    --------
    >>> public_line("00" * 32, "marta-alder").split(" ")[:2]
    ['marta-alder', 'ssh-ed25519']
    """
    return f"{name} ssh-ed25519 {base64.b64encode(_public_blob(bytes.fromhex(public))).decode('ascii')}"


def private_key(path: Path) -> Any:
    """The Ed25519 private key of a file, in OpenSSH's or in PEM (PKCS #8) form, without password.

    Raises
    ------
    RecordError
        The package ``cryptography`` is not installed, or the file holds no such key.
    """
    try:
        from cryptography.hazmat.primitives import serialization
        from cryptography.hazmat.primitives.asymmetric import ed25519
    except ImportError:
        raise RecordError("keys need the package cryptography", mend='Install it: pip install "coldchain-kit[keys]"') from None
    try:
        data = path.read_bytes()
        read = serialization.load_ssh_private_key if b"OPENSSH PRIVATE KEY" in data else serialization.load_pem_private_key
        key = read(data, password=None)
    except (OSError, ValueError, TypeError) as fault:
        raise RecordError(f"the key cannot be read ({type(fault).__name__})", where=path.name, expected="an Ed25519 private key in OpenSSH or PEM form, without password") from None
    if not isinstance(key, ed25519.Ed25519PrivateKey):
        raise RecordError("the key is of another kind", where=path.name, expected="Ed25519")
    return key


def public_hex(key: Any) -> str:
    """The public half of a private key [hex]."""
    return _raw(key.public_key()).hex()


def _raw(public: Any) -> bytes:
    from cryptography.hazmat.primitives import serialization

    return public.public_bytes(serialization.Encoding.Raw, serialization.PublicFormat.Raw)


def _signed(message: bytes, namespace: str) -> bytes:
    return _MAGIC + _text(namespace.encode()) + _text(b"") + _text(_HASH) + _text(hashlib.sha512(message).digest())


def _public_blob(raw: bytes) -> bytes:
    return _text(_KIND) + _text(raw)


def _text(data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + data


def _parts(armoured: str) -> tuple[bytes, str, bytes]:
    lines = armoured.strip().splitlines()
    if len(lines) < 3 or lines[0] != _BEGIN or lines[-1] != _END:
        raise ValueError("it is no SSH signature")
    blob = base64.b64decode("".join(lines[1:-1]), validate=True)
    if blob[:6] != _MAGIC or blob[6:10] != struct.pack(">I", 1):
        raise ValueError("it is no SSH signature of version 1")
    public_blob, namespace, reserved, told, signature_blob = _texts(blob[10:], 5)
    kind, public = _texts(public_blob, 2)
    signed_kind, signature = _texts(signature_blob, 2)
    if (kind, signed_kind, told, reserved, len(public), len(signature)) != (_KIND, _KIND, _HASH, b"", 32, 64):
        raise ValueError("it is not Ed25519 with SHA-512")
    return public, namespace.decode("utf-8"), signature


def _texts(data: bytes, count: int) -> list[bytes]:
    found = []
    for _ in range(count):
        if len(data) < 4:
            raise ValueError("it is cut off")
        (size,) = struct.unpack(">I", data[:4])
        if len(data) < 4 + size:
            raise ValueError("it is cut off")
        found.append(data[4 : 4 + size])
        data = data[4 + size :]
    if data:
        raise ValueError("it is longer than it says")
    return found
