"""The layers that charts are made of: lines of probes, limits, shaded stretches, marks. Each takes plain tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NotRequired, TypedDict

import numpy as np
import pandas as pd

from coldchain_kit.excursions import bounds
from coldchain_kit.model import Condition, Trace, timeline
from coldchain_kit.show import wording
from coldchain_kit.show.charts import drawing
from coldchain_kit.show.charts.drawing import Clock

if TYPE_CHECKING:
    import altair as alt

    Drawn = alt.Chart | alt.LayerChart | alt.FacetChart

MOST_LABELS = 12  # more upright lines than this run into each other; the tables list them all
LABEL_PX = 48  # room that the id of an excursion takes
FAR_K = 12.0  # a limit further from every reading than this, and than twice their range, is named and not drawn to scale
SECOND = "does not decide"  # in a probe's name: its line is thin and lies below the others
SHADES = {  # what is shaded: fill, edge, dash of the edge
    "excursion above the limit": ("#F8CFB0", "#D55E00", (1, 0)),
    "excursion below the limit": ("#BFDCF2", "#0072B2", (1, 0)),
    "above, within the uncertainty": ("#FCE8D8", "#D55E00", (3, 2)),
    "below, within the uncertainty": ("#E2F0FA", "#0072B2", (3, 2)),
    "no readings": ("#E4E4E4", "#555555", (6, 4)),
}


class Value(TypedDict):
    """A temperature in a picture and its expanded uncertainty [°C]."""

    c: float
    u: NotRequired[float]


class Reading(Value):
    """The same at an instant, in milliseconds of the picture's clock."""

    t: int


class Point(Reading):
    """The same of a probe, in a run without a gap."""

    probe: str
    run: int


class Fitted(Reading):
    """The same of a course by physics."""

    course: str


class Day(Value):
    """Lowest (``c``), highest and mean reading [°C] of a probe on one day."""

    day: str
    top: float
    mean: float | None
    probe: str


class Limit(TypedDict):
    """A limit [°C] with its words."""

    c: float
    label: str
    side: str


class Span(TypedDict):
    """A stretch to be shaded."""

    start: pd.Timestamp
    end: pd.Timestamp
    kind: str
    label: str


class Block(TypedDict):
    """A rectangle over time, in milliseconds of the picture's clock; ``row``: on which line it stands."""

    t: int
    t2: int
    kind: str
    label: NotRequired[str]
    row: NotRequired[str]


class Label(TypedDict):
    """Words at an instant, in milliseconds of the picture's clock."""

    t: int
    label: str


class Mark(TypedDict):
    """A single point [°C] with what it is; one without a number is not drawn."""

    time: pd.Timestamp
    c: float | None
    what: str


class Open(TypedDict):
    """A one-sided reading: 1 above, -1 below what can be shown; its words, empty within a run."""

    time: pd.Timestamp
    side: int
    label: str
    what: str


class Upright(TypedDict):
    """An instant with its words."""

    time: pd.Timestamp
    label: str


def line_rows(trace: Trace, clock: Clock, *, name: str, column: str = "celsius", width_px: int = drawing.WIDTH_PX, full: tuple[tuple[pd.Timestamp, pd.Timestamp], ...] = (), with_u: bool = False) -> list[Point]:
    """Rows {t, c, probe, run} (``with_u``: and u, the expanded uncertainty [°C]) of one probe inside the clock's span, reduced to what the pixels need; breaks at gaps and at readings without a number."""
    readings = trace.readings
    inside = readings[(readings.index >= clock.start) & (readings.index <= clock.end)]
    series = inside[column]
    gap = bounds.number_gaps(trace, start=clock.start, stop=clock.end + pd.Timedelta(1, "us"))
    kept = drawing.reduce(series, gap=gap, width_px=width_px, full=full)
    if with_u and len(kept):
        kept = kept.assign(u=inside["u_c"].reindex(kept.index).to_numpy() * 2)
    times = clock.ms(timeline.times_of(kept))
    rows: list[Point] = [{"t": int(t), "c": float(c), "probe": name, "run": int(r)} for t, c, r in zip(times, kept["celsius"], kept["run"], strict=True)]
    if "u" in kept:
        for row, u in zip(rows, kept["u"], strict=True):
            row["u"] = 0.0 if pd.isna(u) else round(float(u), 4)
    return rows


