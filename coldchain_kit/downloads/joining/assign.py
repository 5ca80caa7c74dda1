"""Which column of a download is which probe or channel of the register."""

from __future__ import annotations

from collections.abc import Sequence

from coldchain_kit.base import Fault, RegisterError, nearest, zones
from coldchain_kit.downloads.readers.download import Column, Download, Placed
from coldchain_kit.model import Probe
from coldchain_kit.register import UnitEntry

CHANNEL_KINDS = ("door", "power", "humidity", "battery")

Piece = tuple[int, Column]  # position of the file, its column


def _wanted(columns: Sequence[Column], key: str, header: str | None) -> Column | None:
    """The column a register entry takes: its full header as registered, or the key as full header or plain label."""
    if header is not None:
        return next((column for column in columns if column.header == header), None)
    by_header = next((column for column in columns if column.header == key), None)
    return by_header or next((column for column in columns if column.label == key), None)


def assign(entry: UnitEntry, files: Sequence[Placed]) -> tuple[list[tuple[Probe, list[Piece]]], dict[str, tuple[str, list[Piece]]]]:
    """Columns of every file shared out to probes and channels; no column twice."""
    probes: dict[str, list[Piece]] = {name: [] for name in entry.probes}
    channels: dict[str, tuple[str, list[Piece]]] = {name: (kind, []) for name, (_, kind) in entry.channels.items()}
    others: dict[str, list[Piece]] = {}
    for position, one in enumerate(files):
        columns = list(one.download.columns)
        taken: dict[int, str] = {}
        for name, (header, _) in entry.channels.items():
            column = next((c for c in columns if c.header == header), None) or next((c for c in columns if c.label == header), None)
            _take(taken, column, f"channel {name}", entry, one.download)
            channels[name][1].extend([(position, column)] if column else [])
        temperatures = [column for column in columns if column.kind == "temperature" and id(column) not in taken]
        for name, probe in entry.probes.items():
            column = _wanted(temperatures, name, probe.probe.column)
            _take(taken, column, f"probe {name}", entry, one.download)
            probes[name].extend([(position, column)] if column else [])
        used: set[str] = set(entry.probes)
        for column in (column for column in columns if id(column) not in taken):
            if column.kind == "temperature":
                name = _free_name(column, used)
                used.add(name)
                others.setdefault(name, []).append((position, column))
            elif column.kind in CHANNEL_KINDS:
                name = column.label if column.label not in entry.channels else column.header
                channels.setdefault(name, (column.kind, []))[1].append((position, column))
    _all_found(entry, probes, {name: pieces for name, (_, pieces) in channels.items() if name in entry.channels}, files)
    known = [(entry.probes[name].probe, pieces) for name, pieces in probes.items()]
    extra = [
        (Probe(part, decides=not entry.probes, column=pieces[0][1].header, registered=False), pieces)
        for name, found in others.items()
        for part, pieces in _by_logger(name, found, files).items()
    ]
    return [*known, *extra], channels


def _by_logger(name: str, pieces: list[Piece], files: Sequence[Placed]) -> dict[str, list[Piece]]:
    """Unregistered columns of one name: one probe, but one for each logger where loggers ran side by side."""
    serials = {files[position].download.serial for position, _ in pieces}
    if None in serials or not side_by_side(pieces, files):
        return {name: pieces}
    return {f"{name} ({serial})": [piece for piece in pieces if files[piece[0]].download.serial == serial] for serial in sorted(serial for serial in serials if serial is not None)}


def side_by_side(pieces: Sequence[Piece], files: Sequence[Placed]) -> list[str]:
    """Serial numbers of loggers whose downloads for one probe overlap in time; empty where none do."""
    spans: list[tuple[int, int, str]] = []
    for one in (files[position] for position, _ in pieces):
        time = one.utc.asi8[one.utc.asi8 != zones.NAT]
        if one.download.serial and len(time):
            spans.append((int(time.min()), int(time.max()), one.download.serial))
    found: set[str] = set()
    latest: dict[str, int] = {}  # end of each logger's downloads so far
    for first, last, serial in sorted(spans):
        others = {other for other, end in latest.items() if other != serial and end >= first}
        found |= others | ({serial} if others else set())
        latest[serial] = max(latest.get(serial, last), last)
    return sorted(found)


def _take(taken: dict[int, str], column: Column | None, who: str, entry: UnitEntry, download: Download) -> None:
    if column is None:
        return
    if id(column) in taken:
        raise RegisterError(
            f"column '{column.header}' of {download.source.file} is named by {taken[id(column)]} and by {who}",
            where=f"site.toml, unit {entry.name}", expected="one probe or channel a column", mend='Say which with column = "…"',
        )  # fmt: skip
    taken[id(column)] = who


def _free_name(column: Column, used: set[str]) -> str:
    names = [column.label, column.header, *(f"{column.header} ({count})" for count in range(2, len(used) + 3))]
    return next(name for name in names if name not in used)


def _all_found(entry: UnitEntry, probes: dict[str, list[Piece]], channels: dict[str, list[Piece]], files: Sequence[Placed]) -> None:
    """RegisterError with one fault for each registered name that no download has."""
    listed = list(dict.fromkeys((column.header, column.kind) for one in files for column in one.download.columns))
    there = ", ".join(f"'{header}' ({kind})" for header, kind in listed) or "none"
    faults = []
    for what, name, header, pieces in (
        *(("probe", name, entry.probes[name].probe.column or name, pieces) for name, pieces in probes.items()),
        *(("channel", name, entry.channels[name][0], pieces) for name, pieces in channels.items()),
    ):
        if not pieces:
            hint = nearest(header, [column for column, _ in listed])
            faults.append(Fault(f"{what} '{name}' takes column '{header}', which no download has", f"site.toml, unit {entry.name}", f"one of the columns {there}", hint or 'Give the full header as column = "…"'))
    if faults:
        raise RegisterError(faults=faults)
