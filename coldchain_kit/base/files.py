"""Files written whole or not at all (beside their place first, then renamed, so that nobody ever sees half of one), and their hash."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from coldchain_kit.base.errors import KitError


def write(path: Path, text: str) -> Path:
    """Put UTF-8 text into a file; one of that name is replaced whole, folders that are missing are made.

    Raises
    ------
    KitError
        The system refused (no permission, disk full): what was there before is untouched, and no part is left.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = write(Path(folder) / "papers" / "sheet.txt", "8 °C")
    ...     path.read_text("utf-8"), len(list(path.parent.iterdir()))
    ('8 °C', 1)
    """
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


def sha256(data: bytes | str) -> str:
    """Hex SHA-256 of bytes, or of a text in UTF-8."""
    return hashlib.sha256(data.encode("utf-8") if isinstance(data, str) else data).hexdigest()
