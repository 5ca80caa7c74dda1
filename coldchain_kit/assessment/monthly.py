"""A unit's month: the same computation as a case, over one calendar month of the site's local time."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from pathlib import Path

from coldchain_kit import register
from coldchain_kit.assessment import investigation
from coldchain_kit.assessment.investigation import Assessment
from coldchain_kit.assessment.window import NoReadings
from coldchain_kit.base import KitError, sha256
from coldchain_kit.model import ProbeRow
from coldchain_kit.register import Case, Site

_PLAIN, _HASHED = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,54}"), re.compile(r"-x[0-9a-f]{12}$")
FINAL = "the month was closed without a download of this unit"


def case(site: Site, *, unit: str, month: str, final: bool = False) -> Case:
    """The month as a case without papers, its window the whole local month.

    Parameters
    ----------
    final : bool
        Nobody waits for a download any more: a month without any reading is unknown, and said to be.

    Raises
    ------
    NoReadings
        No download of the unit is there yet, and ``final`` is not set.
    KitError
        ``month`` is not YYYY-MM, or the unit is not in the register or names no readings.
    """
    start, end = span(month)
    entry = site.unit(unit)
    where = f"{site.path.name} unit {unit}"
    if not entry.readings:
        raise KitError("no readings are named", where=where, mend='Add readings = ["downloads/…"]')
    wild = all(any(mark in pattern for mark in "*?[") for pattern in entry.readings)
    files = tuple(dict.fromkeys(hit for pattern in entry.readings for hit in register.matching(site.path.parent, pattern, where))) if wild else ()
    if wild and not files and not final:
        raise NoReadings(f"no download is there: no file matches {', '.join(entry.readings)}", where=where, mend="Read the logger out into that folder; the names are relative to the register")
    files = files or (() if wild else register.find_files(site.path.parent, entry.readings, where))
    return Case(
        number(unit, month), f"{unit}, {month}: monthly summary", (unit,), site, site.path, site.instant(start), site.instant(end), readings={unit: files},
        logbook=register.sites_logbook(site), no_readings=FINAL if final else None,
    )  # fmt: skip


def number(unit: str, month: str) -> str:
    """Name of a unit's month: the unit's own where every file system can carry it, else its letters and a hash of it.

    Two units never share one: a name that looks like such a hashed one is hashed itself.

    Examples
    --------
    >>> number("F2", "2026-03"), number("Kühl 1", "2026-03"), number("Шафа", "2026-03")
    ('F2-2026-03', 'K-hl-1-x40dcd98f2b78-2026-03', 'unit-x0b82e736d206-2026-03')
    """
    if _PLAIN.fullmatch(unit) and not _HASHED.search(unit) and not unit.endswith("."):
        return f"{unit}-{month}"
    letters = re.sub(r"[^A-Za-z0-9._-]+", "-", unit)[:40].strip(".-_") or "unit"
    return f"{letters}-x{sha256(unit.encode('utf-8', 'surrogatepass'))[:12]}-{month}"


def span(month: str) -> tuple[dt.datetime, dt.datetime]:
    """First local instant of a month and of the next.

    Examples
    --------
    >>> span("2026-02")[1]
    datetime.datetime(2026, 3, 1, 0, 0)
    """
    if not re.fullmatch(r"\d{4}-(0[1-9]|1[0-2])", month):
        raise KitError(f"month is '{month}'", expected="YYYY-MM, for example 2026-02")
    year, number = map(int, month.split("-"))
    return dt.datetime(year, number, 1), dt.datetime(year + number // 12, number % 12 + 1, 1)


def assess(site: str | Path | Site, *, unit: str, month: str, final: bool = False) -> Assessment:
    """The month's assessment of one unit; ``final``: one without a reading is unknown, else refused."""
    site = site if isinstance(site, Site) else register.load_site(site, keep_going=True)
    return investigation.assess(case(site, unit=unit, month=month, final=final))


def incomplete(probes: Sequence[ProbeRow[str]]) -> list[str]:
    """Why a month is not whole: gaps of its deciding probes, one plain line each; empty where the record is complete.

    Parameters
    ----------
    probes : rows of CONTRACTS ``probes[]``
    """
    lines = []
    for probe in probes:
        if probe["decides"] and probe["gaps"]:
            hours = sum(gap["minutes"] for gap in probe["gaps"]) / 60
            count = len(probe["gaps"])
            lines.append(f"unit {probe['unit']}, probe {probe['probe']}: {hours:.1f} h without readings in {count} gap{'s' if count > 1 else ''}")
    return lines
