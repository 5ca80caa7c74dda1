"""The whole computation in one call: ``assess(case) -> Assessment``. Files in, one canonical result out."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import cast

import pandas as pd

from coldchain_kit import causes, downloads, excursions, exposure, lots, quality, register
from coldchain_kit.assessment import beside, results, sharing, window
from coldchain_kit.assessment.window import Window
from coldchain_kit.base import KitError, zones
from coldchain_kit.excursions import episodes
from coldchain_kit.exposure import estimates
from coldchain_kit.model import (
    AlarmGuardRow,
    AlarmRow,
    BandRow,
    BelievableRow,
    BufferRow,
    CalibrationRow,
    CheckRow,
    ClockRow,
    ConflictRow,
    Direction,
    EpisodeRow,
    ExcursionRow,
    FaultRow,
    GapEstimateRow,
    LeadingCause,
    MktRow,
    NearLimitRow,
    ProbeRow,
    Results,
    SourceRow,
    Trace,
    UncertaintyRow,
    Unit,
    plain,
    rows_of,
)
from coldchain_kit.quality import alarms, calibration, checks, decision, later
from coldchain_kit.register import Case, Certificate, LogEntry, Lot, Site, UnitEntry, logbook, stock


@dataclass(frozen=True)
class UnitRows:
    """The rows of the results that one unit gives, field by field as in the results."""

    sources: list[SourceRow[pd.Timestamp]]
    probes: list[ProbeRow[pd.Timestamp]]
    mkt: list[MktRow[pd.Timestamp]]
    excursions: list[ExcursionRow[pd.Timestamp]]
    near_limit: list[NearLimitRow[pd.Timestamp]]
    conflicts: list[ConflictRow[pd.Timestamp]]
    episodes: list[EpisodeRow[pd.Timestamp]]
    faults: list[FaultRow[pd.Timestamp]]
    bands: list[BandRow]
    buffer: list[BufferRow[pd.Timestamp]]
    gap_estimates: list[GapEstimateRow[pd.Timestamp]]
    calibration: list[CalibrationRow]
    uncertainty: list[UncertaintyRow]
    alarm_guard: list[AlarmGuardRow]
    alarms: list[AlarmRow[pd.Timestamp]]
    checks: list[CheckRow[pd.Timestamp]]
    believable: list[BelievableRow]
    clock: list[ClockRow]

    @classmethod
    def whole(cls, parts: Sequence[UnitRows]) -> UnitRows:
        """The rows of all units, unit after unit."""
        return cls(**{one.name: [row for part in parts for row in getattr(part, one.name)] for one in fields(cls)})


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
    results: Results[str]
    lots: tuple[Lot, ...] = ()
    logbook: tuple[LogEntry, ...] = ()
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
    book = logbook.read(case.logbook, site=site, units=case.units) if case.logbook else ()
    shelf = stock.read(case.stock, site=site, units=case.units) if case.stock else ()
    allowed = stock.read_allowances(case.allowances, lots=shelf) if case.allowances else ()
    units = {name: load_unit(site, name, case.readings[name], folder=case.folder, may_lack=bool(case.no_readings)) for name in case.units}
    span = window.of(case, units)
    room = _room(case, units)
    arrivals = {name: min((stay.moved_in for lot in shelf for stay in lot.stays if stay.unit == name), default=None) for name in case.units}
    parts = [_assess_unit(case, units[name], span, room, book, stays_from=arrivals[name]) for name in case.units]
    found = {name: table for name, (table, _) in zip(case.units, parts, strict=True)}
    rows = UnitRows.whole([part for _, part in parts])
    around = [beside.look(load_unit(site, name, case.readings[name], folder=case.folder, may_lack=True), site.units[name].condition, span) for name in case.beside]
    regular = [key for row in rows.episodes if row["recurrent"] for key in row["excursions"]]
    before = [row for path in case.earlier for row in lots.earlier(_earlier(path, case))]
    lot_rows = lots.assess(
        shelf, allowed, units, excursions=rows.excursions, faults=rows.faults, site=site, window=span, calibration=rows.calibration,
        logbook=book, episodes=rows.episodes, earlier=before, no_readings=span.no_readings,
    )  # fmt: skip
    document: Results[pd.Timestamp] = {
        "schema": results.SCHEMA_ID,
        "rules": results.RULES,
        "case": {
            "id": case.id, "title": case.title, "units": list(case.units), "window": [span.start, span.end], "site": site.name, "timezone": site.timezone,
            "beside": list(case.beside), "no_readings": span.no_readings or None,
        },
        "sources": rows.sources, "probes": rows.probes, "mkt": rows.mkt, "excursions": rows.excursions, "near_limit": rows.near_limit, "conflicts": rows.conflicts,
        "episodes": rows.episodes, "faults": rows.faults, "bands": rows.bands, "buffer": rows.buffer, "gap_estimates": rows.gap_estimates,
        "calibration": rows.calibration, "uncertainty": rows.uncertainty, "alarm_guard": rows.alarm_guard, "alarms": rows.alarms, "checks": rows.checks,
        "believable": rows.believable, "clock": rows.clock,
        "beside": [row for row, _ in around],
        "together": causes.together([*rows.excursions, *(row for _, found_there in around for row in found_there)], regular=regular),
        "cause": _cause(rows, span),
        "lots": lot_rows,
    }  # fmt: skip
    return Assessment(case, span, units, room, plain(document), tuple(shelf), tuple(book), found)


def load_unit(site: Site, name: str, files: tuple[Path, ...], *, folder: Path, may_lack: bool = False) -> Unit:
    """A unit's record from its downloads: read, put on UTC, put together, corrected and flagged.

    Parameters
    ----------
    may_lack : bool
        There may be no file: each probe of the register then has no reading.

    Raises
    ------
    LayoutError, RegisterError
        A download without a readable temperature series, or one that does not fit the register.
    """
    entry = site.unit(name)
    if may_lack and not files:
        return sharing.silent(entry)
    unit = _joined(site, entry, files, folder, may_lack=may_lack)
    traces = {key: calibration.correct(trace, _certificates(entry, key), zone=site.timezone) for key, trace in unit.traces.items()}
    loggers = {key: view.logger for key, view in entry.each_logger().items()}
    dated = {key: [since for since, _ in alarms.settings(view, zone=site.timezone) if since is not None] for key, view in entry.each_logger().items()}
    flagged = quality.run_all(traces, logger=loggers, notices=unit.notices, condition=entry.condition, dated=dated, channels=unit.channels)
    return replace(unit, traces={key: quality.at_odds(trace, unit.conflicts).checked() for key, trace in flagged.items()})


def _joined(site: Site, entry: UnitEntry, files: tuple[Path, ...], folder: Path, *, may_lack: bool) -> Unit:
    """A unit's downloads put together, those of each logger by its own clock and settings."""
    base, parts = site.path.parent, {}
    for logger, (view, own) in sharing.by_logger(entry, files, base=base, may_lack=may_lack).items():
        if not own:
            parts[logger] = sharing.silent(view)
            continue
        loads = [load for path in own for load in downloads.read(path, hints=sharing.hints(view), shown=shown_name(path, folder, base))]
        placed = [downloads.place(load, view, zone=site.timezone) for load in loads]
        parts[logger] = downloads.join(view, placed, zone=site.timezone)
    return _questioned(downloads.beside(parts), site.timezone)


