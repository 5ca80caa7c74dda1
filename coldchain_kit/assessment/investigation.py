"""The whole computation in one call: ``assess(case) -> Assessment``. Files in, one canonical result out."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pandas as pd

from coldchain_kit import causes, downloads, excursions, exposure, lots, quality, register
from coldchain_kit.assessment import results
from coldchain_kit.base import KitError
from coldchain_kit.excursions import episodes
from coldchain_kit.exposure import estimates
from coldchain_kit.model import Trace, Unit, plain
from coldchain_kit.quality import alarms, calibration, decision
from coldchain_kit.register import Case, Site, UnitEntry, logbook, stock


@dataclass(frozen=True)
class Window:
    """The span a case looks at: half-open; ``stop`` lies just past ``end`` where no end was declared, so that the last reading counts.

    ``declared_start``: None where the case states no start, so that ``start`` is the first reading.
    """

    start: pd.Timestamp
    end: pd.Timestamp
    stop: pd.Timestamp
    declared_start: pd.Timestamp | None = None


@dataclass(frozen=True)
class Assessment:
    """All that was computed for a case.

    ``units``: name -> Unit with corrected, flagged traces; ``room``: the room's trace where there is one;
    ``results``: the canonical result (CONTRACTS "Results"), JSON-ready; ``lots`` and ``logbook`` as read.
    """

    case: Case
    window: Window
    units: dict[str, Unit]
    room: Trace | None
    results: dict[str, Any]
    lots: tuple = ()
    logbook: tuple = ()
    excursions: dict[str, pd.DataFrame] = field(default_factory=dict)

    @property
    def site(self) -> Site:
        """The case's site."""
        return self.case.site


def assess(case: str | Path | Case) -> Assessment:
    """Everything the kit has to say about a case, without a notebook.

    Parameters
    ----------
    case : path of case.toml, or a Case

    Raises
    ------
    KitError
        Input at fault: what, which file and line, how to mend it.
    """
    case = case if isinstance(case, Case) else register.load_case(case)
    site = case.site
    book = logbook.read(case.logbook, site=site) if case.logbook else ()
    shelf = stock.read(case.stock, site=site, units=case.units) if case.stock else ()
    allowed = stock.read_allowances(case.allowances, lots=shelf) if case.allowances else ()
    units = {name: load_unit(site, name, case.readings[name], folder=case.folder) for name in case.units}
    window = _window(case, units)
    room = _room(case, units)
    parts = [_assess_unit(case, units[name], window, room, book) for name in case.units]
    found = {name: part["table"] for name, part in zip(case.units, parts, strict=True)}
    rows = {key: [row for part in parts for row in part[key]] for key in parts[0] if key != "table"}
    before = [row for path in case.earlier for row in lots.earlier(_earlier(path, case))]
    lot_rows = lots.assess(
        shelf, allowed, units, excursions=rows["excursions"], faults=rows["faults"], site=site, window=window, calibration=rows["calibration"],
        checks=rows["checks"], earlier=before,
    )  # fmt: skip
    document = {
        "schema": results.SCHEMA_ID,
        "case": {"id": case.id, "title": case.title, "units": list(case.units), "window": [window.start, window.end], "site": site.name, "timezone": site.timezone},
        **rows,
        "cause": causes.case(rows["episodes"], rows["excursions"], rows["faults"]),
        "lots": lot_rows,
    }
    return Assessment(case, window, units, room, plain(document), tuple(shelf), tuple(book), found)


def load_unit(site: Site, name: str, files: tuple[Path, ...], *, folder: Path) -> Unit:
    """A unit's record from its downloads: read, put on UTC, put together, corrected and flagged.

    Raises
    ------
    LayoutError, RegisterError
        A download without a readable temperature series, or one that does not fit the register.
    """
    entry = site.unit(name)
    hints = downloads.Hints(entry.logger.temperature_unit, entry.logger.date_order, tuple(row.probe.column or key for key, row in entry.probes.items()))
    loads = [load for path in files for load in downloads.read(path, hints=hints, shown=shown_name(path, folder, site.path.parent))]
    placed = [downloads.place(load, entry, zone=site.timezone) for load in loads]
    unit = downloads.join(entry, placed, zone=site.timezone)
    traces = {key: calibration.correct(trace, _certificates(entry, key), zone=site.timezone) for key, trace in unit.traces.items()}
    dated = [since for since, _ in alarms.settings(entry, zone=site.timezone) if since is not None]
    flagged = quality.run_all(
        traces,
        logger=entry.logger,
        notices=unit.notices,
        condition=entry.condition,
        dated=dated,
        channels=unit.channels,
    )
    return replace(unit, traces={key: quality.at_odds(trace, unit.conflicts).checked() for key, trace in flagged.items()})


