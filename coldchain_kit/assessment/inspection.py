"""What is in a download, in one paragraph and as a row: for ``coldchain inspect`` and the start page."""

from __future__ import annotations

from typing import Generic, TypedDict

import numpy as np
import pandas as pd

from coldchain_kit import downloads
from coldchain_kit.assessment import results
from coldchain_kit.downloads import Column, Download
from coldchain_kit.model import Notice, SourceRow, T, plain, rows_of, timeline


class SpanRow(TypedDict, Generic[T]):
    """A stretch without readings: edges as the file shows them, and its length [min]."""

    start: T
    end: T
    minutes: float


class ColumnRow(TypedDict, Generic[T]):
    """A temperature column as found in a download: unit and what says so, readings, span, interval [min], one-sided readings, gaps, extremes [°C]."""

    header: str
    label: str
    unit: str | None
    unit_from: str | None
    readings: int
    first: T | None
    last: T | None
    interval_min: float | None
    one_sided: int
    one_sided_texts: list[str]
    gaps: list[SpanRow[T]]
    min_c: float | None
    max_c: float | None


class ChannelRow(TypedDict):
    """Another column."""

    header: str
    label: str
    kind: str


class Inspection(SourceRow[str]):
    """A download with its columns."""

    time_kind: str
    serial: str | None
    probes: list[ColumnRow[str]]
    channels: list[ChannelRow]
    notices: list[Notice]


def text(load: Download) -> str:
    """One plain paragraph, the probes, span, interval, gaps, refused rows, and the lines of TOML that pin the layout."""
    found = row(load)
    lines = [f"{found['file']}", downloads.describe(load), ""]
    clock = "UTC" if load.time_kind == "utc" else "as the logger's clock showed it; the register says which clock that is"
    lines.append(f"Times below are {clock}.")
    for probe in found["probes"]:
        lines.append("  " + _probe_line(probe))
    lines.append(f"Rows: {found['rows']} = {found['read']} read + {found['rejected']} refused.")
    lines += [f"  line {reject['line']}: {reject['reason']}" for reject in found["rejects"][:10]]
    if len(found["rejects"]) > 10:
        lines.append(f"  … and {len(found['rejects']) - 10} more (--json lists all)")
    if found["events"]:
        lines.append(f"The logger's own events: {len(found['events'])}, the first at {found['events'][0].get('time')}.")
    lines += [f"Note: {notice['text']}" for notice in load.notices]
    lines += ["", "To pin this layout in site.toml:", *("  " + line for line in downloads.toml_lines(load))]
    return "\n".join(lines)


def _probe_line(probe: ColumnRow[str]) -> str:
    if not probe["readings"] or probe["first"] is None or probe["last"] is None:
        return f"{probe['label']} ({probe['header']}): no reading with a value"
    interval = "not known" if probe["interval_min"] is None else f"{probe['interval_min']:.4g} min"
    gaps = "no gap" if not probe["gaps"] else f"{len(probe['gaps'])} gap{'s' if len(probe['gaps']) > 1 else ''}, the longest {max(g['minutes'] for g in probe['gaps']):.4g} min"
    unit = f"{probe['unit']}, from the {probe['unit_from']}" if probe["unit_from"] != "assumed" else f"{probe['unit']} ASSUMED: the file does not say"
    sided = f", {probe['one_sided']} that say a side and no number of their own ({', '.join(probe['one_sided_texts'])})" if probe["one_sided"] else ""
    figures = "no number" if probe["min_c"] is None else f"{probe['min_c']:.2f} to {probe['max_c']:.2f} °C"
    return (
        f"{probe['label']}: {probe['readings']} readings from {_shown(probe['first'])} to {_shown(probe['last'])}, every {interval}, {gaps}, "
        f"{figures} (deg{unit}){sided}"
    )


def _shown(time: str) -> str:
    return time.removesuffix("Z").replace("T", " ").split(".")[0]


def row(load: Download) -> Inspection:
    """The same as plain data: CONTRACTS ``sources[]`` of the file with ``probes[]`` and ``channels[]`` as found in it.

    Times are those the file shows, written with a Z for either kind; ``time_kind`` says which they are.
    """
    times = pd.DatetimeIndex(load.time)
    probes = [_column(column, times) for column in load.columns if column.kind == "temperature"]
    channels = [{"header": c.header, "label": c.label, "kind": c.kind} for c in load.columns if c.kind != "temperature"]
    order = [name for name in (probe["interval_min"] for probe in probes) if name is not None]
    document: dict[str, object] = {**results.source_row(load.source), "time_kind": load.time_kind, "serial": load.serial, "probes": probes, "channels": channels}
    document["first"], document["last"] = (times.min(), times.max()) if len(times) else (None, None)
    document["interval_min"] = order[0] if order else None
    document["notices"] = list(load.notices)
    return plain(_aware(document))


def _column(column: Column, times: pd.DatetimeIndex) -> ColumnRow[pd.Timestamp]:
    own = times if column.rows is None else times[column.rows]
    side = np.zeros(len(column.values), "int8") if column.one_sided is None else column.one_sided
    index = own.tz_localize("UTC") if own.tz is None else own
    numbers = pd.Series(np.where(side == 0, column.values, np.nan), index=index)  # a one-sided reading has none of its own
    series = pd.Series(np.where(side == 0, column.values, 0.0), index=index)
    texts = [] if column.said is None else sorted(set(column.said[side != 0].tolist()))
    series = series[~series.index.duplicated()].sort_index()
    series = series[series.index.notna()]
    valued = series[series.notna()]
    spans = timeline.steps(series)
    spans = spans[spans["gap"]]
    return {
        "header": column.header, "label": column.label, "unit": column.unit, "unit_from": column.unit_from, "readings": int((np.isfinite(column.values) | (side != 0)).sum()),
        "one_sided": int((side != 0).sum()), "one_sided_texts": texts,
        "first": valued.index[0] if len(valued) else None, "last": valued.index[-1] if len(valued) else None, "interval_min": timeline.interval_min(series),
        "gaps": rows_of(spans[["start", "end", "minutes"]], SpanRow[pd.Timestamp]), "min_c": numbers.min(), "max_c": numbers.max(),
    }  # fmt: skip


def _aware(value: object) -> object:
    """Naive Timestamps marked as UTC, so that they can be written."""
    if isinstance(value, dict):
        return {key: _aware(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_aware(inner) for inner in value]
    if isinstance(value, np.datetime64):
        value = pd.Timestamp(value)
    if isinstance(value, pd.Timestamp) and value is not pd.NaT and value.tz is None:
        return value.tz_localize("UTC")
    return value
