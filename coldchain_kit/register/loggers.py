"""The loggers of a unit: what is known of each, how it was set, and since when."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from coldchain_kit.base import RegisterError, nearest, toml

ALARM = {
    "enabled": toml.flag, "low_c": toml.temperature("c"), "high_c": toml.temperature("c"), "low_f": toml.temperature("f"),
    "high_f": toml.temperature("f"), "delay_min": toml.zero_or_more,
}  # fmt: skip
LOGGER = {
    "serial": toml.text, "model": toml.text, "interval_min": toml.intervals, "clock": toml.text, "set_on": toml.since,
    "clock_checks": toml.time_pairs, "temperature_unit": toml.one_of("C", "F", "K"), "date_order": toml.one_of("dmy", "mdy", "ymd"),
    "alarm": ALARM, "memory_readings": toml.whole, "when_full": toml.one_of("stop", "overwrite"), "backup_hours": toml.zero_or_more,
    "events_kept": toml.whole, "range_c": toml.pair,
}  # fmt: skip


@dataclass(frozen=True)
class Alarm:
    """The logger's own alarm as set: limits [°C], delay [min], on or off; None = not known."""

    enabled: bool | None = None
    low_c: float | None = None
    high_c: float | None = None
    delay_min: float | None = None


@dataclass(frozen=True)
class Logger:
    """What is known about a logger and its settings at one time. ``interval_min``: every step it is said to take [min]; empty: not known."""

    serial: str | None = None
    model: str | None = None
    interval_min: tuple[float, ...] = ()
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


Settings = tuple[tuple[dt.datetime, Logger], ...]


@dataclass(frozen=True)
class LoggerEntry:
    """One of several loggers of a unit: how it is set, dated changes of that (local, naive, in order of time), its downloads."""

    logger: Logger = field(default_factory=Logger)
    settings: Settings = ()
    readings: tuple[str, ...] = ()


def of_unit(given: dict[str, Any], path: Path, unit: str) -> tuple[LoggerEntry, dict[str, LoggerEntry]]:
    """The unit's own logger, and its named ones (none where it has one logger without a name).

    Raises
    ------
    RegisterError
        Both kinds at once; settings that do not say whose they are; a clock that cannot be.
    """
    named, rows = given.get("loggers", {}), given.get("settings", ())
    if named and "logger" in given:
        where = toml.locate(path, "units", unit, "logger")
        raise RegisterError(f"unit '{unit}' has both [units.{unit}.logger] and [units.{unit}.loggers]", where=where, mend="Give every logger a name under loggers")
    if not named:
        stray = next((row["logger"] for row in rows if "logger" in row), None)
        if stray is not None:
            where = toml.locate(path, "units", unit, "settings")
            raise RegisterError(f"settings of '{unit}' name logger '{stray}', but the unit has one logger without a name", where=where, mend="Leave logger = … out")
        return _entry(given.get("logger", {}), rows, path, unit, "logger"), {}
    shared: dict[str, list[dict[str, Any]]] = {name: [] for name in named}
    for row in rows:
        shared[whose(row.get("logger"), named, path, unit, "settings", what="settings")].append(row)
    return LoggerEntry(), {name: _entry(table, shared[name], path, unit, "loggers", name) for name, table in named.items()}


def whose(name: str | None, named: Sequence[str] | dict[str, Any], path: Path, unit: str, *keys: str, what: str) -> str:
    """The logger that something of a unit belongs to; RegisterError where it names none of several, or one that is not there."""
    where = toml.locate(path, "units", unit, *keys)
    listed = ", ".join(named)
    if name is None and len(named) == 1:
        return next(iter(named))
    if name is None:
        raise RegisterError(f"{what} of unit '{unit}' do not say which logger is meant", where=where, expected=f"one of {listed}", mend='Add logger = "…"')
    if name not in named:
        raise RegisterError(f"{what} of unit '{unit}' name logger '{name}'", where=where, expected=f"one of {listed}", mend=nearest(name, named))
    return name


def _entry(given: dict[str, Any], rows: Sequence[dict[str, Any]], path: Path, unit: str, *keys: str) -> LoggerEntry:
    own = {key: value for key, value in given.items() if key != "readings"}
    first = current = _logger(own, Logger(), path, unit, keys)
    settings = []
    for since, row in sorted(((_moment(row["from"]), row) for row in rows), key=lambda pair: pair[0]):
        current = _logger({key: value for key, value in row.items() if key not in ("from", "logger")}, current, path, unit, ("settings",))
        settings.append((since, current))
    return LoggerEntry(first, tuple(settings), tuple(given.get("readings", ())))


def _moment(since: dt.date) -> dt.datetime:
    return since if isinstance(since, dt.datetime) else dt.datetime.combine(since, dt.time())


def _logger(given: dict[str, Any], before: Logger, path: Path, unit: str, keys: tuple[str, ...]) -> Logger:
    changes: dict[str, Any] = dict(given)
    clock = changes.get("clock")
    if clock and clock not in ("local", "as_set", "utc") and not re.fullmatch(r"[+-](0\d|1[0-4]):[0-5]\d", clock):
        raise RegisterError(f"clock is '{clock}'", where=toml.locate(path, "units", unit, *keys, "clock"), expected='local, as_set (with set_on), utc or an offset such as "+01:00"')
    if clock == "as_set" and not changes.get("set_on", before.set_on):
        raise RegisterError("clock is 'as_set' and the day it was set is not given", where=toml.locate(path, "units", unit, *keys, "clock"), mend="Add set_on = 2026-07-01, the day the clock was set")
    if "alarm" in changes:
        alarm = dict(changes["alarm"])
        for side in ("low", "high"):
            if f"{side}_f" in alarm:
                alarm[f"{side}_c"] = round((alarm.pop(f"{side}_f") - 32) / 1.8, 6)
        changes["alarm"] = replace(before.alarm or Alarm(), **alarm)
    if "interval_min" in changes:
        given_min = changes["interval_min"]
        changes["interval_min"] = tuple(sorted({float(one) for one in (given_min if isinstance(given_min, list) else [given_min])}))
    for key in ("clock_checks", "range_c"):
        if key in changes:
            changes[key] = tuple(tuple(row) for row in changes[key]) if key == "clock_checks" else tuple(changes[key])
    return replace(before, **changes)
