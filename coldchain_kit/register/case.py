"""case.toml, read and validated into a plain object."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from coldchain_kit.base import Fault, RegisterError, nearest, toml
from coldchain_kit.register.site import Site, _is_file, find_files, load_site, matching

CASE_SHAPE = {
    "case": toml.Need({
        "id": toml.Need(toml.text), "title": toml.Need(toml.text), "unit": toml.text, "units": toml.texts, "site": toml.Need(toml.text),
        "start": toml.local_time, "end": toml.local_time, "found": {"time": toml.local_time, "by": toml.text}, "join_min": toml.minutes,
        "beside": toml.texts, "no_readings": toml.text, "earlier": toml.texts,
    }),
    "inputs": {
        "readings": toml.anything, "stock": toml.text, "allowances": toml.text, "logbook": toml.text, "attachments": toml.texts,
        "earlier": toml.texts,
    },
}  # fmt: skip

@dataclass(frozen=True)
class Case:
    """One investigation: which units, which window (UTC, half-open, None = open), which papers."""

    id: str
    title: str
    units: tuple[str, ...]
    site: Site
    path: Path
    start: pd.Timestamp | None = None
    end: pd.Timestamp | None = None
    found: dict[str, Any] | None = None
    join_min: float = 120.0
    readings: dict[str, tuple[Path, ...]] = field(default_factory=dict)
    stock: Path | None = None
    allowances: Path | None = None
    logbook: Path | None = None
    attachments: tuple[Path, ...] = ()
    earlier: tuple[Path, ...] = ()  # results.json of earlier frozen cases of the same lots
    beside: tuple[str, ...] = ()  # units looked at over the same hours; their downloads are in ``readings``, too
    no_readings: str | None = None  # why no deciding probe has a reading in the window, where people say so

    @property
    def folder(self) -> Path:
        """Where case.toml lies and people's entries stand."""
        return self.path.parent


def load_case(path: str | Path) -> Case:
    """Read case.toml, and the site.toml it names.

    Raises
    ------
    RegisterError
        Every fault at once: unknown keys, units that the register lacks, files that are not there.
    """
    path = Path(path)
    table = toml.load(path, CASE_SHAPE)
    head, inputs = table["case"], table.get("inputs", {})
    site_path = path.parent / head["site"]
    if not _is_file(site_path):
        raise RegisterError(f"there is no site file '{head['site']}'", where=toml.locate(path, "case", "site"), mend="The path is relative to the case file")
    site = load_site(site_path)
    if "unit" in head and "units" in head:
        raise RegisterError("both 'unit' and 'units' are given", where=toml.locate(path, "case", "units"), mend="Keep one of them")
    names = tuple(head.get("units") or ([head["unit"]] if "unit" in head else []))
    if not names:
        raise RegisterError("no unit is named", where=toml.locate(path, "case"), mend='Add unit = "…"')
    faults = [
        Fault(f"unit '{name}' is not in the register", toml.locate(path, "case", "unit"), "one of " + ", ".join(site.units), nearest(name, site.units))
        for name in names if name not in site.units
    ]  # fmt: skip
    beside = tuple(dict.fromkeys(head.get("beside", ())))
    faults += _beside(beside, names, site, path)
    if "no_readings" in head and not head["no_readings"].strip():
        faults.append(Fault("'no_readings' is empty", toml.locate(path, "case", "no_readings"), mend="Say why there are none, such as \"the logger is dead\""))
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._\-]{0,63}", head["id"]):
        faults.append(Fault(f"case id '{head['id'][:80]}'", toml.locate(path, "case", "id"), "letters, digits, dot, dash, underscore, at most 64"))
    start, end = (site.instant(head[key], closing=key == "end") if key in head else None for key in ("start", "end"))
    if start is not None and end is not None and end <= start:
        faults.append(Fault("the window ends before it starts", toml.locate(path, "case", "end"), "end after start"))
    papers: dict[str, Path | None] = {}
    for key in ("stock", "allowances", "logbook"):
        papers[key] = paper = path.parent / inputs[key] if key in inputs else None
        if paper is not None and not _is_file(paper):
            faults.append(Fault(f"there is no file '{inputs[key]}'", toml.locate(path, "inputs", key), mend="The path is relative to the case file"))
    if papers["logbook"] is None and site.logbook is not None:
        papers["logbook"] = sites_logbook(site)
    if faults:
        raise RegisterError(faults=faults)
    reason = head.get("no_readings", "").strip()
    readings = {name: _readings(site, name, inputs.get("readings"), names, path, may_lack=bool(reason)) for name in names}
    given = inputs.get("readings") if isinstance(inputs.get("readings"), dict) else None
    readings |= {name: _readings(site, name, given if given and name in given else None, (name,), path, may_lack=True) for name in beside}
    attachments = _attachments(path, inputs.get("attachments", ()))
    before = [(part, table[part]["earlier"]) for part in ("case", "inputs") if "earlier" in table.get(part, {})]
    earlier = tuple(dict.fromkeys(file for part, given in before for file in find_files(path.parent, given, toml.locate(path, part, "earlier"))))
    return Case(
        head["id"], head["title"], names, site, path, start, end, head.get("found"), float(head.get("join_min", 120.0)), readings, papers["stock"],
        papers["allowances"], papers["logbook"], attachments, earlier, beside, reason or None,
    )  # fmt: skip