def open_rows(trace: Trace, clock: Clock, *, width_px: int = drawing.WIDTH_PX) -> list[Open]:
    """Rows {time, side, label} of one probe's one-sided readings inside the clock's span, at most one a pixel; the file's text at the first of a run."""
    readings = trace.readings
    here = np.flatnonzero((readings["one_sided"].to_numpy() != 0) & (readings.index >= clock.start) & (readings.index <= clock.end))
    rows: list[Open] = []
    times, least = timeline.times_of(readings), (clock.end - clock.start) / width_px
    before: tuple[int, pd.Timestamp, tuple[int, object]] | None = None
    for at in here.tolist():
        time, said = times[at], (int(readings["one_sided"].iloc[at]), readings["text"].iloc[at])
        new = before is None or said != before[2] or at != before[0] + 1
        if before is None or new or time - before[1] >= least:
            text = f"“{said[1]}”" if said[1] else "end of range"
            rows.append({"time": time, "side": said[0], "label": text if new else "", "what": f"{trace.probe.name}: {text}"})
            before = (at, time, said)
        else:
            before = (at, before[1], said)
    return rows


OPEN_LOOKS = {1: ("above what can be shown: value not known", "triangle-up", 24), -1: ("below what can be shown: value not known", "triangle-down", -9)}


def open_marks(rows: list[Open], clock: Clock, *, height_px: int = drawing.HEIGHT_PX, title: bool = True) -> Drawn | None:
    """One-sided readings as open triangles at the chart's edge with the file's own words: a side, not a point on the temperature axis."""
    import altair as alt

    parts = []
    for side, (legend, shape, off) in OPEN_LOOKS.items():
        data = [{"t": clock.ms(row["time"]), "mark": legend, "label": row["label"], "what": row["what"]} for row in rows if row["side"] == side]
        if not data:
            continue
        edge = alt.value(off if side > 0 else height_px + off)
        key = alt.Shape("mark:N", scale=alt.Scale(domain=[legend], range=[shape]), legend=alt.Legend(title="Without a number"))
        base = alt.Chart(drawing.data(data)).encode(x=clock.x("t", title=title), y=edge)
        parts.append(base.mark_point(size=60, color="#000000", filled=False, strokeWidth=1.4).encode(shape=key, tooltip="what:N"))
        words = [row for row in data if row["label"]]
        named = alt.Chart(drawing.data(words)).mark_text(dx=-8, align="right", baseline="middle", fontSize=11.5, color="#111111")
        parts.append(named.encode(x=clock.x("t", title=title), y=edge, text="label:N"))
    return alt.layer(*parts).resolve_scale(shape="independent") if parts else None


def scale(names: list[str]) -> tuple[alt.Color, alt.StrokeDash]:
    """Colour and dash of the probes' lines, with one legend for both; those that decide come first in it."""
    import altair as alt

    names = sorted(names, key=lambda name: SECOND in name)
    count = len(names)
    colours = [drawing.LINE_COLOURS[at % len(drawing.LINE_COLOURS)] for at in range(count)]
    dashes = [list(drawing.LINE_DASHES[at % len(drawing.LINE_DASHES)]) for at in range(count)]
    legend = alt.Legend(title="Probe", symbolType="stroke", symbolSize=400, columns=2 if count > 2 else 0)
    colour = alt.Color("probe:N", scale=alt.Scale(domain=names, range=colours), legend=legend)
    return colour, alt.StrokeDash("probe:N", scale=alt.Scale(domain=names, range=dashes), legend=legend)


def y_axis(rows: Sequence[Value], condition: Condition | None, *, title: str = "Temperature (°C)", pad_share: float = 0.08) -> alt.Y:
    """The temperature axis that holds every reading, and each limit that is not so far off that the readings would become a flat line."""
    import altair as alt

    values = [row["c"] + side * row.get("u", 0.0) for row in rows for side in (-1, 1)]
    low, high = (min(values), max(values)) if values else (0.0, 1.0)
    near = max(FAR_K, 2 * (high - low))
    if condition:
        bounds = [limit for limit in (condition.limit_c("above"), condition.limit_c("below")) if limit is not None]
        bounds = [limit for limit in bounds if low - near <= limit <= high + near or not values]
        low, high = min([low, *bounds]), max([high, *bounds])
    pad = max((high - low) * pad_share, 0.5)
    return alt.Y("c:Q", title=title, scale=alt.Scale(domain=[round(low - pad, 3), round(high + pad, 3)], nice=False, zero=False))


