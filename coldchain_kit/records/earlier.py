"""Earlier excursions of the same units, found by itself in the folder of records; told on the front page, kept in data/context.json."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from coldchain_kit.records import ledger
from coldchain_kit.show import wording

NEWEST = 200  # records looked into, newest first: a folder of ten thousand must not slow a freeze
MOST = 4  # told on the front page


def told(out: Path, number: str, results: Mapping[str, Any]) -> list[str]:
    """A sentence for each earlier record of the folder in which a unit of this one was outside, newest first.

    Parameters
    ----------
    out : Path
        Folder of records.
    number : str
        This record's number; its own revisions are no earlier excursions.
    results : dict
        Of this record; ``case.units`` are looked for.
    """
    units = set(results.get("case", {}).get("units", ()))
    last: dict[str, tuple[int, str]] = {}
    for row in ledger.entered(out):
        name, revision = str(row.get("number", "")), row.get("revision")
        if name != number and isinstance(revision, int) and revision >= last.get(name, (0, ""))[0]:
            last[name] = (revision, str(row.get("path", "")))
    lines = [line for name, (revision, path) in list(last.items())[::-1][:NEWEST] for line in _of(out / Path(path).name, f"{name} revision {revision}", units)]
    more = len(lines) - MOST
    return [*lines[:MOST], *([f"And {more} more records in this folder."] if more > 0 else [])]


def _of(folder: Path, name: str, units: set[str]) -> list[str]:
    try:
        held = json.loads((folder / "data" / "results.json").read_text("utf-8"))
    except (OSError, ValueError):
        return []
    found = [row for row in held.get("excursions", ()) if isinstance(row, dict) and row.get("unit") in units]
    if not found:
        return []
    most = sum(float(row.get("minutes_most") or 0.0) for row in found)
    which = wording.several(sorted({f"{row['unit']} {row['direction']} its limit" for row in found}))
    return [f"{name}: {which}, {len(found)} excursion{'s' if len(found) > 1 else ''}, together at most {wording.minutes(most)}, first on {str(found[0].get('start', 'a day not known'))[:10]}."]
