"""Views of an assessment: all probes, each episode from near, flags over time, the other channels, a month by days."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal, TypedDict

import numpy as np
import pandas as pd

from coldchain_kit import quality
from coldchain_kit.base import zones
from coldchain_kit.model import FLAG_WORDS, Trace, Unit, rows_of, timeline
from coldchain_kit.show import wording
from coldchain_kit.show.charts import drawing, layers
from coldchain_kit.show.charts.common import (
    banner,
    clock_of,
    corrected,
    episode_in_words,
    episode_of,
    excursions_of,
    in_words,
    layered,
    probe_name,
    room_of,
    row_direction,
    shaded,
    sized,
    temperature,
    worst_episodes,
)
from coldchain_kit.show.charts.drawing import Clock, Drawing, Gallery

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment

LOGBOOK_COLOUR = "#5B2A86"
FLAG_LOOKS = {  # fill, edge, dash of the edge
    "good": ("#CFE8DD", "#009E73", (1, 0)),
    "not evaluated": ("#F2F2F2", "#999999", (2, 2)),
    "suspect": ("#F0C419", "#8A6D00", (1, 0)),
    "failed": ("#B2182B", "#67001F", (1, 0)),
    "no value": ("#8C8C8C", "#333333", (1, 0)),
    "no readings": ("#FFFFFF", "#555555", (6, 4)),
}


def overview(assessment: Assessment) -> Gallery:
    """All probes of each unit over the whole window, with limits, excursions and stretches without readings shaded."""
    return Gallery([_overview(assessment, unit) for unit in assessment.units.values() if temperature(unit)], empty="There is no reading to draw.")


def _overview(assessment: Assessment, unit: Unit) -> Drawing:
    clock, traces = clock_of(assessment), temperature(unit)
    condition = assessment.site.units[unit.name].condition
    whole = tuple((row["start"], row["end"]) for row in excursions_of(assessment, unit.name))
    names = [probe_name(trace) for trace in traces]
    rows = [row for trace, name in zip(traces, names, strict=True) for row in layers.line_rows(trace, clock, name=name, full=whole)]
    y = layers.y_axis(rows, condition)
    conflicts: list[layers.Mark] = [
        {"time": pd.Timestamp(row["time"]), "c": None if row.get("one_sided") else row["value_c"], "what": row["why"]}
        for row in assessment.results["conflicts"]
        if row["unit"] == unit.name and row["time"] is not None
    ]
    chart = layered(
        layers.shade(shaded(assessment, unit), clock),
        layers.lines(rows, clock, y, names),
        layers.marks(conflicts, clock, y, shape="diamond", colour="#000000", legend="readings at odds"),
        layers.limits(condition, y),
        layers.open_marks([row for trace in traces for row in layers.open_rows(trace, clock)], clock),
    )
    title = f"Unit {unit.name}: all probes, {'corrected' if corrected(traces) else 'as read'}"
    note = f"Storage condition: {condition.title}. The line stops where there are no readings."
    return drawing.finish(sized(chart), title=title, description=in_words(assessment, unit, traces), notes=(note,), banner=banner(assessment))


def episode(assessment: Assessment, number: str) -> Drawing:
    """One episode from near: readings as dots, as read and corrected, uncertainty, limits, start, end and extreme.

    Parameters
    ----------
    assessment : Assessment
    number : str
        The episode's id in the results.
    """
    row, unit, clock = episode_of(assessment, number)
    condition = assessment.site.units[unit.name].condition
    excursions = [one for one in excursions_of(assessment, unit.name) if one["id"] in row["excursions"]]
    traces = [trace for trace in temperature(unit) if trace.probe.decides or trace.probe.role == "air"]
    names = [f"{probe_name(trace)}{', corrected' if corrected([trace]) else ''}" for trace in traces]
    rows = [one for trace, name in zip(traces, names, strict=True) for one in layers.line_rows(trace, clock, name=name, with_u=True)]
    for trace in traces:
        if corrected([trace]) and trace.probe.decides:
            names.append(f"{probe_name(trace)}, as read")
            rows += layers.line_rows(trace, clock, name=names[-1], column="as_read_c")
    y = layers.y_axis(rows, condition)
    extremes: list[layers.Mark] = [
        {"time": one["extreme_time"], "c": one["extreme_c"], "what": f"{one['id']}: {wording.celsius(one['extreme_c'])}"}
        for one in excursions
        if one["extreme_time"] is not None and one["extreme_c"] is not None and not one.get("extreme_bound")
    ]
    few = len(excursions) <= 3
    edges: list[layers.Upright] = [
        {"time": one[edge], "label": f"{one['id']} {edge}, about {wording.local(one[edge], assessment.site.timezone):%H:%M}"} for one in excursions for edge in ("start", "end") if few
    ]
    noted = logbook_marks(assessment, unit.name, clock)
    chart = layered(
        layers.shade(shaded(assessment, unit), clock),
        layers.band([one for one in rows if one.get("u")], clock, y, names),
        layers.lines(rows, clock, y, names, points=len(rows) <= 400),
        layers.marks(extremes, clock, y, shape="triangle-down" if row_direction(excursions) == "above" else "triangle-up", colour="#000000", legend="most extreme reading"),
        layers.limits(condition, y),
        layers.open_marks([one for trace in traces for one in layers.open_rows(trace, clock)], clock, height_px=320),
        layers.uprights(edges, clock, top=260 if row_direction(excursions) == "above" else 20),
        layers.uprights(noted, clock, colour=LOGBOOK_COLOUR, top=20 if row_direction(excursions) == "above" else 250, outward=True),
    )
    title = f"Episode {number}, unit {unit.name}: {wording.word(row_direction(excursions))}"
    notes = ("Pale band: expanded uncertainty of the probe (k = 2). Start and end are estimated on the straight line between two readings.",)
    told = episode_in_words(assessment, row, excursions) + (f" Marked from the logbook: {wording.several([one['label'] for one in noted])}." if noted else "")
    return drawing.finish(sized(chart, 320), title=title, description=told, notes=notes, banner=banner(assessment))


NOTED = {
    "power": "power cut", "door": "door open", "service": "service", "load": "goods put in", "move": "goods moved", "settings": "settings changed", "check": "check", "alarm": "alarm seen",
    "alarm_test": "alarm test", "call": "call", "coolant": "coolant", "note": "note", "download": "download",
}  # fmt: skip


def logbook_marks(assessment: Assessment, unit: str, clock: Clock, *, kinds: Sequence[str] = tuple(NOTED)) -> list[layers.Upright]:
    """Entries of the logbook inside the picture: what each kind means and its local time, "power cut from 21:30, as written"."""
    zone = assessment.site.timezone
    marks: list[layers.Upright] = []
    for entry in assessment.logbook:
        if entry.unit in (None, unit) and entry.kind in kinds:
            what = NOTED.get(entry.kind, wording.word(entry.kind))
            marks.append({"time": entry.time, "label": f"{what}{' from' if entry.until is not None else ''} {wording.local(entry.time, zone):%H:%M}, as written"})
            if entry.until is not None:
                marks.append({"time": entry.until, "label": f"{what} until {wording.local(entry.until, zone):%H:%M}, as written"})
    return sorted((mark for mark in marks if clock.start <= mark["time"] <= clock.end), key=lambda mark: mark["time"])


def episodes(assessment: Assessment) -> Gallery:
    """A chart for each episode; of very many, those with the most degree-minutes."""
    chosen, note = worst_episodes(assessment)
    return Gallery([episode(assessment, number) for number in chosen], empty="No excursion was found, so there is no episode to draw.", note=note)


def flags(assessment: Assessment) -> Drawing | Gallery:
    """What the quality tests say about every reading of every probe, over time, in words and colours."""
    import altair as alt

    units = list(assessment.units.values())
    named = [(f"{unit.name} {trace.probe.name}" if len(units) > 1 else trace.probe.name, unit, trace) for unit in units for trace in unit.traces.values() if len(trace.readings)]
    if not named:
        return Gallery(empty="There is no reading to judge.")
    clock = clock_of(assessment)
    rows: list[layers.Block] = [{**run, "row": name} for name, _, trace in named for run in _flag_runs(trace, clock)]
    order = alt.Y("row:N", title="Probe", sort=[name for name, _, _ in named])
    chart = layers.rectangles(rows, FLAG_LOOKS, legend="Quality tests", x=clock.x("t"), y=order)
    told = [f"Probe {name}: " + wording.several([kind for kind in FLAG_LOOKS if any(row["row"] == name and row["kind"] == kind for row in rows)]) + "." for name, _, _ in named]
    chart = chart.properties(width=drawing.WIDTH_PX, height=36 * len(named) + 10)
    return drawing.finish(chart, title="What the quality tests say about each reading", description=" ".join(told), banner=banner(assessment))


def _flag_runs(trace: Trace, clock: Clock) -> list[layers.Block]:
    """Stretches of one rolled-up flag of a probe, and its gaps."""
    codes = quality.rolled(trace)
    codes = codes[(codes.index >= clock.start) & (codes.index <= clock.end)]
    if not len(codes):
        return []
    values, t = codes.to_numpy(), clock.ms(timeline.times_of(codes))
    usual = (timeline.usual_min(codes.index) or 1.0) * 60_000
    wide = np.append(np.diff(t) > max(timeline.GAP_FACTOR * usual, timeline.GAP_FLOOR_MIN * 60_000), True)
    starts = np.concatenate([[0], np.flatnonzero((np.diff(values) != 0) | wide[:-1]) + 1])
    ends = np.append(starts[1:] - 1, len(values) - 1)
    runs: list[layers.Block] = []
    for first, last in zip(starts, ends, strict=True):
        until = t[last] if wide[last] else t[last + 1]
        runs.append({"t": int(t[first]), "t2": int(max(until, t[first] + 1)), "kind": wording.word(FLAG_WORDS[int(values[first])])})
    silent: list[layers.Block] = [{"t": int(t[at]), "t2": int(t[at + 1]), "kind": "no readings"} for at in np.flatnonzero(wide[:-1])]
    return runs + silent


def channels(assessment: Assessment) -> Gallery:
    """The room, the door, the power and the logger's other channels below the unit's own trace, on one time axis."""
    drawn = [_channels(assessment, unit) for unit in assessment.units.values() if unit.channels or room_of(assessment, unit)]
    return Gallery(drawn, empty="No room probe, door or power channel was recorded. Their silence is not evidence.")


def _channels(assessment: Assessment, unit: Unit) -> Drawing:
    import altair as alt

    clock, condition = clock_of(assessment), assessment.site.units[unit.name].condition
    traces = temperature(unit)
    names = [probe_name(trace) for trace in traces]
    rows = [row for trace, name in zip(traces, names, strict=True) for row in layers.line_rows(trace, clock, name=name)]
    y = layers.y_axis(rows, condition, title="Unit (°C)")
    spans = shaded(assessment, unit)
    above = [row for trace in traces for row in layers.open_rows(trace, clock)]
    parts = (layers.shade(spans, clock, title=False), layers.lines(rows, clock, y, names, title=False), layers.limits(condition, y), layers.open_marks(above, clock, height_px=200, title=False))
    panels = [sized(layered(*parts), 200)]
    side: list[tuple[str, pd.Series]] = [("Room (°C)", trace.celsius) for trace in room_of(assessment, unit)]
    side += [(f"{name} ({_CHANNEL_UNITS.get(str(series.attrs.get('kind')), 'as recorded')})", series) for name, series in unit.channels.items()]
    for at, (label, series) in enumerate(side):
        inside = series[(series.index >= clock.start) & (series.index <= clock.end)].astype("float64")
        kept = drawing.reduce(inside, gap=timeline.neighbours(inside).gap)
        data = [{"t": int(t), "v": float(v), "run": int(r)} for t, v, r in zip(clock.ms(timeline.times_of(kept)), kept["celsius"], kept["run"], strict=True)]
        step: Literal["step-after", "linear"] = "step-after" if series.attrs.get("kind") in ("door", "power") else "linear"
        line = alt.Chart(drawing.data(data)).mark_line(color="#333333", strokeWidth=1.2, interpolate=step)
        panel = line.encode(x=clock.x("t", title=at == len(side) - 1), y=alt.Y("v:Q", title=label, scale=alt.Scale(zero=False)), detail="run:N")
        panels.append(panel.properties(width=drawing.WIDTH_PX, height=90))
    chart = alt.vconcat(*panels, spacing=6).resolve_scale(color="independent", strokeDash="independent", stroke="independent")
    told = f"{in_words(assessment, unit, traces)} Below it on the same time axis: {wording.several([label for label, _ in side])}."
    return drawing.finish(chart, title=f"Unit {unit.name} and what else was recorded", description=told, banner=banner(assessment))


_CHANNEL_UNITS = {"humidity": "%", "battery": "V"}


class DailyRow(TypedDict):
    """A row of :func:`daily`, of one probe."""

    day: str
    min_c: float
    max_c: float
    mean_c: float
    readings: int
    open: int
    probe: str


def month(assessment: Assessment) -> Gallery:
    """Each day of the window as a bar from its lowest to its highest reading, days with excursions and days without readings named."""
    return Gallery([_month(assessment, unit) for unit in assessment.units.values() if temperature(unit)], empty="There is no reading to draw.")


def _month(assessment: Assessment, unit: Unit) -> Drawing:
    import altair as alt

    zone, entry = assessment.site.timezone, assessment.site.units[unit.name]
    clock, traces = clock_of(assessment), [trace for trace in temperature(unit) if trace.probe.decides] or temperature(unit)
    table = pd.concat([daily(trace, zone, start=clock.start, end=clock.end).assign(probe=probe_name(trace)) for trace in traces])
    days = sorted(table["day"].unique())
    hit = {str(at.tz_convert(zones.database(zone)).date()) for one in excursions_of(assessment, unit.name) for at in pd.date_range(one["start"], one["end"], freq="6h").union([one["end"]])}
    words = [{"day": day, "what": _day_word(table[table["day"] == day], outside=day in hit)} for day in days]
    names = [probe_name(trace) for trace in traces]
    rows: list[layers.Day] = [
        {"day": one["day"], "c": one["min_c"], "top": one["max_c"], "mean": None if np.isnan(one["mean_c"]) else one["mean_c"], "probe": one["probe"]}
        for one in rows_of(table, DailyRow)
        if not np.isnan(one["min_c"])
    ]
    tops: list[layers.Value] = [{"c": row["top"]} for row in rows]
    y = layers.y_axis([*rows, *tops], entry.condition)
    x = alt.X("day:O", title=f"Day in {zone}", scale=alt.Scale(domain=days), axis=alt.Axis(labelExpr="substring(datum.label, 8)", labelAngle=0))
    colour, _ = layers.scale(names)
    colour = alt.Color("probe:N", scale=colour["scale"], legend=alt.Legend(title="Probe"))
    base = alt.Chart(drawing.data(rows)).encode(x=x, xOffset=alt.XOffset("probe:N", scale=alt.Scale(domain=names)))
    bars = base.mark_bar(opacity=0.75).encode(y=y, y2="top:Q", color=colour)
    means = base.mark_tick(color="#111111", thickness=1.5, orient="horizontal").encode(y=alt.Y("mean:Q", title=y["title"], scale=y["scale"]))
    told = alt.Chart(drawing.data([row for row in words if row["what"]] or [{"day": days[0], "what": " "}]))
    told = told.mark_text(angle=270, align="left", fontSize=10, dx=4, fontWeight="bold").encode(x=x, y=alt.value(222), text="what:N")
    chart = layered(bars, means, layers.limits(entry.condition, y), told).properties(width=drawing.WIDTH_PX, height=240)
    outside = [row["day"] for row in words if row["what"].startswith("outside")]
    empty = [row["day"] for row in words if row["what"] == "no readings"]
    text = f"{in_words(assessment, unit, traces)} Days with an excursion: {_days(outside)}. Days without readings: {_days(empty)}."
    first = wording.local(clock.start, zone)
    title = f"Unit {unit.name}, {first:%Y-%m}: lowest to highest reading of each day"
    return drawing.finish(chart, title=title, description=text, notes=("Bar: lowest to highest reading. Black tick: mean of the day's readings.",), banner=banner(assessment))


def _day_word(rows: pd.DataFrame, *, outside: bool) -> str:
    """What is written over a day of the month's chart."""
    if not rows["readings"].sum():
        return "outside" if outside else "no readings"
    without = "readings without a number" if rows["open"].sum() else ""
    return ", ".join(filter(None, ("outside" if outside else "", without)))


