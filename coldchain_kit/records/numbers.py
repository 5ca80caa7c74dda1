"""Numbers of records: names that every file system can carry, and that belong to one thing only."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path

from coldchain_kit.base import RecordError
from coldchain_kit.records import verification

_NUMBER = re.compile(r"[A-Za-z0-9][A-Za-z0-9._\-]{0,63}")
_REVISION = re.compile(r"-r\d+$", re.IGNORECASE)
_DEVICES = frozenset({"CON", "PRN", "AUX", "NUL", *(f"{port}{n}" for port in ("COM", "LPT") for n in range(1, 10))})


def check(number: str) -> None:
    """Refuse a case id that cannot be the name of a folder on every system, or reads like a revision of another.

    Device names such as CON are no file names on Windows, with or without an ending (its documentation "Naming Files, Paths, and
    Namespaces": MEMORY).

    Raises
    ------
    RecordError

    Examples
    --------
    >>> check("2026-014")
    >>> check("2026-014-r1")
    Traceback (most recent call last):
    coldchain_kit.base.errors.RecordError: the case id '2026-014-r1'. Expected no ending like -r1, which stands for a revision. Change id in the case file.
    """
    expected = ""
    if not _NUMBER.fullmatch(number) or number.endswith("."):
        expected = "letters, digits, dot, dash, underscore, at most 64, a letter or digit first"
    elif number.partition(".")[0].upper() in _DEVICES:
        expected = "a name that is none of Windows' devices (CON, PRN, AUX, NUL, COM1 to LPT9)"
    elif _REVISION.search(number):
        expected = "no ending like -r1, which stands for a revision"
    if expected:
        raise RecordError(f"the case id '{number[:80]}'", expected=expected, mend="Change id in the case file")


def check_same(before: Path, info: Mapping[str, str]) -> None:
    """Refuse to make a record the next revision of another thing's that happens to have the same number.

    Parameters
    ----------
    before : Path
        The latest revision of the number.
    info : dict of str
        What the new record is: ``kind``, ``site``, ``Parameters`` as they will stand in bag-info.txt. A month is one thing with its
        site and unit; anything else with its kind.

    Raises
    ------
    RecordError
    """
    held = verification.bag_info(before)
    kind, site = info.get("kind", ""), " ".join(info.get("site", "").split())
    other = held.get("Kind", "") != kind or (kind == "monthly" and (held.get("Source-Organization", "") != site or _unit(held) != _unit(info)))
    if other:
        whose = " ".join(filter(None, (held.get("Kind"), "record of", held.get("Source-Organization") or "another site")))
        raise RecordError("this number belongs to another record", where=f"{before.name}, {whose}", mend="Give this one another number, or its own folder with --out")


def _unit(info: Mapping[str, str]) -> object:
    return json.loads(info.get("Parameters") or "{}").get("unit")
