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

KINDS = ("refrigerator", "freezer", "ultra_low", "cold_room", "room", "shipper")

_ALARM = {"enabled": toml.flag, "low_c": toml.number, "high_c": toml.number, "low_f": toml.number, "high_f": toml.number, "delay_min": toml.number}
_LOGGER = {
    "serial": toml.text, "model": toml.text, "interval_min": toml.positive, "clock": toml.text, "set_on": toml.date,
    "clock_checks": toml.time_pairs, "temperature_unit": toml.one_of("C", "F", "K"), "date_order": toml.one_of("dmy", "mdy", "ymd"),
    "alarm": _ALARM, "memory_readings": toml.whole, "when_full": toml.one_of("stop", "overwrite"), "backup_hours": toml.number,
    "events_kept": toml.whole, "range_c": toml.pair,
}  # fmt: skip
_CERTIFICATE = {
    "number": toml.text, "date": toml.date, "due": toml.date, "expanded_uncertainty_c": toml.positive, "coverage": toml.positive,
    "points": toml.correction, "as_found": toml.points, "tolerance_c": toml.positive, "laboratory": toml.text, "drift_c_per_year": toml.number,
}  # fmt: skip
_PROBE = {
    "column": toml.text, "role": toml.one_of("buffered", "air", "room", "surface"), "time_constant_min": toml.positive,
    "resolution_c": toml.positive, "span_c": toml.pair, "decides": toml.flag, "certificate": _CERTIFICATE,
    "certificates": toml.Many({**_CERTIFICATE, "from": toml.date}), "place": toml.text,
}  # fmt: skip
_UNIT = {
    "description": toml.text, "kind": toml.Need(toml.one_of(*KINDS)), "condition": toml.text, "readings": toml.texts, "logger": _LOGGER,
    "settings": toml.Many({**_LOGGER, "from": toml.Need(toml.anything)}), "probes": toml.Each(_PROBE),
    "channels": toml.Each({"column": toml.Need(toml.text), "kind": toml.Need(toml.one_of("door", "power", "humidity", "battery"))}),
    "room": toml.text, "place": toml.text,
}  # fmt: skip
_CONDITION = {
    "title": toml.text, "low_c": toml.number, "high_c": toml.number, "low_f": toml.number, "high_f": toml.number,
    "mkt": {"limit_c": toml.Need(toml.number), "window_hours": toml.Need(toml.positive), "direction": toml.one_of("back", "forward", "both")},
    "freeze_c": toml.number, "activation_energy_kj_mol": toml.positive, "source": toml.text, "do_not_freeze": toml.flag, "frozen": toml.flag,
    "document": toml.text, "edition": toml.text,
}  # fmt: skip
SITE_SHAPE = {
    "site": toml.Need({
        "name": toml.Need(toml.text), "timezone": toml.Need(toml.text), "checks_per_day": toml.whole, "open_days": toml.anything,
        "deviation_classes": toml.anything, "contacts": toml.anything, "address": toml.text, "outcomes": toml.anything, "exercise": toml.flag,
        "demonstration": toml.flag, "product_time_constant_min": toml.range_above_zero, "product_time_constant_source": toml.text,
    }),
    "conditions": toml.Each(_CONDITION),
    "units": toml.Need(toml.Each(_UNIT)),
}  # fmt: skip
@dataclass(frozen=True)
class Alarm:
    """The logger's own alarm as set: limits [°C], delay [min], on or off; None = not known."""

    enabled: bool | None = None
    low_c: float | None = None
    high_c: float | None = None
    delay_min: float | None = None


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


@dataclass(frozen=True)
class Logger:
    """What is known about a logger and its settings at one time."""

    serial: str | None = None
    model: str | None = None
    interval_min: float | None = None
    clock: str | None = None
    set_on: dt.date | None = None
    clock_checks: tuple[tuple[dt.datetime, dt.datetime], ...] = ()
    temperature_unit: str | None = None
    date_order: str | None = None
    alarm: Alarm | None = None
    memory_readings: int | None = None
    when_full: str | None = None
    backup_hours: float | None = None
    events_kept: int | None = None
    range_c: tuple[float, float] | None = None


@dataclass(frozen=True)
class UnitEntry:
    """A unit of the register. ``settings``: (from, Logger) pairs in order of time, local and naive; the first is ``logger``."""

    name: str
    kind: str
    description: str
    condition: conditions.Condition
    readings: tuple[str, ...] = ()
    logger: Logger = field(default_factory=Logger)
    settings: tuple[tuple[dt.datetime, Logger], ...] = ()
    probes: dict[str, ProbeEntry] = field(default_factory=dict)
    channels: dict[str, tuple[str, str]] = field(default_factory=dict)  # name -> (column, kind)
    room: str | None = None  # another unit of the site whose probe is this one's room


@dataclass(frozen=True)
class Site:
    """A place with a register. ``path`` is where site.toml lies; ``extra`` the site's own keys."""

    name: str
    timezone: str
    path: Path
    units: dict[str, UnitEntry]
    conditions: dict[str, conditions.Condition]
    extra: dict[str, Any] = field(default_factory=dict)

    def unit(self, name: str) -> UnitEntry:
        """The unit of that name; raises RegisterError naming the nearest."""
        if name not in self.units:
            raise RegisterError(f"unit '{name}' is not in the register", where=self.path.name, expected="one of " + ", ".join(self.units), mend=nearest(name, self.units))
        return self.units[name]

    def instant(self, local: dt.datetime | pd.Timestamp) -> pd.Timestamp:
        """UTC of a local, naive time; a repeated hour counts as its first pass, a skipped one moves forward."""
        return zones.instant(local, zone=self.timezone)