def _questioned(unit: Unit, zone: str) -> Unit:
    """The unit with a clock that is not verified where the site's zone is the name of an offset: nothing says whether the place has summer time."""
    asked = zones.question(zone)
    if not asked:
        return unit
    text = " ".join(filter(None, (unit.clock.get("text"), asked)))
    return replace(unit, clock={"state": "proved" if unit.clock.get("state") == "proved" else "not_verified", "text": text})


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


def _certificates(entry: UnitEntry, probe: str) -> tuple[Certificate, ...]:
    return entry.probes[probe].certificates if probe in entry.probes else ()


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
        if room := case.site.units[name].room:
            return case.site.unit(room).name
    rooms = [name for name, entry in case.site.units.items() if entry.kind == "room" and entry.readings]
    return rooms[0] if len(rooms) == 1 and rooms[0] not in case.units else None


def _assess_unit(case: Case, unit: Unit, window: Window, room: Trace | None, book: tuple[LogEntry, ...], *, stays_from: pd.Timestamp | None) -> tuple[pd.DataFrame, UnitRows]:
    """The unit's excursions as a table, and every row of the results that it gives."""
    entry = case.site.units[unit.name]
    condition, start, stop = entry.condition, window.start, window.stop
    deciding = [trace for trace in unit.traces.values() if trace.probe.decides]
    loggers = {key: view.logger for key, view in entry.each_logger().items()}
    faults = quality.faults(unit, condition=condition, logger=loggers, start=window.start, end=window.stop)
    late = later.than_download(unit, book, zone=case.site.timezone)
    faults = quality.in_order([*faults, *late])  # whatever the window: the clock is in doubt
    table = _excursions(deciding, entry, window, unit.name)
    table["logger_alarm"] = alarms.compare(table, unit, entry, zone=case.site.timezone)
    table["logbook_line"] = None
    rows = rows_of(table, ExcursionRow[pd.Timestamp])
    shown = checks.displays(book, unit, condition, start=start, end=stop, stays_from=stays_from)
    shown = [{**row, "id": f"{unit.name}-E{number}"} for number, row in enumerate(shown, len(rows) + 1)]
    state = calibration.state(entry, start, window.end, zone=case.site.timezone)
    hidden = [estimates.rows(trace, table, room=room, high_c=condition.limit_c("above"), start=start, end=stop) for trace in deciding]
    answer, reasons = quality.believable(unit, faults=faults, start=start, end=stop, calibration=state)
    return table, UnitRows(
        sources=[{"unit": unit.name, **results.source_row(source)} for source in unit.sources],
        probes=[results.probe_row(trace, condition, unit=unit.name, start=start, end=window.end, stop=stop, u_from=calibration.u_from(trace)) for trace in unit.traces.values()],
        mkt=[{"unit": unit.name, **row} for trace in deciding for row in exposure.mkt_rows(trace, condition, excursions=_of_probe(table, trace), start=start, end=stop)],
        excursions=[*rows, *shown],
        near_limit=[{"unit": unit.name, **row} for trace in deciding for row in rows_of(excursions.near_limit(trace, condition), NearLimitRow[pd.Timestamp]) if _overlaps(row, window)],
        conflicts=[{**row, "start": row.get("start"), "end": row.get("end"), "readings": row.get("readings")} for row in unit.conflicts],
        episodes=_episodes(case, unit, table, rows, room, book, faults, shown=shown),
        faults=faults,
        bands=[{"unit": unit.name, **row} for trace in deciding for row in exposure.bands(trace, condition, start=start, end=stop)],
        buffer=[{"unit": unit.name, **row} for part in hidden for row in part["buffer"]],
        gap_estimates=[{"unit": unit.name, **row} for part in hidden for row in part["gap_estimates"]],
        calibration=[{"unit": unit.name, **row} for row in state],
        uncertainty=[{"unit": unit.name, **row} for trace in deciding for row in _uncertainty(trace, entry, rows, window, zone=case.site.timezone)],
        alarm_guard=[{"unit": unit.name, **row} for trace in deciding for row in _alarm_guard(trace, entry)],
        alarms=alarms.findings(unit, entry, logbook=book, zone=case.site.timezone),
        checks=checks.checks(book, unit, entry, start=start, end=stop, shown=shown),
        believable=[{"unit": unit.name, "answer": answer, "reasons": reasons}],
        clock=[{"unit": unit.name, "state": unit.clock["state"], "text": unit.clock["text"]}],
    )  # fmt: skip


