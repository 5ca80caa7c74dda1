"""The oracle as an ``assess`` over a random site's files, so that tests/laws.py can hold it to the law."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from tests import laws, oracle
from tests.oracle import Cell, File, Line, Logger, Scenario, Stated


def _cell(text: str) -> Cell:
    text = text.strip().replace(",", ".")
    if text in ("HI", "LO"):
        return Cell(None, 1 if text == "HI" else -1)
    if not re.fullmatch(r"[<>]?-?\d+(\.\d+)?", text):
        return Cell(None)
    side = {">": 1, "<": -1}.get(text[0], 0)
    return Cell(float(text.lstrip("<>")), side)


def _wall(text: str) -> dt.datetime | None:
    try:
        return dt.datetime(*laws._sortable(text))
    except (ValueError, TypeError):
        return None


def _file(folder: Path, old: File) -> File:
    lines = (folder / old.name).read_text("utf-8").splitlines()
    head = next(k for k, line in enumerate(lines) if line.startswith("time"))
    separator = lines[head][4]
    rows = [(number, *line.split(separator)) for number, line in enumerate(lines[head + 1 :], head + 2)]
    parsed = [Line(number, _wall(time), tuple(_cell(one) for one in cells)) for number, time, *cells in rows]
    walls = [line.wall for line in parsed if line.wall]
    return replace(old, lines=tuple(reversed(parsed) if walls and walls[0] > walls[-1] else parsed))


def _logger(folder: Path, unit: str, old: Logger, site: dict) -> Logger:
    keys = site["units"][unit]
    table = keys["loggers"][old.name] if old.name else keys["logger"]
    steps = table.get("interval_min")
    stated = () if steps is None else (Stated(tuple(steps) if isinstance(steps, list) else (steps,)),)
    for one in keys.get("settings", ()) if stated else ():
        stated += (Stated((one["interval_min"],), one["from"]),)
    return replace(old, files=tuple(_file(folder, file) for file in old.files), stated=stated)


def reader(case: dict[str, Scenario]) -> Callable[[Path], dict]:
    """``assess`` for folders that hold copies of this case's site."""

    def assess(path: Path) -> dict:
        site = tomllib.loads((path.parent / "site.toml").read_text("utf-8"))
        read = {
            unit: replace(one, loggers=tuple(_logger(path.parent, unit, logger, site) for logger in one.loggers))
            for unit, one in case.items()
        }
        return results(oracle.assess(read))

    return assess


def results(found: dict) -> dict:
    """What the law looks at, in the shape of the kit's results."""
    length = (found["window"][1] - found["window"][0]) / 60
    empty = {"above": {"minutes_most": 0.0}, "below": {"minutes_most": 0.0}}
    probes = [
        {
            "unit": row["unit"],
            "probe": row["probe"],
            "covered_share": 1 - row.get("lost_min", length) / length if length > 1 else None,
            "unknown_minutes": row.get("unknown_minutes", length),
            "outside": row.get("outside", empty),
        }
        for row in found["probes"]
    ]
    faults = [{"unit": unit, "kind": kind} for unit, kind in found["faults"]]
    kinds = {kind for _, kind in found["faults"]}
    cause = "undetermined" if found["cause"]["never"] or found["cause"]["undetermined"] or kinds else "none"
    lots = [
        {"lot": row["lot"], "needs_decision": bool(row["reasons"]), "why": sorted(row["reasons"])}
        for row in found["lots"]
    ]
    return {"probes": probes, "lots": lots, "sources": found["sources"], "cause": {"cause": cause}, "faults": faults}
