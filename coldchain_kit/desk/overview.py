"""What stands on the desk of a site: units with their last reading and what is due, open cases, records with their state, who is due for training."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from coldchain_kit import excursions, register, training
from coldchain_kit.assessment import load_unit
from coldchain_kit.base import KitError
from coldchain_kit.model import Unit
from coldchain_kit.records import ledger, verification
from coldchain_kit.register import Case, Site, UnitEntry, entries
from coldchain_kit.show import Table, Tables, wording

SOON_DAYS = 90  # a certificate that falls due within so many days is named (common practice, no source)
CLOCK_DAYS = 31  # a clock that nobody compared within a month is named (common practice, no source)
MOST = 50


@dataclass(frozen=True)
class Found:
    """A case of the site, or why its file cannot be read."""

    path: Path
    case: Case | None
    fault: str = ""


def overview(site: str | Path, *, today: dt.date | None = None) -> Tables:
    """Everything that waits on one screen, without judging any of it.

    Parameters
    ----------
    site : path
        The folder of a site, or its site.toml.
    today : date, optional
        The day that due dates are compared with; this day unless given.

    Raises
    ------
    KitError
        No site.toml, or one that cannot be read.
    """
    path = Path(site)
    path = path / "site.toml" if path.is_dir() else path
    held = register.load_site(path, keep_going=True)
    found = list(cases(held))
    day = today or dt.date.today()
    return Tables((_units(held, found, day), _cases(found), _records(path.parent / "records"), _training(path.parent, day)))


def cases(site: Site) -> Iterator[Found]:
    """Every case below the site's folder ``cases``, in the order of its folders' names."""
    for path in sorted((site.path.parent / "cases").glob("*/case.toml")):
        try:
            yield Found(path, register.load_case(path))
        except KitError as fault:
            yield Found(path, None, str(fault).splitlines()[0])


def _units(site: Site, found: Sequence[Found], day: dt.date) -> Table:
    rows = [_unit(site, name, entry, found, day) for name, entry in list(site.units.items())[:MOST]]
    rows += [(name, "cannot be read", str(fault).splitlines()[0], "not known", "not known") for name, fault in site.broken.items()]
    notes = ("A line here judges nothing: open the case, or make one, to see how long, how far and how sure.",)
    return Table("Units of this site", ("Unit", "Last reading", "Outside, and no case opened", "Certificates", "Clock"), tuple(rows), notes, "The register names no unit.")


def _unit(site: Site, name: str, entry: UnitEntry, found: Sequence[Found], day: dt.date) -> tuple[object, ...]:
    try:
        files = tuple(dict.fromkeys(hit for pattern in entry.readings for hit in register.find_files(site.path.parent, [pattern], site.path.name)))
        unit = load_unit(site, name, files, folder=site.path.parent) if files else None
    except KitError as fault:
        return name, "awaiting download", str(fault).splitlines()[0], _papers(entry, day), _clock(entry, day)
    if unit is None:
        return name, "awaiting download", "not known", _papers(entry, day), _clock(entry, day)
    return name, _last(unit, site.timezone), _without_case(unit, entry, name, found, site.timezone) if entry.kind != "room" else "not asked of a room", _papers(entry, day), _clock(entry, day)


def _last(unit: Unit, zone: str) -> str:
    """Newest reading of a probe that decides, else of any."""
    traces = [trace for trace in unit.traces.values() if trace.celsius.notna().any()]
    traces = [trace for trace in traces if trace.probe.decides] or traces
    if not traces:
        return "awaiting download"
    newest = max(traces, key=lambda trace: trace.celsius.dropna().index[-1])
    known = newest.celsius.dropna()
    return f"{wording.celsius(float(known.iloc[-1]))} ({newest.probe.name}) at {wording.when(pd.Timestamp(known.index[-1]), zone)}"


def _without_case(unit: Unit, entry: UnitEntry, name: str, found: Sequence[Found], zone: str) -> list[str] | str:
    """Runs outside of probes that decide which no case of this unit looks at."""
    looked = [(one.case.start, one.case.end) for one in found if one.case is not None and name in one.case.units]
    told = []
    for trace in unit.traces.values():
        if not trace.probe.decides:
            continue
        for row in excursions.find(trace, entry.condition).to_dict("records"):
            start, end = row["start"], row["end"]
            if not any((first is None or end >= first) and (last is None or start < last) for first, last in looked):
                told.append(f"{row['direction']} the limit from {wording.when(start, zone, estimated=True)}, at most {wording.minutes(row['minutes_most'])}")
    more = [f"and {len(told) - 3} more"] if len(told) > 3 else []
    return [*told[:3], *more] or "none"


def _papers(entry: UnitEntry, day: dt.date) -> list[str] | str:
    """Certificates overdue or due soon, and probes that decide without one."""
    told = []
    for name, row in entry.probes.items():
        newest = row.certificates[-1] if row.certificates else None
        if newest is None:
            told += [f"{name}: none"] if row.probe.decides else []
        elif newest.due is not None and newest.due < day:
            told.append(f"{name}: OVERDUE since {newest.due}")
        elif newest.due is not None and newest.due <= day + dt.timedelta(days=SOON_DAYS):
            told.append(f"{name}: due {newest.due}")
    return told or ("in date" if entry.probes else "none known")


def _clock(entry: UnitEntry, day: dt.date) -> str:
    """When the clock was last compared with a true one."""
    checks = [true for view in entry.each_logger().values() for logger in (view.logger, *(one for _, one in view.settings)) for true, _ in logger.clock_checks]
    if not checks:
        return "never compared, as far as is known"
    last = max(checks).date()
    return f"compared {last}" + ("" if last >= day - dt.timedelta(days=CLOCK_DAYS) else ", DUE again")


def _cases(found: Sequence[Found]) -> Table:
    rows: list[tuple[object, ...]] = []
    for one in found[:MOST]:
        if one.case is None:
            rows.append((one.path.parent.name, "cannot be read", one.fault, "not known"))
            continue
        now = entries.current(one.path.parent)
        acts = [row for row in entries.actions(one.path.parent) if not row["closed"] or not row["effective"]]
        due = [f"No. {row['id']} {row['owner']}, due {row['due'] or 'NOT SET'}" for row in acts]
        rows.append((one.case.id, one.case.title, "stock marked" if "immediate.marked" in now else "stock NOT MARKED, as far as is known", due or "no action open"))
    return Table("Cases", ("Case", "About", "Stock", "Actions open"), tuple(rows), empty="No case lies in the folder cases.")


def _records(out: Path) -> Table:
    rows = []
    newest = {str(row["number"]): row for row in ledger.entered(out)} if out.is_dir() else {}
    for row in list(newest.values())[::-1][:MOST]:
        found = verification.report(out / Path(str(row.get("path", ""))).name)
        signed = [f"{one['role']}: {one['name']}" for one in found.signatures] if found.found else []
        state = "NOT THERE" if not found.found else "whole" if not found.problems else f"DAMAGED: {found.problems[0]}"
        rows.append((row["number"], row.get("revision"), state, signed or "not signed"))
    return Table("Records, the newest revision of each", ("Record", "Revision", "State", "Signed by (typed)"), tuple(rows), empty="No record lies in the folder records.")


def _training(folder: Path, day: dt.date) -> Table:
    held = [place for place in (folder, folder / "notebooks") if (place / training.record.FILE).is_file()]
    rows = [(one.who, f"lesson {one.lesson}", "again at once" if one.stage == 0 else f"test {one.stage} on new traces", str(one.day)) for place in held for one in training.record.due(place, day)]
    return Table("Due for training", ("Who", "Lesson", "What", "Since"), tuple(rows), empty="Nobody is due, as far as training.jsonl says.")
