"""site.toml and case.toml, read and validated into plain objects.

What a site does not state is None: "not known", never assumed.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pandas as pd

from coldchain_kit.base import Fault, RegisterError, nearest, toml, zones
from coldchain_kit.model import Probe, conditions
from coldchain_kit.register.loggers import LOGGER, Logger, LoggerEntry, Settings, of_unit, whose
from coldchain_kit.register.people import SITE_KEYS, TABLES, Notify, Person, of_site

KINDS = ("refrigerator", "freezer", "ultra_low", "cold_room", "room", "shipper")

_CERTIFICATE = {
    "number": toml.text, "date": toml.date, "due": toml.date, "expanded_uncertainty_c": toml.positive, "coverage": toml.coverage,
    "points": toml.correction, "as_found": toml.points, "tolerance_c": toml.positive, "laboratory": toml.text, "drift_c_per_year": toml.number,
}  # fmt: skip
_PROBE = {
    "column": toml.text, "role": toml.one_of("buffered", "air", "room", "surface"), "time_constant_min": toml.minutes,
    "resolution_c": toml.positive, "span_c": toml.pair, "decides": toml.flag, "certificate": _CERTIFICATE,
    "certificates": toml.Many({**_CERTIFICATE, "from": toml.since}), "logger": toml.text, "place": toml.text, "drift_c_per_year": toml.number,
}  # fmt: skip
_UNIT = {
    "description": toml.text, "kind": toml.Need(toml.one_of(*KINDS)), "condition": toml.text, "readings": toml.texts, "logger": LOGGER,
    "loggers": toml.Each({**LOGGER, "readings": toml.texts}), "settings": toml.Many({**LOGGER, "from": toml.Need(toml.since), "logger": toml.text}), "probes": toml.Each(_PROBE),
    "channels": toml.Each({"column": toml.Need(toml.text), "kind": toml.Need(toml.one_of("door", "power", "humidity", "battery")), "logger": toml.text}),
    "room": toml.text, "place": toml.text,
}  # fmt: skip
_CONDITION = {
    "title": toml.text, "low_c": toml.temperature("c"), "high_c": toml.temperature("c"), "low_f": toml.temperature("f"), "high_f": toml.temperature("f"),
    "mkt": {"limit_c": toml.Need(toml.temperature("c")), "window_hours": toml.Need(toml.hours), "direction": toml.one_of("back", "forward", "both")},
    "freeze_c": toml.temperature("c"), "activation_energy_kj_mol": toml.positive, "source": toml.text, "do_not_freeze": toml.flag, "frozen": toml.flag,
    "document": toml.text, "edition": toml.text,
}  # fmt: skip
SITE_SHAPE = {
    "site": toml.Need({
        "name": toml.Need(toml.text), "timezone": toml.Need(toml.text),
        "deviation_classes": toml.anything, "contacts": toml.anything, "address": toml.text, "outcomes": toml.anything, "exercise": toml.flag,
        "demonstration": toml.flag, **SITE_KEYS,
    }),
    **TABLES,
    "conditions": toml.Each(_CONDITION),
    "units": toml.Need(toml.Each(_UNIT)),
}  # fmt: skip


@dataclass(frozen=True)
class Certificate:
    """Calibration: ``points`` (reference °C, indicated °C), expanded uncertainty [°C] with its coverage factor."""

    number: str | None = None
    date: dt.date | None = None
    due: dt.date | None = None
    expanded_uncertainty_c: float | None = None
    coverage: float = 2.0
    points: tuple[tuple[float, float], ...] = ()
    as_found: tuple[tuple[float, float], ...] = ()
    tolerance_c: float | None = None
    laboratory: str | None = None
    drift_c_per_year: float | None = None
    valid_from: dt.date | None = None


@dataclass(frozen=True)
class ProbeEntry:
    """A probe of the register with its certificates, oldest first."""

    probe: Probe
    decides: bool | None = None
    certificates: tuple[Certificate, ...] = ()
    place: str | None = None
    drift_c_per_year: float | None = None  # [°C a year], where no certificate states one


@dataclass(frozen=True)
class UnitEntry:
    """A unit of the register. ``settings``: (from, Logger) pairs in order of time, local and naive; before the first ``logger`` holds.

    ``loggers``: where it has several, each under its name with its own settings and downloads; ``logger`` and ``settings`` are empty then,
    and :meth:`of_logger` gives the unit as one of them sees it.
    """

    name: str
    kind: str
    description: str
    condition: conditions.Condition
    readings: tuple[str, ...] = ()
    logger: Logger = field(default_factory=Logger)
    settings: Settings = ()
    probes: dict[str, ProbeEntry] = field(default_factory=dict)
    channels: dict[str, tuple[str, str]] = field(default_factory=dict)  # name -> (column, kind)
    room: str | None = None  # another unit of the site whose probe is this one's room
    loggers: dict[str, LoggerEntry] = field(default_factory=dict)
    channel_loggers: dict[str, str] = field(default_factory=dict)  # channel -> logger, where there are several

    def of_logger(self, name: str | None) -> UnitEntry:
        """The unit with this logger's settings, downloads, probes and channels only; itself where its logger has no name."""
        if name is None or name not in self.loggers:
            return self
        own = self.loggers[name]
        probes = {key: row for key, row in self.probes.items() if row.probe.logger == name}
        channels = {key: row for key, row in self.channels.items() if self.channel_loggers.get(key) == name}
        return replace(self, logger=own.logger, settings=own.settings, readings=own.readings, probes=probes, channels=channels, loggers={})

    def each_logger(self) -> dict[str | None, UnitEntry]:
        """The unit as each of its loggers sees it; under None where its logger has no name."""
        return {name: self.of_logger(name) for name in self.loggers} or {None: self}