def _of_probe(table: pd.DataFrame, trace: Trace) -> pd.DataFrame:
    return table[table["probe"] == trace.probe.name] if len(table) else table


def _episodes(
    case: Case, unit: Unit, table: pd.DataFrame, rows: list[ExcursionRow[pd.Timestamp]], room: Trace | None, book: tuple[LogEntry, ...], faults: list[FaultRow[pd.Timestamp]],
    *, shown: list[ExcursionRow[pd.Timestamp]],
) -> list[EpisodeRow[pd.Timestamp]]:
    """The unit's excursions put together, each group with its candidate causes."""
    entry = case.site.units[unit.name]
    found: list[EpisodeRow[pd.Timestamp]] = []
    for number, group in enumerate(episodes.group(table, join_min=case.join_min, shown=shown) if len(table) or shown else [], 1):
        row: EpisodeRow[pd.Timestamp] = {
            "id": f"{unit.name}-P{number}", "unit": unit.name, "direction": group["direction"], "excursions": group["excursions"], "start": group["start"],
            "end": group["end"], "recurrent": group["recurrent"],
        }  # fmt: skip
        members = [one for one in rows if one["id"] in group["excursions"]]
        if not members:
            found.append({**row, "causes": causes.of_display()})
            continue
        measured: EpisodeRow[pd.Timestamp] = {**row, "start": min(one["start"] for one in members), "end": max(one["end"] for one in members)}
        row["causes"] = causes.weigh(measured, unit, condition=entry.condition, kind=entry.kind, room=room, logbook=book, faults=faults, excursions=members, zone=case.site.timezone)
        found.append(row)
    return found