def lines(rows: list[Point], clock: Clock, y: alt.Y, names: list[str], *, title: bool = True, points: bool = False, width: float = 1.5) -> Drawn:
    """Lines of the probes, thin for those that do not decide; a run of one reading is a dot, since no line shows it."""
    import altair as alt

    colour, dash = scale(names)
    data, x = drawing.data(rows), clock.x("t", title=title)
    drawn = (
        alt.Chart(data)
        .mark_line(interpolate="linear")
        .encode(x=x, y=y, color=colour, strokeDash=dash, detail="run:N", strokeWidth=alt.condition(f"indexof(datum.probe, '{SECOND}') >= 0", alt.value(0.7), alt.value(width)))
    )
    sizes: dict[tuple[str, int], int] = {}
    for row in rows:
        sizes[row["probe"], row["run"]] = sizes.get((row["probe"], row["run"]), 0) + 1
    dots = [row for row in rows if points or sizes[row["probe"], row["run"]] == 1]
    if not dots:
        return drawn
    tips = [alt.Tooltip("probe:N", title="Probe"), alt.Tooltip("c:Q", title="°C"), alt.Tooltip("utcyearmonthdatehoursminutes(t):T", title="time (offset at the chart's start)")]
    return drawn + alt.Chart(drawing.data(dots)).mark_circle(size=14, opacity=1).encode(x=x, y=y, color=alt.Color("probe:N", scale=colour["scale"], legend=None), tooltip=tips)


def band(rows: list[Point], clock: Clock, y: alt.Y, names: list[str], *, title: bool = True) -> Drawn:
    """The expanded uncertainty around each line, as a pale band."""
    import altair as alt

    colour, _ = scale(names)
    data = [{"t": row["t"], "c": row["c"] - row["u"], "top": row["c"] + row["u"], "probe": row["probe"], "run": row["run"]} for row in rows if row.get("u")]
    area = alt.Chart(drawing.data(data)).mark_area(opacity=0.16)
    return area.encode(x=clock.x("t", title=title), y=y, y2="top:Q", color=alt.Color("probe:N", scale=colour["scale"], legend=None), detail="run:N")


def limits(condition: Condition, y: alt.Y) -> Drawn | None:
    """The limits of the storage condition as labelled lines; a limit beyond the axis is named at its edge."""
    import altair as alt

    low, high = y["scale"]["domain"]
    rows: list[Limit] = [{"c": limit, "label": limit_words(condition, side), "side": side} for side in ("above", "below") if (limit := condition.limit_c(side)) is not None]
    far: list[Limit] = [{**row, "c": max(min(row["c"], high), low), "label": f"{row['label']}, off this picture"} for row in rows if not low <= row["c"] <= high]
    rows = [row for row in rows if low <= row["c"] <= high]
    rule = alt.Chart(drawing.data(rows)).mark_rule(color="#222222", strokeWidth=1.2, strokeDash=[8, 3]).encode(y=y)
    words = [_limit_label(row, y, below=row["side"] == "below") for row in rows]
    for edge in (low, high):
        beyond = [row for row in far if row["c"] == edge]
        words += [_limit_label(row, y, below=edge == high, lines=line) for line, row in enumerate(beyond)]
    return alt.layer(*([rule] if rows else []), *words) if words else None


def _limit_label(row: Limit, y: alt.Y, *, below: bool, lines: int = 0) -> alt.Chart:
    """The words of one limit, below or above its line, so many lines further off."""
    import altair as alt

    step = 3 + 14 * lines if below else -2 - 14 * lines
    mark = alt.Chart(drawing.data([row])).mark_text(align="right", baseline="top" if below else "bottom", dx=-4, dy=step, color="#222222", fontSize=11.5)
    return mark.encode(y=y, x=alt.value("width"), text="label:N")


def limit_words(condition: Condition, side: str) -> str:
    """ "high limit 8 °C", in the limit's own unit."""
    own = condition.high if side == "above" else condition.low
    words = f"{'high' if side == 'above' else 'low'} limit {own:g} °{condition.unit}"
    return words if condition.unit == "C" else f"{words} = {wording.celsius(condition.limit_c(side))}"