def _days(days: list[str]) -> str:
    """Days in words, three and more neighbours as a span: "2026-03-02 and 2026-03-11 to 2026-03-31"."""
    spans: list[list[str]] = []
    for day in days:
        if spans and pd.Timestamp(day) - pd.Timestamp(spans[-1][-1]) == pd.Timedelta(days=1):
            spans[-1].append(day)
        else:
            spans.append([day])
    return wording.several([words for span in spans for words in (span if len(span) < 3 else [f"{span[0]} to {span[-1]}"])])


def daily(trace: Trace, zone: str, *, start: pd.Timestamp, end: pd.Timestamp) -> pd.DataFrame:
    """Lowest, highest and mean reading [°C] of each local day of a half-open window; days without readings have count 0.

    ``open``: how many of the day's readings have no number of their own: its mean is not given, and its lowest and highest are those of the others.
    """
    here = trace.readings[(trace.readings.index >= start) & (trace.readings.index < end)]
    inside = here["celsius"].dropna()
    known, open_times = timeline.times_of(inside), timeline.times_of(here[here["one_sided"] != 0])
    local, sided = (times.tz_convert(zone).tz_localize(None).normalize() for times in (known, open_times))
    first, stop = (edge.tz_convert(zones.database(zone)) for edge in (start, end))
    days = pd.date_range(first.tz_localize(None).normalize(), (stop - pd.Timedelta("1us")).tz_localize(None).normalize())
    table = inside.groupby(local).agg(["min", "max", "mean", "count"]).reindex(days)
    open_ = pd.Series(1, index=sided).groupby(level=0).sum().reindex(days).fillna(0).astype(int).to_numpy()
    return pd.DataFrame(
        {
            "day": days.strftime("%Y-%m-%d"),
            "min_c": table["min"].to_numpy(),
            "max_c": table["max"].to_numpy(),
            "mean_c": np.where(open_ > 0, np.nan, table["mean"].to_numpy()),
            "readings": table["count"].fillna(0).astype(int).to_numpy() + open_,
            "open": open_,
        }
    )
