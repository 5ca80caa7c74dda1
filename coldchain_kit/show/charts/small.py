"""The small chart of the front page: the unit that went furthest, its limits, what was outside, where nobody looked, what was written down."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from coldchain_kit.model import Unit
from coldchain_kit.show import wording
from coldchain_kit.show.charts import drawing, layers
from coldchain_kit.show.charts.common import banner, clock_of, excursions_of, in_words, layered, probe_name, shaded, sized, temperature
from coldchain_kit.show.charts.drawing import Clock, Drawing
from coldchain_kit.show.charts.views import LOGBOOK_COLOUR, logbook_marks

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment

MOST_UNITS = 2
HEIGHT_PX = 90
LABEL_SHARE = 0.22  # of the span of temperatures, so that the words of a limit stand clear of the picture's edge


def small(assessment: Assessment) -> list[Drawing]:
    """A low chart of each unit that was outside, the two that went furthest; of the first unit where none was."""
    worst = dict.fromkeys(row["unit"] for row in sorted(assessment.results["excursions"], key=wording.furthest_first) if not wording.of_display(row))
    drawn = [unit for unit in assessment.units.values() if temperature(unit)]
    chosen = [unit for name in worst for unit in drawn if unit.name == name][:MOST_UNITS] or drawn[:1]
    return [_small(assessment, unit) for unit in chosen]


def small_of(assessment: Assessment) -> dict[str, Drawing]:
    """Unit -> its low chart, for every unit with readings."""
    return {unit.name: _small(assessment, unit) for unit in assessment.units.values() if temperature(unit)}


def _small(assessment: Assessment, unit: Unit) -> Drawing:
    clock = _around(assessment, unit)
    condition = assessment.site.units[unit.name].condition
    traces = [trace for trace in temperature(unit) if trace.probe.decides] or temperature(unit)
    names = [probe_name(trace) for trace in traces]
    rows = [row for trace, name in zip(traces, names, strict=True) for row in layers.line_rows(trace, clock, name=name)]
    y = layers.y_axis(rows, condition, title="°C", pad_share=LABEL_SHARE)
    noted = logbook_marks(assessment, unit.name, clock, kinds=("power", "door", "service", "load", "move", "settings", "alarm", "coolant"))
    chart = layered(
        layers.shade([{**span, "label": ""} for span in shaded(assessment, unit)], clock),
        layers.lines(rows, clock, y, names),
        layers.limits(condition, y),
        layers.open_marks([row for trace in traces for row in layers.open_rows(trace, clock)], clock, height_px=HEIGHT_PX),
        layers.uprights(noted[:4], clock, colour=LOGBOOK_COLOUR, top=4, outward=True),
    )
    told = in_words(assessment, unit, traces) + (f" From the logbook: {wording.several([mark['label'] for mark in noted])}." if noted else "")
    one = len(traces) == 1
    title = f"Unit {unit.name}, {probe_name(traces[0])}" if one else f"Unit {unit.name}"
    return drawing.finish(sized(chart, HEIGHT_PX), title=f"{title}. {_shades(assessment, unit)}", description=told, banner=banner(assessment), legend=not one)


def _shades(assessment: Assessment, unit: Unit) -> str:
    """What the shading means, for the kinds that are there."""
    kinds = {span["kind"] for span in shaded(assessment, unit)}
    told = [f"shaded: {'outside the limit' if any(kind.startswith('excursion') for kind in kinds) else 'within the uncertainty of the limit'}"] if kinds - {"no readings"} else []
    return "; ".join([*told, *(["grey, dashed edge: no readings"] if "no readings" in kinds else [])]).capitalize() or "No reading outside"


def _around(assessment: Assessment, unit: Unit) -> Clock:
    """The unit's excursions with as much again on either side, at least half a day, inside its record; the window where it has none."""
    found = excursions_of(assessment, unit.name)
    if not found:
        return clock_of(assessment)
    first, last = min(row["start_earliest"] for row in found), max(row["end_latest"] for row in found)
    pad = max((last - first) / 3, pd.Timedelta(hours=6))
    indexes = [trace.readings.index for trace in unit.traces.values() if len(trace.readings)]
    start, end = max(first - pad, min(index[0] for index in indexes)), min(last + pad, max(index[-1] for index in indexes))
    return Clock.of(start, max(end, start + pd.Timedelta(minutes=1)), assessment.site.timezone)