def sites_logbook(site: Site) -> Path | None:
    """The site's own logbook, for months and for cases that name none; RegisterError where the file is not there."""
    if site.logbook is not None and not _is_file(site.logbook):
        raise RegisterError(f"there is no file '{site.logbook.name}'", where=toml.locate(site.path, "site", "logbook"), mend="The path is relative to site.toml")
    return site.logbook


def _beside(given: Sequence[str], names: tuple[str, ...], site: Site, path: Path) -> list[Fault]:
    """What is wrong with the units that the case wants looked at beside its own."""
    where = toml.locate(path, "case", "beside")
    unknown = [Fault(f"unit '{name}' is not in the register", where, "one of " + ", ".join(site.units), nearest(name, site.units)) for name in given if name not in site.units]
    return unknown + [Fault(f"unit '{name}' stands in the case and beside it", where, mend="Keep one of them") for name in given if name in names]


def _attachments(path: Path, patterns: list[str] | tuple[str, ...]) -> tuple[Path, ...]:
    """Files that the patterns name; a pattern with a wildcard may find none, a plain name may not."""
    where = toml.locate(path, "inputs", "attachments")
    found: list[Path] = []
    for pattern in patterns:
        wild = any(mark in pattern for mark in "*?[")
        if wild and Path(pattern).is_absolute():
            raise RegisterError(f"attachments '{pattern}'", where=where, expected="patterns relative to the case file")
        found += matching(path.parent, pattern, where) if wild else find_files(path.parent, [pattern], where)
    return tuple(dict.fromkeys(found))


def _readings(site: Site, unit: str, given: Any, names: tuple[str, ...], path: Path, *, may_lack: bool = False) -> tuple[Path, ...]:
    """Downloads of a unit; ``may_lack``: there may be none (a lost logger, a unit that is only looked at)."""
    base, where = path.parent, toml.locate(path, "inputs", "readings")
    if isinstance(given, dict):
        given = given.get(unit)
    elif given is not None and len(names) > 1:
        raise RegisterError("one list of readings for several units", where=where, mend='Say which belongs to which: readings = { F2 = ["…"], F3 = ["…"] }')
    if given is None:
        given, base, where = list(site.units[unit].readings), site.path.parent, toml.locate(site.path, "units", unit, "readings")
    if may_lack and not given:
        return ()
    if not given or toml.texts(given):
        raise RegisterError(f"no readings are named for unit '{unit}'", where=where, expected='readings = ["downloads/*.csv"]')
    if may_lack:
        return tuple(dict.fromkeys(hit for pattern in given for hit in matching(base, pattern, where)))
    return find_files(base, given, where)