def _cause(rows: UnitRows, window: Window) -> LeadingCause:
    """The case's cause; not determined where nobody measured."""
    if window.no_readings:
        return {"cause": "undetermined", "support": 1.0}
    return causes.case(rows.episodes, rows.excursions, rows.faults, known_share=_known_share(rows.probes, window))


def _known_share(probes: list[ProbeRow[pd.Timestamp]], window: Window) -> float:
    """Share of the window (0..1) that the deciding probe knows which knows least; a record of one reading knows nothing."""
    length = (window.end - window.start) / pd.Timedelta(minutes=1)
    shares = [min(row["covered_share"], 1.0 - row["unknown_minutes"] / length if length > 0 else 0.0) for row in probes if row["decides"]]
    return min(shares, default=0.0)


def _uncertainty(trace: Trace, entry: UnitEntry, excursions: list[ExcursionRow[pd.Timestamp]], window: Window, *, zone: str) -> list[UncertaintyRow]:
    """Components of a probe's uncertainty at its most uncertain reading of the window: what is in U, and beside it the lag at the fastest of its excursions."""
    probe, rates = trace.probe, []
    for row in excursions:
        furthest, when = row["extreme_c"], row["extreme_time"]
        if row["probe"] != probe.name or row["extreme_bound"] or when is None or furthest is None or pd.isna(furthest):
            continue
        minutes = (when - row["start"]) / pd.Timedelta(minutes=1)
        if minutes > 0:
            rates.append(abs(furthest - row["limit_c"]) / minutes)
    here = trace.readings[(trace.readings.index >= window.start) & (trace.readings.index < window.stop)]
    u_c = here["u_c"].where(here["celsius"].notna()).dropna()
    if not len(u_c):
        return []
    parts = calibration.budget(trace, _certificates(entry, probe.name), at=cast(pd.Timestamp, u_c.idxmax()), rate_c_per_min=max(rates, default=None), zone=zone)
    return [{"probe": probe.name, **row} for row in parts]


def _alarm_guard(trace: Trace, entry: UnitEntry) -> list[AlarmGuardRow]:
    """Where an alarm would stand with a guard band of U, the limit less U. For setting alarms only."""
    u_c = trace.readings["u_c"].where(trace.celsius.notna()).max()
    sides: tuple[Direction, Direction] = ("below", "above")
    limits = [(side, entry.condition.limit_c(side)) for side in sides]
    return [
        {"probe": trace.probe.name, "direction": side, "limit_c": limit, "alarm_c": decision.alarm_limit(limit, 2.0 * u_c, side)}
        for side, limit in limits if limit is not None and pd.notna(u_c)
    ]  # fmt: skip


def _earlier(path: Path, case: Case) -> Results[str]:
    """The results of an earlier frozen case of the same lots."""
    try:
        found = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        found = None
    if not isinstance(found, dict) or found.get("schema") not in results.SCHEMAS:
        raise KitError(f"'{path.name}' holds no results of a case", where=f"{case.path.name} earlier", expected="data/results.json of a frozen record")
    if found["case"]["id"] == case.id:
        raise KitError(f"'{path.name}' is this very case", where=f"{case.path.name} earlier", mend="Name earlier cases only")
    return cast("Results[str]", found)


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
    inside = table["end"].clip(upper=window.end) - table["start"].clip(lower=window.start)  # type: ignore[call-overload]  # the stub knows no bound in time
    table["minutes_in_window"] = (inside / pd.Timedelta(minutes=1)).clip(lower=0.0)
    return table


def _overlaps(row: NearLimitRow[pd.Timestamp] | FaultRow[pd.Timestamp], window: Window) -> bool:
    start, end = row["start"], row["end"]
    return start is not None and end is not None and end >= window.start and start < window.stop


def inputs(case: Case) -> list[Path]:
    """Every file a case rests on, for the record: its own, the register's, the downloads (the room's too) and papers."""
    papers = [path for path in (case.stock, case.allowances, case.logbook, *case.earlier) if path is not None]
    written = [path for path in (case.folder / "entries.jsonl", case.folder / "actions.csv") if path.is_file()]
    read = [path for files in case.readings.values() for path in files]
    name = room_unit(case)
    if name is not None and name not in case.readings:
        read += register.find_files(case.site.path.parent, case.site.units[name].readings, case.site.path.name)
    return list(dict.fromkeys([case.path, case.site.path, *read, *papers, *written, *case.attachments]))
