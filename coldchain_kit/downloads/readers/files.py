"""The bytes of a download, whatever wraps or encodes them, as plain UTF-8 text with one kind of line end."""

from __future__ import annotations

import codecs
import hashlib
import io
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from coldchain_kit.base import KitError, LayoutError

MAX_BYTES = 512 * 1024 * 1024  # of text after unpacking; ten years of minute readings of two probes are about 160 MB
HEAD_BYTES = 1024 * 1024
MAX_LINE = 65_536  # characters; a longer line is no line of readings

_PICTURES = {
    b"%PDF": "a PDF", b"\x89PNG": "a picture (PNG)", b"\xff\xd8\xff": "a picture (JPEG)", b"GIF8": "a picture (GIF)", b"BM": "a picture (BMP)",
    b"II*\x00": "a picture (TIFF)", b"MM\x00*": "a picture (TIFF)",
}  # fmt: skip
_BOMS = ((b"\xef\xbb\xbf", "utf-8", "UTF-8 with BOM"), (b"\xff\xfe", "utf-16-le", "UTF-16 LE"), (b"\xfe\xff", "utf-16-be", "UTF-16 BE"))
_CONTROLS = bytes(set(range(32)) - set(b"\t\n\r\x0b\x0c\x1a\x1b\x00"))


@dataclass(frozen=True)
class Content:
    """Text of one download: UTF-8 ``text`` with ``\\n`` line ends, and where it came from."""

    file: str
    sha256: str
    text: bytes
    encoding: str
    line_end: str = "LF"
    nul_bytes: int = 0
    member: str | None = None


def fetch(path: str | Path, *, shown: str) -> bytes:
    """All bytes of a file, or of standard input for ``"-"``; refuses what is too large to be a download."""
    try:
        data = sys.stdin.buffer.read(MAX_BYTES + 1) if str(path) == "-" else _from_disk(Path(path), shown)
    except OSError as error:
        raise KitError(f"the file cannot be read ({error.strerror or 'no reason given'})", where=shown, mend="Check the name and that you may open it") from error
    if len(data) > MAX_BYTES:
        raise _too_large(shown)
    if not data:
        raise LayoutError("the file is empty", where=shown, expected="a download with readings", mend="Download it again")
    return data


def _from_disk(path: Path, shown: str) -> bytes:
    if not path.is_file():
        what = "this is a folder, not a file" if path.is_dir() else "there is no such file"
        raise KitError(what, where=shown, mend="Check the name")
    with path.open("rb") as handle:
        head = handle.read(HEAD_BYTES)
        if path.stat().st_size > MAX_BYTES:
            raise _too_large(shown)
        if len(head) == HEAD_BYTES and not packed(head) and b"\n" not in head and b"\r" not in head:
            raise long_line(shown)
        handle.seek(0)
        return handle.read()


def _too_large(shown: str) -> KitError:
    return KitError(f"the file is larger than {MAX_BYTES // 2**20} MB", where=shown, expected="a logger's download", mend="Split it into shorter spans")


def long_line(shown: str) -> LayoutError:
    """The refusal of a file that has no line ends where a download has them."""
    return LayoutError("the first line does not end: there is no line end in the first million characters", where=shown,
                       expected="one line for each reading", mend="Export the readings as a text file with one reading a line")  # fmt: skip


def packed(data: bytes) -> bool:
    """Whether these bytes are an archive or a workbook."""
    return data[:2] == b"\x1f\x8b" or data[:4] in (b"PK\x03\x04", b"PK\x05\x06", b"\xd0\xcf\x11\xe0")


def digest(data: bytes) -> str:
    """SHA-256 as hexadecimal text."""
    return hashlib.sha256(data).hexdigest()


def refuse_pictures(data: bytes, *, shown: str) -> None:
    """LayoutError for a PDF or a picture: their readings must come as text."""
    found = next((name for magic, name in _PICTURES.items() if data.startswith(magic)), None)
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        found = "a picture (WEBP)"
    if data[4:8] == b"ftyp":
        found = "a picture or film"
    if found and not (found.endswith("(BMP)") and data[:64].isascii() and b"\x00" not in data[:64]):
        raise LayoutError(f"this is {found}, and readings cannot be taken from it without guessing", where=shown,
                          expected="the readings as text, one reading a line", mend="Export the readings as text (CSV) from the logger's software; keep this file as an attachment")  # fmt: skip