@dataclass(frozen=True)
class Site:
    """A place with a register. ``path`` is where site.toml lies; ``extra`` the site's own keys as they stand.

    ``logbook``: the site's own, for months and for cases that name none. ``product_time_constant_min``: how fast and how slowly a
    pack of product follows the air, least and most [min], as the site states it, from ``product_time_constant_source``.
    """

    name: str
    timezone: str
    path: Path
    units: dict[str, UnitEntry]
    conditions: dict[str, conditions.Condition]
    extra: dict[str, Any] = field(default_factory=dict)
    logbook: Path | None = None
    language: str | None = None
    people: dict[str, Person] = field(default_factory=dict)
    notify: tuple[Notify, ...] = ()
    product_time_constant_min: tuple[float, float] | None = None
    product_time_constant_source: str | None = None
    checks_per_day: int | None = None
    open_days: tuple[str, ...] | None = None
    broken: dict[str, RegisterError] = field(default_factory=dict)  # units at fault, where the others are wanted all the same

    def unit(self, name: str) -> UnitEntry:
        """The unit of that name; raises RegisterError naming the nearest, or what is wrong with it in the register."""
        if name in self.broken:
            raise self.broken[name]
        if name not in self.units:
            raise RegisterError(f"unit '{name}' is not in the register", where=self.path.name, expected="one of " + ", ".join(self.units), mend=nearest(name, self.units))
        return self.units[name]

    def instant(self, local: dt.datetime | pd.Timestamp, *, closing: bool = False) -> pd.Timestamp:
        """UTC of a local, naive time; a repeated hour counts as its first pass, for the end of a span as its second; a skipped one moves forward."""
        return zones.instant(local, zone=self.timezone, first=not closing)


def load_site(path: str | Path, *, keep_going: bool = False) -> Site:
    """Read site.toml.

    Parameters
    ----------
    path : path of site.toml
    keep_going : bool
        Leave units at fault out, as ``Site.broken``, so that one unit's slip does not end the work on the others (months).

    Raises
    ------
    RegisterError
        Every fault of the file at once, each with its line; with ``keep_going`` those that concern more than a unit.
    """
    path = Path(path)
    table, parted = toml.load_parted(path, SITE_SHAPE, apart="units")
    broken = {name: RegisterError(faults=found) for name, found in parted.items()}
    faults: list[Fault] = []
    head = table["site"]
    try:
        zones.database(head["timezone"])
    except RegisterError as fault:
        faults += [replace(row, where=toml.locate(path, "site", "timezone")) for row in fault.faults]
    local = {name: conditions.from_table(name, given) for name, given in table.get("conditions", {}).items()}
    for name, given in table.get("conditions", {}).items():
        if {"low_c", "high_c"} & given.keys() and {"low_f", "high_f"} & given.keys():
            faults.append(Fault(f"condition '{name}' mixes degC and degF limits", toml.locate(path, "conditions", name), mend="Give both limits in one unit"))
        elif (low := local[name].low) is None and local[name].high is None:
            faults.append(Fault(f"condition '{name}' has no limit, so nothing would lie outside it", toml.locate(path, "conditions", name), "low_c, high_c or both"))
        elif low is not None and (high := local[name].high) is not None and low >= high:
            faults.append(Fault(f"condition '{name}' has its low limit at or above its high one", toml.locate(path, "conditions", name), mend="Swap the two limits"))
    units: dict[str, UnitEntry] = {}
    for name, given in table["units"].items():
        try:
            units[name] = _unit(name, given, local, path)
        except RegisterError as fault:
            broken[name] = fault
    if faults or (broken and not keep_going):
        raise RegisterError(faults=faults + [fault for error in broken.values() for fault in error.faults])
    extra = {key: value for key, value in head.items() if key not in ("name", "timezone")}
    return Site(head["name"], head["timezone"], path, units, local, extra, broken=broken, **of_site(table, path))


