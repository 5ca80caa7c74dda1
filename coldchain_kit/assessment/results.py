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
from coldchain_kit.model import Condition, GapRow, ProbeRow, Source, SourceRow, Trace, UFrom, flag_counts, rows_of, timeline

SCHEMA_ID = "coldchain-kit/results/1"


def schema() -> dict[str, Any]:
    """The JSON Schema of the results that ships with the kit."""
    return json.loads(resources.files("coldchain_kit.assessment").joinpath("results.schema.json").read_text("utf-8"))


def faults(results: Mapping[str, object]) -> list[str]:
    """Every breach of the shipped schema, as "path: what"; empty when the results are sound."""
    from jsonschema import Draft202012Validator

    found = Draft202012Validator(schema()).iter_errors(results)
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
    celsius, valued = readings["celsius"], readings[readings["celsius"].notna()]
    low, high = (_extreme(valued, pick) for pick in ("idxmin", "idxmax"))
    cover = timeline.coverage(trace, start=start, end=end)
    spans = timeline.gaps(trace, start=start, end=end)
    gap = timeline.gap_marks(trace, start=start, stop=stop)
    gap = gap & ~gap.all()  # readings that all stand alone weigh the same
    mean_c, mkt_c = (exposure.mean_c(celsius, gap=gap) if len(valued) != 1 else float(valued["celsius"].iloc[0])), None
    lowest = np.fmin(valued["celsius"], valued["as_read_c"].round(6))
    if trace.probe.role not in ("room", "surface") and not condition.frozen and len(valued) and not condition.outside(lowest, "below").any():
        mkt_c = exposure.mkt_c(celsius, ea_kj_mol=condition.activation_energy_kj_mol, gap=gap) if len(valued) != 1 else mean_c
    sides = {side: bounds.totals(trace, condition, side, start=start, end=end) for side in bounds.SIGN}
    return {
        "unit": unit, "probe": trace.probe.name, "role": trace.probe.role, "decides": trace.probe.decides, "registered": trace.probe.registered,
        "readings": len(valued), "flags": flag_counts(rolled),
        "min_c": low[0], "min_time": low[1], "max_c": high[0], "max_time": high[1],
        "min_one_sided": low[2], "max_one_sided": high[2],
        "as_read_min_c": _number(valued["as_read_c"].min()), "as_read_max_c": _number(valued["as_read_c"].max()),
        "mean_c": mean_c, "mkt_c": mkt_c, "covered_share": cover["covered_share"], "missing_readings": cover["missing_readings"],
        "interval_min": timeline.interval_min(trace),
        "gaps": rows_of(spans[["start", "end", "minutes", "edge"]], GapRow[pd.Timestamp]),
        "u_c": _number(readings["u_c"].max()), "u_from": u_from, "outside": {side: row for side, row in sides.items() if row is not None},
        "unknown_minutes": bounds.unknown_min(trace, condition, start=start, end=end),
    }  # fmt: skip


def _extreme(valued: pd.DataFrame, pick: str) -> tuple[float | None, pd.Timestamp | None, str | None]:
    """Value, time, and "at or above" / "at or below" where the probe was at the end of its range."""
    if not len(valued):
        return None, None, None
    at = getattr(valued["celsius"], pick)()
    side = int(valued["one_sided"][at])
    return float(valued["celsius"][at]), at, {1: "at or above", -1: "at or below"}.get(side)


def _number(value: float | None) -> float | None:
    return None if value is None or pd.isna(value) else float(value)