def shown_name(path: Path, folder: Path, base: Path) -> str:
    """A file's name in results: relative to the case, else to the site; never absolute.

    Examples
    --------
    >>> shown_name(Path("tern_bay/downloads/F2.csv"), Path("tern_bay/cases/2026-014"), Path("tern_bay"))
    'downloads/F2.csv'
    >>> shown_name(Path("elsewhere/F2.csv"), Path("tern_bay/cases/2026-014"), Path("tern_bay"))
    'F2.csv'
    """
    for root in (folder.resolve(), base.resolve()):
        if path.resolve().is_relative_to(root):
            return path.resolve().relative_to(root).as_posix()
    return path.name


def _certificates(entry: UnitEntry, probe: str) -> tuple:
    return entry.probes[probe].certificates if probe in entry.probes else ()


def _window(case: Case, units: dict[str, Unit]) -> Window:
    times = [trace.readings.index for unit in units.values() for trace in unit.traces.values() if len(trace.readings)]
    if not times:
        raise KitError("no unit of the case has a reading", where=case.path.name, mend="Check the files named under readings")
    first, last = min(index[0] for index in times), max(index[-1] for index in times)
    start, end = case.start or first, case.end or last
    if end <= start:
        raise KitError("no reading lies in the case's window", where=case.path.name, mend="Compare start and end with the times in the downloads")
    stop = end if case.end is not None else end + pd.Timedelta(1, "us")
    return Window(start, end, stop, case.start)


def _room(case: Case, units: dict[str, Unit]) -> Trace | None:
    """The room's trace: a room probe of a unit of the case, else the unit the register names, else the site's one room."""
    for unit in units.values():
        for trace in unit.traces.values():
            if trace.probe.role == "room":
                return trace
    name = room_unit(case)
    if name is None:
        return None
    files = case.readings.get(name) or register.find_files(case.site.path.parent, case.site.units[name].readings, case.site.path.name)
    unit = units.get(name) or load_unit(case.site, name, files, folder=case.folder)
    return next(iter(unit.traces.values()), None)


def room_unit(case: Case) -> str | None:
    """The unit whose probe shows the room's temperature, or None."""
    for name in case.units:
        if case.site.units[name].room:
            return case.site.unit(case.site.units[name].room).name
    rooms = [name for name, entry in case.site.units.items() if entry.kind == "room" and entry.readings]
    return rooms[0] if len(rooms) == 1 and rooms[0] not in case.units else None


def _assess_unit(case: Case, unit: Unit, window: Window, room: Trace | None, book: tuple) -> dict[str, Any]:
    """Every row of the results that one unit gives."""
    entry = case.site.units[unit.name]
    condition = entry.condition
    deciding = [trace for trace in unit.traces.values() if trace.probe.decides]
    faults = quality.faults(unit, condition=condition, logger=entry.logger, start=window.start, end=window.stop)
    table = _excursions(deciding, entry, window, unit.name)
    table["logger_alarm"] = alarms.compare(table, unit, entry, zone=case.site.timezone)
    rows = table.to_dict("records")
    groups = episodes.group(table, join_min=case.join_min) if len(table) else []
    checks = alarms.checks(book, unit, entry, start=window.start, end=window.stop)
    state = calibration.state(entry, window.start, window.end, zone=case.site.timezone)
    episode_rows = []
    for number, group in enumerate(groups, 1):
        members = [row for row in rows if row["id"] in group["excursions"]]
        row = {"id": f"{unit.name}-P{number}", "unit": unit.name, **{key: group[key] for key in ("direction", "excursions", "start", "end", "recurrent")}}
        ranked = causes.weigh(row, unit, condition=condition, kind=entry.kind, room=room, logbook=book, faults=faults, excursions=members, zone=case.site.timezone)
        episode_rows.append({**row, "causes": ranked})
    hidden = [estimates.rows(trace, table, room=room, high_c=condition.limit_c("above"), start=window.start, end=window.stop) for trace in deciding]
    answer, reasons = quality.believable(unit, faults=faults, start=window.start, end=window.stop, calibration=state)
    probes = [
        results.probe_row(trace, condition, unit=unit.name, start=window.start, end=window.end, stop=window.stop, u_from=calibration.u_from(trace))
        for trace in unit.traces.values()
    ]
    return {
        "table": table,
        "sources": [{"unit": unit.name, **results.source_row(source)} for source in unit.sources],
        "probes": probes,
        "mkt": [{"unit": unit.name, **row} for trace in deciding for row in exposure.mkt_rows(trace, condition, excursions=table[table["probe"] == trace.probe.name] if len(table) else table, start=window.start, end=window.stop)],
        "excursions": rows,
        "near_limit": [{"unit": unit.name, **row} for trace in deciding for row in excursions.near_limit(trace, condition).to_dict("records") if _overlaps(row, window)],
        "conflicts": list(unit.conflicts),
        "episodes": episode_rows,
        "faults": faults,
        "bands": [{"unit": unit.name, **row} for trace in deciding for row in exposure.bands(trace, condition, start=window.start, end=window.stop)],
        "buffer": [{"unit": unit.name, **row} for part in hidden for row in part["buffer"]],
        "gap_estimates": [{"unit": unit.name, **row} for part in hidden for row in part["gap_estimates"]],
        "calibration": [{"unit": unit.name, **row} for row in state],
        "uncertainty": [{"unit": unit.name, **row} for trace in deciding for row in _uncertainty(trace, entry, rows, window, zone=case.site.timezone)],
        "alarm_guard": [{"unit": unit.name, **row} for trace in deciding for row in _alarm_guard(trace, entry)],
        "alarms": alarms.findings(unit, entry, logbook=book, zone=case.site.timezone),
        "checks": checks,
        "believable": [{"unit": unit.name, "answer": answer, "reasons": reasons}],
        "clock": [{"unit": unit.name, **unit.clock}],
    }  # fmt: skip