def shade(spans: list[Span], clock: Clock, *, title: bool = True) -> Drawn | None:
    """Shaded stretches {start, end, kind, label}: fill and edge by kind, named in a legend, labelled above where few."""
    import altair as alt

    shown = [span for span in spans if span["end"] >= clock.start and span["start"] <= clock.end]
    if not shown:
        return None
    rows: list[Block] = [{"t": clock.ms(max(span["start"], clock.start)), "t2": clock.ms(min(span["end"], clock.end)), "kind": span["kind"], "label": span.get("label", "")} for span in shown]
    x = clock.x("t", title=title)
    drawn = rectangles(rows, SHADES, legend="Shaded", x=x)
    labelled: list[Label] = [{"t": (row["t"] + row["t2"]) // 2, "label": row["label"]} for row in rows if row["label"]]
    labelled = _apart(labelled, (clock.ms(clock.end) - clock.ms(clock.start)) * LABEL_PX // drawing.WIDTH_PX)
    if not labelled:
        return drawn
    words = alt.Chart(drawing.data(labelled)).mark_text(fontSize=11.5, color="#111111", baseline="top", dy=2).encode(x=x, y=alt.value(0), text="label:N")
    return alt.layer(drawn, words)


def _apart(labels: list[Label], least: int) -> list[Label]:
    """The labels that do not run into the one before."""
    kept: list[Label] = []
    for row in sorted(labels, key=lambda row: row["t"]):
        if not kept or row["t"] - kept[-1]["t"] >= least:
            kept.append(row)
    return kept


def rectangles(rows: Sequence[Block], looks: Mapping[str, tuple[str, str, tuple[int, ...]]], *, legend: str, **channels: alt.X | alt.Y) -> Drawn:
    """Rectangles from t to t2, filled and edged by their kind; a legend names the kinds that are there."""
    import altair as alt

    kinds = [kind for kind in looks if any(row["kind"] == kind for row in rows)]
    key = alt.Legend(title=legend, symbolType="square", symbolSize=160)
    colour, stroke = (alt.Scale(domain=kinds, range=[looks[kind][at] for kind in kinds]) for at in (0, 1))
    parts = []
    for kind in kinds:
        own = alt.Chart(drawing.data([row for row in rows if row["kind"] == kind])).mark_rect(strokeWidth=1, opacity=0.75, strokeDash=list(looks[kind][2]))
        parts.append(own.encode(x2="t2:T", color=alt.Color("kind:N", scale=colour, legend=key), stroke=alt.Stroke("kind:N", scale=stroke, legend=key), **channels))
    return alt.layer(*parts)


def marks(rows: list[Mark], clock: Clock, y: alt.Y, *, shape: str, colour: str, legend: str, title: bool = True) -> alt.Chart | None:
    """Single points {time, c, what} with a shape of their own, named in a legend."""
    import altair as alt

    data = [{"t": clock.ms(row["time"]), "c": row["c"], "mark": legend, "what": row.get("what", "")} for row in rows if clock.start <= row["time"] <= clock.end]
    if not data:
        return None
    key = alt.Shape("mark:N", scale=alt.Scale(domain=[legend], range=[shape]), legend=alt.Legend(title="Mark"))
    return alt.Chart(drawing.data(data)).mark_point(size=70, color=colour, filled=False, strokeWidth=1.6).encode(x=clock.x("t", title=title), y=y, shape=key, tooltip="what:N")


def uprights(rows: list[Upright], clock: Clock, *, title: bool = True, colour: str = "#333333", top: float = 16, outward: bool = False) -> Drawn | None:
    """Upright lines {time, label} through the whole height, each with its words beside it, on steps so that they stay apart; ``outward``: words away from the middle, where there is room."""
    import altair as alt

    rows = [row for row in rows if clock.start <= row["time"] <= clock.end]
    if not rows:
        return None
    x = clock.x("t", title=title)
    middle, span = (clock.ms(clock.start) + clock.ms(clock.end)) / 2, clock.ms(clock.end) - clock.ms(clock.start)
    parts = []
    for at, row in enumerate(rows[:MOST_LABELS]):
        data = drawing.data([{"t": clock.ms(row["time"]), "label": row["label"]}])
        off = clock.ms(row["time"]) - middle
        left = off > 0 if not outward or abs(off) > 0.3 * span else off < 0
        words = alt.Chart(data).mark_text(align="right" if left else "left", dx=-4 if left else 4, baseline="top", fontSize=11.5, color=colour)
        parts.append(alt.Chart(data).mark_rule(color=colour, strokeDash=[2, 2], strokeWidth=1).encode(x=x))
        parts.append(words.encode(x=x, y=alt.value(top + 13 * (at % 4)), text="label:N"))
    return alt.layer(*parts)
