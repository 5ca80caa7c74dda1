"""Which logger of a unit a download is from: by the register's patterns, else by the serial number in it, else by its columns."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from coldchain_kit import downloads, register
from coldchain_kit.base import RegisterError
from coldchain_kit.downloads import Download, Hints
from coldchain_kit.model import Trace, Unit
from coldchain_kit.register import UnitEntry

Shares = dict[str | None, tuple[UnitEntry, list[Path]]]


def hints(view: UnitEntry) -> Hints:
    """What the register pins about a logger's downloads."""
    return Hints(view.logger.temperature_unit, view.logger.date_order, tuple(row.probe.column or key for key, row in view.probes.items()))


def by_logger(entry: UnitEntry, files: Sequence[Path], *, base: Path, may_lack: bool = False) -> Shares:
    """Each logger's name -> the unit as it sees it, and its files; all files under None where the logger has no name.

    Parameters
    ----------
    base : Path
        Folder of site.toml, to which the register's patterns are relative.
    may_lack : bool
        A logger may have no file: the case says why there are no readings.

    Raises
    ------
    RegisterError
        A file of which nothing says which logger it is from; a logger without a file.
    """
    views = entry.each_logger()
    if list(views) == [None]:
        return {None: (entry, list(files))}
    named = {str(name): view for name, view in views.items()}
    own = {name: {hit.resolve() for pattern in view.readings for hit in register.matching(base, pattern, "site.toml")} for name, view in named.items()}
    shares: Shares = {name: (view, []) for name, view in named.items()}
    for path in files:
        found = [name for name, paths in own.items() if path.resolve() in paths]
        shares[found[0] if len(found) == 1 else _by_content(entry, named, path)][1].append(path)
    for name, (_, paths) in shares.items():
        if not paths and not may_lack:
            raise RegisterError(f"no download is given for logger '{name}' of unit {entry.name}", expected="at least one file of each logger", mend='Add readings = ["…"] to it')
    return shares


def silent(entry: UnitEntry) -> Unit:
    """A unit, or one of its loggers, without a download: each probe of the register without a reading."""
    none = pd.Series(dtype="float64", index=pd.DatetimeIndex([], tz="UTC", name="time").as_unit("us"))
    return Unit(entry.name, {key: Trace.of(none, probe=row.probe) for key, row in entry.probes.items()}, clock={"state": "not_verified", "text": "There is no download."})


def _by_content(entry: UnitEntry, views: dict[str, UnitEntry], path: Path) -> str:
    """The logger whose serial number the file names, else the only one whose probes' columns it has."""
    orders, units = ({getattr(view.logger, key) for view in views.values()} for key in ("date_order", "temperature_unit"))
    columns = tuple(dict.fromkeys(column for view in views.values() for column in hints(view).probes))
    loads = downloads.read(path, hints=Hints(units.pop() if len(units) == 1 else None, orders.pop() if len(orders) == 1 else None, columns))
    answers = {_of(load, views) for load in loads}
    answer = answers.pop() if len(answers) == 1 else None
    if answer is None:
        raise RegisterError(
            f"nothing says which logger of unit {entry.name} {path.name} is from", expected="one of " + ", ".join(views),
            mend="Give each logger its readings = [\"…\"] in the register, or its serial number where the file names it",
        )  # fmt: skip
    return answer


def _of(load: Download, views: dict[str, UnitEntry]) -> str | None:
    serials = {name: {view.logger.serial, *(logger.serial for _, logger in view.settings)} - {None} for name, view in views.items()}
    hit = [name for name, known in serials.items() if load.serial in known]
    if len(hit) == 1:
        return hit[0]
    there = {text for column in load.columns for text in (column.header, column.label)}
    hit = [name for name, view in views.items() if view.probes and set(hints(view).probes) <= there]
    return hit[0] if len(hit) == 1 else None