def _uncertainty(trace: Trace, entry: UnitEntry, excursions: list[dict[str, Any]], window: Window, *, zone: str) -> list[dict[str, Any]]:
    """Components of a probe's uncertainty: what is in U, and the lag and drift that stand beside it, at the fastest of its excursions."""
    probe, rates = trace.probe, []
    for row in excursions:
        minutes = (row["extreme_time"] - row["start"]) / pd.Timedelta(minutes=1)
        if row["probe"] == probe.name and minutes > 0:
            rates.append(abs(row["extreme_c"] - row["limit_c"]) / minutes)
    known = _certificates(entry, probe.name)
    which = calibration.in_force(trace.readings.index[-1:], known, zone=zone) if known and len(trace.readings) else [-1]
    lag_min = probe.time_constant_min if probe.role == "buffered" else None
    parts = calibration.budget(
        known[which[0]] if which[0] >= 0 else None, resolution_c=probe.resolution_c, on=window.end.date(), time_constant_min=lag_min, rate_c_per_min=max(rates, default=None)
    )  # fmt: skip
    return [{"probe": probe.name, **row} for row in parts]


def _alarm_guard(trace: Trace, entry: UnitEntry) -> list[dict[str, Any]]:
    """Where an alarm would stand with a guard band of U, the limit less U. For setting alarms only."""
    u_c = trace.readings["u_c"].max()
    limits = [(side, entry.condition.limit_c(side)) for side in ("below", "above")]
    return [
        {"probe": trace.probe.name, "direction": side, "limit_c": limit, "alarm_c": decision.alarm_limit(limit, 2.0 * u_c, side)}
        for side, limit in limits if limit is not None and pd.notna(u_c)
    ]  # fmt: skip


def _earlier(path: Path, case: Case) -> dict[str, Any]:
    """The results of an earlier frozen case of the same lots."""
    try:
        found = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        found = None
    if not isinstance(found, dict) or found.get("schema") != results.SCHEMA_ID:
        raise KitError(f"'{path.name}' holds no results of a case", where=f"{case.path.name} earlier", expected="data/results.json of a frozen record")
    if found["case"]["id"] == case.id:
        raise KitError(f"'{path.name}' is this very case", where=f"{case.path.name} earlier", mend="Name earlier cases only")
    return found


def _excursions(deciding: list[Trace], entry: UnitEntry, window: Window, unit: str) -> pd.DataFrame:
    """Excursions of all deciding probes that overlap the window, unclipped, with ids in order of start."""
    tables = [excursions.find(trace, entry.condition) for trace in deciding]
    full = [table for table in tables if len(table)]
    if not full:
        return pd.DataFrame(columns=["id", "unit", *excursions.COLUMNS, "limit_source", "minutes_in_window", "logger_alarm"])
    table = pd.concat(full, ignore_index=True)
    table = table[(table["end"] >= window.start) & (table["start"] < window.stop)]
    table = table.sort_values(["start", "probe", "direction"], ignore_index=True)
    table.insert(0, "id", [f"{unit}-E{n}" for n in range(1, len(table) + 1)])
    table.insert(1, "unit", unit)
    table["limit_source"] = entry.condition.source
    inside = table["end"].clip(upper=window.end) - table["start"].clip(lower=window.start)
    table["minutes_in_window"] = (inside / pd.Timedelta(minutes=1)).clip(lower=0.0)
    return table


def _overlaps(row: dict[str, Any], window: Window) -> bool:
    return row["end"] >= window.start and row["start"] < window.stop


def inputs(case: Case) -> list[Path]:
    """Every file a case rests on, for the record: its own, the register's, the downloads (the room's too) and papers."""
    papers = [path for path in (case.stock, case.allowances, case.logbook, *case.earlier) if path is not None]
    written = [path for path in (case.folder / "entries.jsonl", case.folder / "actions.csv") if path.is_file()]
    read = [path for files in case.readings.values() for path in files]
    name = room_unit(case)
    if name is not None and name not in case.readings:
        read += register.find_files(case.site.path.parent, case.site.units[name].readings, case.site.path.name)
    return list(dict.fromkeys([case.path, case.site.path, *read, *papers, *written, *case.attachments]))
