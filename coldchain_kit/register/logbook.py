"""logbook.csv: what people wrote down beside the unit, each entry at its time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from coldchain_kit.base import nearest, sheet
from coldchain_kit.model import physics
from coldchain_kit.register import stock
from coldchain_kit.register.site import Site

KINDS = ("door", "power", "service", "load", "move", "download", "settings", "check", "alarm", "alarm_test", "call", "coolant", "note")
COLUMNS = ("time", "kind", "text")
OPTIONAL = ("until", "who", "low_c", "high_c", "low_f", "high_f", "reset", "unit")


@dataclass(frozen=True)
class LogEntry:
    """One entry: ``time`` and ``until`` in UTC; ``low_c``, ``high_c`` the minimum and maximum on the display [°C].

    ``reset``: whether the minimum and maximum were reset then. ``unit`` None: not said, any unit of the case.
    """

    time: pd.Timestamp
    kind: str
    text: str
    until: pd.Timestamp | None = None
    who: str | None = None
    low_c: float | None = None
    high_c: float | None = None
    reset: bool | None = None
    line: int = 0
    unit: str | None = None


def read(path: Path, *, site: Site, units: Sequence[str] = ()) -> tuple[LogEntry, ...]:
    """Read logbook.csv (columns of CONTRACTS.md; low_f, high_f in °F).

    Parameters
    ----------
    path : Path
        A case's own logbook, or the site's: each line of that names its unit, and those of other units are left out.
    site : Site
    units : sequence of str
        The units looked at; where there are several each line names its unit.

    ``units``: those of the case; where it has several, each line must name its own.

    Returns
    -------
    tuple of LogEntry, by time.

    Raises
    ------
    RegisterError
        Every fault at once, with line and column; an unknown kind names the nearest.
    """
    rows = sheet.rows(path, needed=COLUMNS, optional=OPTIONAL)
    shared = site.logbook is not None and path.resolve() == site.logbook.resolve()
    found = [_entry(row, site, shared=shared, units=units) for row in rows]
    sheet.settle(rows)
    mine = [entry for entry in found if entry is not None and not (shared and units and entry.unit not in units)]
    return tuple(sorted(mine, key=lambda entry: (entry.time, entry.line)))


def _entry(row: sheet.Row, site: Site, *, shared: bool, units: Sequence[str]) -> LogEntry | None:
    time = row.get("time", lambda cell: stock.instant(cell, site=site), needed=True)
    kind = row.get("kind", sheet.one_of(*KINDS), needed=True)
    until = row.get("until", lambda cell: stock.instant(cell, site=site, closing=True))
    unit = row.get("unit", sheet.text)
    low_c, high_c = (_degrees(row, side) for side in ("low", "high"))
    if unit is None and (shared or len(units) > 1):
        why = "The site's logbook is for all its units" if shared else "The case has several units"
        row.complain("column 'unit' is empty", "one of " + ", ".join(site.units if shared else units), f"{why}: say which one the line is about")
    if unit is not None and unit not in {*site.units, *site.broken}:
        row.complain(f"column 'unit' is '{unit}'", "one of " + ", ".join(site.units), nearest(unit, site.units))
    if time is not None and until is not None and until < time:
        row.complain("'until' lies before 'time'", mend="Correct one of the two times")
    if low_c is not None and high_c is not None and low_c > high_c:
        row.complain(f"the low reading {low_c:g} °C is above the high reading {high_c:g} °C", mend="Swap them")
    text, who, reset = row.get("text", sheet.text) or "", row.get("who", sheet.text), row.get("reset", sheet.flag)
    return None if row.faults else LogEntry(time, kind, text, until, who, low_c, high_c, reset, row.line, unit)


def _degrees(row: sheet.Row, side: str) -> float | None:
    celsius, fahrenheit = row.get(f"{side}_c", sheet.number), row.get(f"{side}_f", sheet.number)
    if celsius is not None and fahrenheit is not None:
        row.complain(f"both {side}_c and {side}_f are given", mend="Give the reading in one unit")
    return float(physics.fahrenheit_to_celsius(fahrenheit)) if celsius is None and fahrenheit is not None else celsius
