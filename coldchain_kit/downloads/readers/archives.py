"""What is inside an archive or a workbook, unpacked within fixed limits and never onto the disk."""

from __future__ import annotations

import io
import zipfile
import zlib
from collections.abc import Sequence
from datetime import date, datetime, time, timedelta
from pathlib import Path

from coldchain_kit.base import LayoutError
from coldchain_kit.downloads.readers import files
from coldchain_kit.downloads.readers.files import Content

MAX_MEMBERS = 200
MAX_CELLS = 20_000_000  # of one sheet: 10 million rows of two columns
_TEXTS = (".csv", ".txt", ".tsv", ".dat", ".log", ".asc", "")


def contents(data: bytes, *, shown: str) -> list[Content]:
    """Every download in a file: one for plain text or .gz, one for each text member or sheet otherwise."""
    sha256 = files.digest(data)
    if data[:2] == b"\x1f\x8b":
        return [files.content(_gunzip(data, shown), shown=shown, sha256=sha256)]
    if data[:4] in (b"PK\x03\x04", b"PK\x05\x06"):
        with _open_zip(data, shown) as archive:
            names = set(archive.namelist())
            if "xl/workbook.xml" in names or "content.xml" in names or "xl/workbook.bin" in names:
                _unpacked_size(archive, shown)
                return _sheets(data, shown, sha256)
            return _members(archive, shown, sha256)
    if data[:4] == b"\xd0\xcf\x11\xe0":
        return _sheets(data, shown, sha256)
    return [files.content(data, shown=shown, sha256=sha256)]


def _bomb(shown: str) -> LayoutError:
    return LayoutError(f"the archive unpacks to more than {files.MAX_BYTES // 2**20} MB", where=shown, expected="a logger's download", mend="Unpack it and give the files one by one")


def _broken(shown: str, kind: str) -> LayoutError:
    return LayoutError(f"the {kind} is damaged and cannot be opened", where=shown, mend="Download it again, or unpack it and give the files one by one")


def _gunzip(data: bytes, shown: str) -> bytes:
    parts, size, rest = [], 0, data
    try:
        while rest:
            unpacker = zlib.decompressobj(wbits=31)
            parts.append(unpacker.decompress(rest, files.MAX_BYTES + 1 - size))
            size += len(parts[-1])
            if size > files.MAX_BYTES or unpacker.unconsumed_tail:
                raise _bomb(shown)
            if not unpacker.eof:
                raise _broken(shown, "compressed file")
            rest = unpacker.unused_data.lstrip(b"\x00")
            if rest[:2] != b"\x1f\x8b":
                break
    except zlib.error as error:
        raise _broken(shown, "compressed file") from error
    return b"".join(parts)


def _open_zip(data: bytes, shown: str) -> zipfile.ZipFile:
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError, EOFError) as error:
        raise _broken(shown, "archive") from error
    if len(archive.infolist()) > MAX_MEMBERS:
        raise LayoutError(f"the archive holds more than {MAX_MEMBERS} files", where=shown, mend="Unpack it and give the files one by one")
    return archive


def _member(archive: zipfile.ZipFile, info: zipfile.ZipInfo, room: int, shown: str) -> bytes:
    try:
        with archive.open(info) as handle:
            data = handle.read(room + 1)
    except (zipfile.BadZipFile, zlib.error, RuntimeError, NotImplementedError, EOFError, OSError, ValueError) as error:
        raise _broken(f"{shown}, member {info.filename!r}", "archive") from error
    if len(data) > room:
        raise _bomb(shown)
    return data


def _unpacked_size(archive: zipfile.ZipFile, shown: str) -> None:
    room = files.MAX_BYTES
    for info in archive.infolist():
        try:
            with archive.open(info) as handle:
                while block := handle.read(1 << 20):
                    room -= len(block)
                    if room < 0:
                        raise _bomb(shown)
        except (zipfile.BadZipFile, zlib.error, RuntimeError, NotImplementedError, EOFError, OSError) as error:
            raise _broken(shown, "workbook") from error


def _members(archive: zipfile.ZipFile, shown: str, sha256: str) -> list[Content]:
    out, room = [], files.MAX_BYTES
    for info in sorted(archive.infolist(), key=lambda i: i.filename):
        name = info.filename
        if name.startswith(("/", "\\")) or ".." in name.replace("\\", "/").split("/") or ":" in name:
            raise LayoutError(f"the member name {name!r} points outside of the archive", where=shown, mend="Do not trust this archive: ask for the download itself")
        if info.is_dir() or Path(name).suffix.lower() not in _TEXTS or Path(name).name.startswith("."):
            continue
        data = _member(archive, info, room, shown)
        room -= len(data)
        if data and not files.packed(data):
            out.append(files.content(data, shown=f"{shown}#{name}", sha256=sha256, member=name))
    if not out:
        raise LayoutError("the archive holds no text file", where=shown, expected="a .csv or .txt download in it", mend="Unpack it and give the download itself")
    return out


def _sheets(data: bytes, shown: str, sha256: str) -> list[Content]:
    import python_calamine

    try:
        book = python_calamine.load_workbook(io.BytesIO(data))
        sheets = [(name, book.get_sheet_by_name(name)) for name in book.sheet_names]
    except (python_calamine.CalamineError, OSError, ValueError) as error:
        raise _broken(shown, "workbook") from error
    out = []
    for name, sheet in sheets[:MAX_MEMBERS]:
        height, width = (edge + 1 for edge in sheet.end or (-1, -1))
        if height * width > MAX_CELLS:
            raise LayoutError(f"sheet {name!r} has {height} rows and {width} columns", where=shown, expected="a sheet of readings",
                              mend="Save the readings alone, as text (CSV)")  # fmt: skip
        text = "".join(_row(row) for row in sheet.to_python(skip_empty_area=False))
        if text.strip():
            out.append(Content(f"{shown}#{name}", sha256, text.encode("utf-8", "replace"), "workbook", member=name))
    if not out:
        raise LayoutError("the workbook has no filled cell", where=shown, mend="Save the readings again, as text (CSV)")
    return out


def _row(cells: Sequence[object]) -> str:
    return "\t".join(_cell(value) for value in cells).rstrip("\t") + "\n"


def _cell(value: object) -> str:
    """Text of a workbook cell; dates are written so that they cannot be misread.

    Examples
    --------
    >>> _cell(datetime(2026, 3, 1, 0, 5)), _cell(4.5), _cell(4.0)
    ('2026-03-01 00:05:00', '4.5', '4')
    """
    if isinstance(value, bool):
        return "1" if value else "0"
    if isinstance(value, datetime):
        return (value + timedelta(microseconds=500)).replace(microsecond=0).isoformat(" ") if value.microsecond > 999_000 else value.isoformat(" ")
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, timedelta):
        return str(value)
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    return " ".join(str(value).split())
