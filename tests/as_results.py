"""The oracle's figures in the shape of the kit's results, for a trial of the comparison itself."""

from __future__ import annotations

import datetime as dt
from typing import Any

TIMES = {
    "start",
    "end",
    "first_out",
    "last_out",
    "first_back",
    "start_earliest",
    "end_latest",
    "extreme_time",
    "min_time",
    "max_time",
    "first",
    "last",
    "time",
}


def iso(seconds: float | None) -> str | None:
    return None if seconds is None else dt.datetime.fromtimestamp(float(seconds), dt.UTC).isoformat()


def _timed(row: dict) -> dict:
    return {name: iso(value) if name in TIMES else value for name, value in row.items()}


def as_results(mine: dict) -> dict[str, Any]:
    excursions = [_timed(row) | {"minutes_most": row["most_touching"]} for row in mine["excursions"]]
    excursions += [_timed(row) for row in mine["displays"]]
    excursions = [row | {"id": f"E{number}"} for number, row in enumerate(excursions)]
    window = mine["window"]
    near = [row for row in mine["near_limit"] if row["start"] >= window[0] and row["end"] < window[1]]
    faults = [{"unit": unit, "kind": kind} for unit, kind in mine["faults"]]
    return {
        "case": {"window": [iso(one) for one in window]},
        "sources": [_timed(row) | {"rejects": [{"line": line} for line in row["rejects"]]} for row in mine["sources"]],
        "probes": [_probe(row, window) for row in mine["probes"]],
        "excursions": excursions,
        "near_limit": [_timed(row) for row in near],
        "conflicts": [_timed(row) | {"value_c": row["value"]} for row in mine["conflicts"]],
        "episodes": _episodes(mine, excursions),
        "mkt": [],
        "faults": faults,
        "lots": [_lot(row) for row in mine["lots"]],
        "cause": {"cause": _cause(mine, bool(faults))},
    }


def _probe(row: dict, window: tuple[float, float]) -> dict:
    gaps = [{"start": iso(a), "end": iso(b)} for a, b in row.get("gaps", ())]
    length = max((window[1] - window[0]) / 60, 1e-9)
    share = 1 - row.get("lost_min", length) / length
    return _timed(row) | {"gaps": gaps, "covered_share": share, "missing_readings": row.get("missing", 0)}


def _episodes(mine: dict, excursions: list[dict]) -> list[dict]:
    ids = {
        (row["unit"], row["probe"], row["direction"], row["first_out"]): row["id"]
        for row in excursions
        if row["first_out"]
    }
    keyed = {one[:3] + (round(dt.datetime.fromisoformat(one[3]).timestamp()),): name for one, name in ids.items()}
    groups = [[keyed[key] for key in group] for group in mine["episodes"]]
    groups += [[row["id"]] for row in excursions if row["basis"] == "display"]
    return [{"excursions": group, "recurrent": False} for group in groups]


def _lot(row: dict) -> dict:
    allowances = [
        one | {"share_most": 0.1 if one["applicable"] and not one["used_bound"] else None, "why": "said"}
        for one in row["allowances"]
    ]
    exposures = [_timed(one) for one in row["exposures"]]
    asked = {"needs_decision": bool(row["reasons"]), "why": sorted(row["reasons"])}
    return row | asked | {"allowances": allowances, "exposures": exposures}


def _cause(mine: dict, faults: bool) -> str:
    rule = mine["cause"]
    if rule["no_readings"] or rule["never"] or rule["undetermined"] or faults:
        return "undetermined"
    return "none"