def content(data: bytes, *, shown: str, sha256: str, member: str | None = None) -> Content:
    """Decoded text of a download.

    UTF-8, UTF-16 and byte-order marks are recognised; text that is not UTF-8 is read as Windows-1252 (else Latin-1).

    Examples
    --------
    >>> content("Zeit;A (°C)\\r\\n".encode("cp1252"), shown="x", sha256="").encoding
    'Windows-1252'
    """
    refuse_pictures(data, shown=shown)
    text, encoding = _decoded(data)
    text, line_end = _line_ends(text)
    nuls = text.count(b"\x00") if b"\x00" in text else 0
    if nuls:
        text = re.sub(rb"(?m)^\x00+(?=[^\x00\n])", b"", re.sub(rb"(?m)^\x00+$", b"\x00", text))
    head = text[: HEAD_BYTES // 16]
    if len(head) - len(head.translate(None, _CONTROLS)) > len(head) // 50:
        raise LayoutError("this is not a text file", where=shown, expected="readings as text", mend="Export the readings as text (CSV) from the logger's software")
    if text.find(b"\n", 0, HEAD_BYTES) < 0 and len(text) > HEAD_BYTES:
        raise long_line(shown)
    return Content(shown, sha256, text, encoding, line_end, nuls, member)


def _decoded(data: bytes) -> tuple[bytes, str]:
    for mark, codec, name in _BOMS:
        if data.startswith(mark):
            body = memoryview(data)[len(mark) :]
            return (bytes(body), name) if codec == "utf-8" and _valid(body) else (_as_utf8(body, codec), name)
    if data.isascii():
        wide = _utf16(data)
        return (_as_utf8(data, wide), wide.upper().replace("-LE", " LE").replace("-BE", " BE")) if wide else (data, "UTF-8")
    wide = _utf16(data)
    if wide:
        return _as_utf8(data, wide), wide.upper().replace("-LE", " LE").replace("-BE", " BE")
    if _valid(data):
        return data, "UTF-8"
    broken = sum(text.count("\ufffd") for text in _decoded_parts(data, "utf-8", errors="replace"))
    if sum(ord(c) > 127 for c in data[:HEAD_BYTES].decode("utf-8", "replace")) > 2 * broken:
        return _as_utf8(data, "utf-8"), f"UTF-8 with {broken} broken characters"
    try:
        return _as_utf8(data, "cp1252", errors="strict"), "Windows-1252"
    except UnicodeDecodeError:
        return _as_utf8(data, "latin-1"), "Latin-1"


def _valid(data: bytes | memoryview) -> bool:
    try:
        for _ in _decoded_parts(data, "utf-8", errors="strict"):
            pass
    except UnicodeDecodeError:
        return False
    return True


def _decoded_parts(data: bytes | memoryview, codec: str, *, errors: str) -> Iterator[str]:
    """The text part by part: the whole of it would be two or more copies of the file."""
    decoder = codecs.getincrementaldecoder(codec)(errors)
    for at in range(0, len(data), HEAD_BYTES):
        yield decoder.decode(data[at : at + HEAD_BYTES], at + HEAD_BYTES >= len(data))


def _as_utf8(data: bytes | memoryview, codec: str, *, errors: str = "replace") -> bytes:
    out = io.BytesIO()
    for text in _decoded_parts(data, codec, errors=errors):
        out.write(text.encode("utf-8", "replace"))
    return out.getvalue()


def _utf16(data: bytes) -> str | None:
    head = data[:4096]
    even, odd = head[0::2].count(0), head[1::2].count(0)
    half = max(len(head) // 2, 1)
    if odd > 0.4 * half and even < 0.1 * half:
        return "utf-16-le"
    if even > 0.4 * half and odd < 0.1 * half:
        return "utf-16-be"
    return None


def _line_ends(text: bytes) -> tuple[bytes, str]:
    if b"\r" not in text:
        return text, "LF"
    pairs = text.count(b"\r\n")
    alone = text.count(b"\r") - pairs
    bare = text.count(b"\n") - pairs
    name = "mixed" if (pairs > 0) + (alone > 0) + (bare > 0) > 1 else "CRLF" if pairs else "CR"
    text = text.replace(b"\r\n", b"\n") if pairs else text
    return (text.replace(b"\r", b"\n") if alone else text), name