def load_site(path: str | Path) -> Site:
    """Read site.toml.

    Raises
    ------
    RegisterError
        Every fault of the file at once, each with its line.
    """
    path = Path(path)
    table = toml.load(path, SITE_SHAPE)
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
        elif local[name].low is None and local[name].high is None:
            faults.append(Fault(f"condition '{name}' has no limit, so nothing would lie outside it", toml.locate(path, "conditions", name), "low_c, high_c or both"))
        elif local[name].low is not None and local[name].high is not None and local[name].low >= local[name].high:
            faults.append(Fault(f"condition '{name}' has its low limit at or above its high one", toml.locate(path, "conditions", name), mend="Swap the two limits"))
    units: dict[str, UnitEntry] = {}
    for name, given in table["units"].items():
        try:
            units[name] = _unit(name, given, local, path)
        except RegisterError as fault:
            faults.extend(fault.faults)
    if faults:
        raise RegisterError(faults=faults)
    extra = {key: value for key, value in head.items() if key not in ("name", "timezone")}
    return Site(head["name"], head["timezone"], path, units, local, extra)


def _unit(name: str, given: dict, local: dict, path: Path) -> UnitEntry:
    if not re.fullmatch(r"[\w .\-]{1,80}", name):
        raise RegisterError(f"unit name '{name}'", where=toml.locate(path, "units", name), expected="letters, digits, space, dot, dash, at most 80")
    wanted = given.get("condition") or {"refrigerator": "refrigerated", "freezer": "frozen"}.get(given["kind"])
    if wanted is None:
        raise RegisterError(f"unit '{name}' has no storage condition", where=toml.locate(path, "units", name), mend='Add condition = "…", as on the label')
    known = {**conditions.built_in(), **local}
    if wanted not in known:
        raise RegisterError(f"storage condition '{wanted}' is not known", where=toml.locate(path, "units", name, "condition"), expected="one of " + ", ".join(sorted(known)), mend=nearest(wanted, known))
    logger = _logger(given.get("logger", {}), Logger(), path, name)
    settings = []
    current = logger
    for row in sorted(given.get("settings", ()), key=lambda row: str(row["from"])):
        since = row["from"]
        if not isinstance(since, dt.date):
            raise RegisterError(f"settings of '{name}' start at '{since}'", where=toml.locate(path, "units", name, "settings"), expected="a date or local time")
        current = _logger({key: value for key, value in row.items() if key != "from"}, current, path, name)
        settings.append((since if isinstance(since, dt.datetime) else dt.datetime.combine(since, dt.time()), current))
    return UnitEntry(
        name=name, kind=given["kind"], description=given.get("description", name), condition=known[wanted], readings=tuple(given.get("readings", ())),
        logger=logger, settings=tuple(settings), probes=_probes(given.get("probes", {}), given["kind"]),
        channels={key: (row["column"], row["kind"]) for key, row in given.get("channels", {}).items()}, room=given.get("room"),
    )  # fmt: skip


def _logger(given: dict, before: Logger, path: Path, unit: str) -> Logger:
    changes: dict[str, Any] = dict(given)
    clock = changes.get("clock")
    if clock and clock not in ("local", "as_set", "utc") and not re.fullmatch(r"[+-](0\d|1[0-4]):[0-5]\d", clock):
        raise RegisterError(f"clock is '{clock}'", where=toml.locate(path, "units", unit, "logger", "clock"), expected='local, as_set (with set_on), utc or an offset such as "+01:00"')
    if clock == "as_set" and not changes.get("set_on", before.set_on):
        raise RegisterError("clock is 'as_set' and the day it was set is not given", where=toml.locate(path, "units", unit, "logger", "clock"), mend="Add set_on = 2026-07-01, the day the clock was set")
    if "alarm" in changes:
        alarm = dict(changes["alarm"])
        for side in ("low", "high"):
            if f"{side}_f" in alarm:
                alarm[f"{side}_c"] = round((alarm.pop(f"{side}_f") - 32) / 1.8, 6)
        changes["alarm"] = replace(before.alarm or Alarm(), **alarm)
    for key in ("clock_checks", "range_c"):
        if key in changes:
            changes[key] = tuple(tuple(row) for row in changes[key]) if key == "clock_checks" else tuple(changes[key])
    return replace(before, **changes)


def _probes(given: dict, kind: str) -> dict[str, ProbeEntry]:
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
        probe = Probe(name, role, decides, row.get("time_constant_min"), row.get("resolution_c"), tuple(span) if span else None, row.get("column"))
        rows = [row["certificate"]] if "certificate" in row else []
        rows += row.get("certificates", [])
        entries[name] = ProbeEntry(probe, row.get("decides"), tuple(sorted(map(_certificate, rows), key=lambda c: c.valid_from or c.date or dt.date.min)), row.get("place"))
    return entries


def _certificate(row: dict) -> Certificate:
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
