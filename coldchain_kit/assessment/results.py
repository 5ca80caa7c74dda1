"""The canonical result: plain, JSON-ready rows in the form CONTRACTS fixes, and their one way into bytes.

Times are ISO 8601 UTC ending in Z, temperatures °C with full figures; null stands for "no value".
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from importlib import resources
from typing import Any

import numpy as np
import pandas as pd

from coldchain_kit import exposure, quality
from coldchain_kit.excursions import bounds
from coldchain_kit.model import Condition, GapRow, ProbeRow, Source, SourceRow, Trace, UFrom, flag_counts, one_sided, physics, rows_of, timeline

RULES = 2  # edition of the rules that made the numbers (CONTRACTS)
SCHEMA_ID = "coldchain-kit/results/2"
SCHEMAS = {"coldchain-kit/results/1": "results.schema.1.json", SCHEMA_ID: "results.schema.json"}


def schema(name: str = SCHEMA_ID) -> dict[str, Any]:
    """The JSON Schema of results of that name that ships with the kit, of this edition or an earlier one."""
    return json.loads(resources.files("coldchain_kit.assessment").joinpath(SCHEMAS[name]).read_text("utf-8"))


def faults(results: Mapping[str, object]) -> list[str]:
    """Every breach of the shipped schema that the results name, as "path: what"; empty when they are sound."""
    from jsonschema import Draft202012Validator

    name = results.get("schema")
    if not isinstance(name, str) or name not in SCHEMAS:
        return [f"schema: '{name}' is none of {', '.join(SCHEMAS)}"]
    found = Draft202012Validator(schema(name)).iter_errors(results)
    return sorted(f"{'/'.join(map(str, error.absolute_path)) or 'results'}: {error.message[:200]}" for error in found)


def source_row(source: Source) -> SourceRow[pd.Timestamp]:
    """One row of ``sources[]``."""
    return {
        "file": source.file, "sha256": source.sha256, "rows": source.rows, "read": source.read, "rejected": source.rejected, "first": source.first,
        "last": source.last, "interval_min": source.interval_min, "layout": source.layout,
        "rejects": [{"line": line, "reason": reason} for line, reason in source.rejects],
        "no_value": [{"line": line, "column": column, "text": text} for line, column, text in source.no_value],
        "events": list(source.events),
    }  # fmt: skip


def probe_row(trace: Trace, condition: Condition, *, unit: str, start: pd.Timestamp, end: pd.Timestamp, stop: pd.Timestamp, u_from: UFrom) -> ProbeRow[pd.Timestamp]:
    """One row of ``probes[]``: a trace in a window.

    Parameters
    ----------
    start, end : the window [UTC, half-open]; ``stop``: readings before it count (after ``end`` where no end was declared).
    """
    readings = trace.readings[(trace.readings.index >= start) & (trace.readings.index < stop)]
    rolled = quality.rolled(trace).loc[readings.index]
    celsius, count = readings["celsius"], int(one_sided.heard(readings).sum())
    cover = timeline.coverage(bounds.known(trace, condition), start=start, end=end)
    spans = timeline.gaps(trace, start=start, end=end)
    gap = timeline.gap_marks(trace, start=start, stop=stop)
    no_mean = one_sided.why_no_mean(readings)
    no_mkt = _no_mkt(trace, condition, readings) or no_mean
    mean_c, mkt_c = None, None
    if not no_mean:
        mean_c = float(celsius.mean()) if gap.all() else exposure.mean_c(celsius, gap=gap)  # readings that all stand alone weigh the same
    if not no_mkt and count:
        ea_kj_mol, known = condition.activation_energy_kj_mol, celsius.dropna().to_numpy()
        mkt_c = physics.mean_kinetic_temperature_c(known, ea_kj_mol=ea_kj_mol) if gap.all() else exposure.mkt_c(celsius, ea_kj_mol=ea_kj_mol, gap=gap)
    sides = {side: bounds.totals(trace, condition, side, start=start, end=end) for side in bounds.SIGN}
    return {
        "unit": unit, "probe": trace.probe.name, "role": trace.probe.role, "decides": trace.probe.decides, "registered": trace.probe.registered,
        "readings": count, "flags": flag_counts(rolled),
        **exposure.extremes(readings),
        "mean_c": mean_c, "mean_why_not": no_mean or None, "mkt_c": mkt_c, "mkt_why_not": no_mkt or None,
        "covered_share": cover["covered_share"], "missing_readings": int(cover["missing_readings"]),
        "interval_min": timeline.interval_min(trace),
        "gaps": rows_of(spans[["start", "end", "minutes", "edge"]], GapRow[pd.Timestamp]),
        "u_c": _number(readings["u_c"].where(one_sided.heard(readings)).max()), "u_from": u_from, "outside": {side: row for side, row in sides.items() if row is not None},
        "unknown_minutes": bounds.unknown_min(trace, condition, start=start, end=end),
    }  # fmt: skip


def _no_mkt(trace: Trace, condition: Condition, readings: pd.DataFrame) -> str:
    """Why the window has no descriptive MKT (CONTRACTS ``probes[]``), or ""."""
    refusal = exposure.mkt_refusal(condition, role=trace.probe.role, decides=False)
    lowest = np.fmin(*(one_sided.judged_c(readings, column) for column in ("celsius", "as_read_c")))
    below = condition.outside(lowest, "below").any()
    return refusal or ("MKT is not computed where a reading lies below the low limit: a mean would hide it." if below else "")


def _number(value: float | None) -> float | None:
    return None if value is None or pd.isna(value) else float(value)