def _unit(name: str, given: dict[str, Any], local: dict[str, Any], path: Path) -> UnitEntry:
    if not re.fullmatch(r"[\w .\-]{1,80}", name):
        raise RegisterError(f"unit name '{name}'", where=toml.locate(path, "units", name), expected="letters, digits, space, dot, dash, at most 80")
    wanted = given.get("condition") or {"refrigerator": "refrigerated", "freezer": "frozen"}.get(given["kind"])
    if wanted is None:
        raise RegisterError(f"unit '{name}' has no storage condition", where=toml.locate(path, "units", name), mend='Add condition = "…", as on the label')
    known = {**conditions.built_in(), **local}
    if wanted not in known:
        raise RegisterError(f"storage condition '{wanted}' is not known", where=toml.locate(path, "units", name, "condition"), expected="one of " + ", ".join(sorted(known)), mend=nearest(wanted, known))
    own, named = of_unit(given, path, name)
    globs = [*given.get("readings", ()), *(pattern for one in named.values() for pattern in one.readings)]
    channels = given.get("channels", {})
    channel_loggers = {key: whose(row.get("logger"), named, path, name, "channels", key, what=f"channel '{key}'") for key, row in channels.items()} if named else {}
    return UnitEntry(
        name=name, kind=given["kind"], description=given.get("description", name), condition=known[wanted], readings=tuple(dict.fromkeys(globs)),
        logger=own.logger, settings=own.settings, probes=_probes(given.get("probes", {}), given["kind"], named, path, name),
        channels={key: (row["column"], row["kind"]) for key, row in channels.items()}, room=given.get("room"), loggers=named,
        channel_loggers=channel_loggers,
    )  # fmt: skip


def _probes(given: dict[str, Any], kind: str, named: dict[str, LoggerEntry], path: Path, unit: str) -> dict[str, ProbeEntry]:
    default = "room" if kind == "room" else "unknown"
    roles = {name: row.get("role", default) for name, row in given.items()}
    buffered = "buffered" in roles.values()
    entries = {}
    for name, row in given.items():
        role = roles[name]
        decides = row.get("decides")
        if decides is None:
            decides = role == "buffered" or (role in ("air", "unknown") and not buffered) or kind == "room" and role == "room"
        span = row.get("span_c")
        if not named and "logger" in row:
            where = toml.locate(path, "units", unit, "probes", name, "logger")
            raise RegisterError(f"probe '{name}' names logger '{row['logger']}', but unit '{unit}' has no [units.{unit}.loggers.{row['logger']}]", where=where, mend="Add that table, or leave logger = … out")
        logger = whose(row.get("logger"), named, path, unit, "probes", name, what=f"probe '{name}'") if named else None
        probe = Probe(name, role, decides, row.get("time_constant_min"), row.get("resolution_c"), tuple(span) if span else None, row.get("column"), logger=logger)
        rows = [row["certificate"]] if "certificate" in row else []
        rows += row.get("certificates", [])
        rate = row.get("drift_c_per_year")
        papers = [replace(paper, drift_c_per_year=rate) if paper.drift_c_per_year is None else paper for paper in map(_certificate, rows)]
        entries[name] = ProbeEntry(probe, row.get("decides"), tuple(sorted(papers, key=lambda c: str(c.valid_from or c.date or ""))), row.get("place"), rate)
    return entries


def _certificate(row: dict[str, Any]) -> Certificate:
    given = {key: value for key, value in row.items() if key != "from"}
    for key in ("points", "as_found"):
        if key in given:
            given[key] = tuple((float(a), float(b)) for a, b in given[key])
    return Certificate(**given, valid_from=row.get("from"))


def find_files(base: Path, patterns: list[str] | tuple[str, ...], where: str) -> tuple[Path, ...]:
    """Files that patterns name, each once, in a fixed order; raises RegisterError where a pattern finds nothing."""
    found: dict[Path, None] = {}
    for pattern in patterns:
        hits = matching(base, pattern, where)
        if not hits:
            raise RegisterError(f"no file matches '{pattern}'", where=where, mend="The path is relative to that file; check the folder and the ending")
        found.update(dict.fromkeys(hits))
    return tuple(found)


def matching(base: Path, pattern: str, where: str) -> list[Path]:
    """Files that one name or pattern finds, in a fixed order, perhaps none; raises RegisterError for what can name no file."""
    plain = base / pattern
    if _is_file(plain):
        return [plain]
    folder, rest = (plain.parent, plain.name) if Path(pattern).is_absolute() else (base, pattern)
    try:
        return sorted(hit for hit in folder.glob(rest) if _is_file(hit))
    except (ValueError, IndexError, OSError):  # IndexError: pathlib's answer to "."
        raise RegisterError(f"'{pattern[:80]}' names no file", where=where, expected="a file's name, or a pattern such as downloads/*.csv") from None


def _is_file(path: Path) -> bool:
    """Whether a file is there; a name that the system refuses is none."""
    try:
        return path.is_file()
    except OSError:
        return False
