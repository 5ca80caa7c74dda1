"""Files written whole or not at all (beside their place first, then renamed, so that nobody ever sees half of one), and their hash."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from coldchain_kit.base.errors import KitError, RecordError

RECORD_MARKS = ("bagit.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt")


def write(path: Path, text: str) -> Path:
    """Put UTF-8 text into a file; one of that name is replaced whole, folders that are missing are made.

    Raises
    ------
    KitError
        The system refused (no permission, disk full): what was there before is untouched, and no part is left. The place
        lies inside a frozen record.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = write(Path(folder) / "papers" / "sheet.txt", "8 °C")
    ...     path.read_text("utf-8"), len(list(path.parent.iterdir()))
    ('8 °C', 1)
    """
    outside_records(path)
    part = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            part.write_bytes(text.encode("utf-8"))
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)
    except OSError as fault:
        raise KitError(f"it could not be written: {fault.strerror or fault}", where=path.name, mend="Check the folder, its permissions and the free space") from None
    return path


def outside_records(path: Path) -> Path:
    """The path, where nothing frozen would be touched by writing there.

    Raises
    ------
    RecordError
        The path is a frozen record or lies inside one (RFC 8493: a folder with a bag's declaration or manifests), links followed.
        Whatever were written there would damage it.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     record = Path(folder) / "2026-014-r1"
    ...     record.mkdir()
    ...     _ = (record / "bagit.txt").write_text("BagIt-Version: 1.0")
    ...     outside_records(record / "data" / "x.zip")
    Traceback (most recent call last):
    coldchain_kit.base.errors.RecordError: x.zip: it would lie inside the frozen record 2026-014-r1, which would be damaged. Name a place outside the record.
    """
    place = path.resolve()
    for folder in (place, *place.parents):
        if any((folder / mark).is_file() for mark in RECORD_MARKS):
            raise RecordError(f"it would lie inside the frozen record {folder.name}, which would be damaged", where=path.name, mend="Name a place outside the record")
    return path


def sha256(data: bytes | str) -> str:
    """Hex SHA-256 of bytes, or of a text in UTF-8."""
    return hashlib.sha256(data.encode("utf-8") if isinstance(data, str) else data).hexdigest()
