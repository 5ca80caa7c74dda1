"""Charts of an assessment: views of finished tables, times in the site's zone, words beside every colour."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from coldchain_kit import drawing, layers, say, thermal, timeline
from coldchain_kit.drawing import Clock, Drawing, Gallery
from coldchain_kit.trace import FLAG_WORDS, Trace, Unit, roll_up

MOST_EPISODES = 12  # more are listed in the table; the most severe are drawn
FLAG_LOOKS = {  # fill, edge, dash of the edge
    "good": ("#CFE8DD", "#009E73", (1, 0)),
    "not evaluated": ("#F2F2F2", "#999999", (2, 2)),
    "suspect": ("#F0C419", "#8A6D00", (1, 0)),
    "failed": ("#B2182B", "#67001F", (1, 0)),
    "no value": ("#8C8C8C", "#333333", (1, 0)),
    "no readings": ("#FFFFFF", "#555555", (6, 4)),
}


def banner(assessment: Any) -> str:
    """The word that must stand on every chart and page of this site: DEMONSTRATION, EXERCISE or none."""
    extra = assessment.site.extra
    return "EXERCISE" if extra.get("exercise") else "DEMONSTRATION" if extra.get("demonstration") else ""


def overview(assessment: Any) -> Gallery:
    """All probes of each unit over the whole window, with limits, excursions and stretches without readings shaded."""
    return Gallery([_overview(assessment, unit) for unit in assessment.units.values() if _temperature(unit)], empty="There is no reading to draw.")


def _overview(assessment: Any, unit: Unit) -> Drawing:
    clock, traces = _clock(assessment), _temperature(unit)
    condition = assessment.site.units[unit.name].condition
    whole = tuple((row["start"], row["end"]) for row in _excursions(assessment, unit.name))
    names = [probe_name(trace) for trace in traces]
    rows = [row for trace, name in zip(traces, names, strict=True) for row in layers.line_rows(trace, clock, name=name, full=whole)]
    y = layers.y_axis(rows, condition)
    conflicts = [{"time": pd.Timestamp(row["time"]), "c": row["value_c"], "what": row["why"]} for row in _rows(assessment, "conflicts", unit.name)]
    chart = _layer(
        layers.shade(_shaded(assessment, unit), clock),
        layers.lines(rows, clock, y, names),
        layers.marks([row for row in conflicts if row["c"] is not None], clock, y, shape="diamond", colour="#000000", legend="readings at odds"),
        layers.limits(condition, y),
    )
    title = f"Unit {unit.name}: all probes, {'corrected' if _corrected(traces) else 'as read'}"
    note = f"Storage condition: {condition.title}. The line stops where there are no readings."
    return drawing.finish(_sized(chart), title=title, description=_in_words(assessment, unit, traces), notes=(note,), banner=banner(assessment))


def episode(assessment: Any, number: str) -> Drawing:
    """One episode from near: readings as dots, as read and corrected, uncertainty, limits, start, end and extreme.

    Parameters
    ----------
    assessment : Assessment
    number : str
        The episode's id in the results.
    """
    row, unit, clock = _episode(assessment, number)
    condition = assessment.site.units[unit.name].condition
    excursions = [one for one in _excursions(assessment, unit.name) if one["id"] in row["excursions"]]
    traces = [trace for trace in _temperature(unit) if trace.probe.decides or trace.probe.role == "air"]
    names = [f"{probe_name(trace)}{', corrected' if _corrected([trace]) else ''}" for trace in traces]
    rows = [one for trace, name in zip(traces, names, strict=True) for one in layers.line_rows(trace, clock, name=name)]
    for trace in traces:
        if _corrected([trace]) and trace.probe.decides:
            names.append(f"{probe_name(trace)}, as read")
            rows += layers.line_rows(trace, clock, name=names[-1], column="as_read_c")
    y = layers.y_axis(rows, condition)
    extremes = [{"time": one["extreme_time"], "c": one["extreme_c"], "what": f"{one['id']}: {say.celsius(one['extreme_c'])}"} for one in excursions]
    few = len(excursions) <= 3
    edges = [
        {"time": one[edge], "label": f"{one['id']} {edge}, about {say.local(one[edge], assessment.site.timezone):%H:%M}"} for one in excursions for edge in ("start", "end") if few
    ]
    chart = _layer(
        layers.shade(_shaded(assessment, unit), clock),
        layers.band([one for one in rows if one.get("u")], clock, y, names),
        layers.lines(rows, clock, y, names, points=len(rows) <= 400),
        layers.marks(extremes, clock, y, shape="triangle-down" if row_direction(excursions) == "above" else "triangle-up", colour="#000000", legend="most extreme reading"),
        layers.limits(condition, y),
        layers.uprights(edges, clock, top=260 if row_direction(excursions) == "above" else 20),
    )
    title = f"Episode {number}, unit {unit.name}: {say.word(row_direction(excursions))}"
    notes = ("Pale band: expanded uncertainty of the probe (k = 2). Start and end are estimated on the straight line between two readings.",)
    return drawing.finish(_sized(chart, 320), title=title, description=episode_in_words(assessment, row, excursions), notes=notes, banner=banner(assessment))


def episodes(assessment: Any) -> Gallery:
    """A chart for each episode; of very many, those with the most degree-minutes."""
    rows = assessment.results["episodes"]
    weight = {row["id"]: sum(one["degree_minutes"] for one in assessment.results["excursions"] if one["id"] in row["excursions"]) for row in rows}
    chosen = sorted(sorted(weight, key=lambda number: -weight[number])[:MOST_EPISODES], key=list(weight).index)
    return Gallery([episode(assessment, number) for number in chosen], empty="No excursion was found, so there is no episode to draw.")


def flags(assessment: Any) -> Drawing | Gallery:
    """What the quality tests say about every reading of every probe, over time, in words and colours."""
    import altair as alt

    units = list(assessment.units.values())
    named = [(f"{unit.name} {trace.probe.name}" if len(units) > 1 else trace.probe.name, unit, trace) for unit in units for trace in unit.traces.values() if len(trace.readings)]
    if not named:
        return Gallery(empty="There is no reading to judge.")
    clock = _clock(assessment)
    rows = [{**run, "row": name} for name, _, trace in named for run in _flag_runs(trace, clock)]
    order = alt.Y("row:N", title="Probe", sort=[name for name, _, _ in named])
    chart = layers.rectangles(rows, FLAG_LOOKS, legend="Quality tests", x=clock.x("t"), y=order)
    told = [f"Probe {name}: " + say.several([kind for kind in FLAG_LOOKS if any(row["row"] == name and row["kind"] == kind for row in rows)]) + "." for name, _, _ in named]
    chart = chart.properties(width=drawing.WIDTH_PX, height=36 * len(named) + 10)
    return drawing.finish(chart, title="What the quality tests say about each reading", description=" ".join(told), banner=banner(assessment))


def _flag_runs(trace: Trace, clock: Clock) -> list[dict[str, Any]]:
    """Stretches of one rolled-up flag of a probe, and its gaps."""
    codes = roll_up(trace.flags)
    codes = codes[(codes.index >= clock.start) & (codes.index <= clock.end)]
    if not len(codes):
        return []
    values, t = codes.to_numpy(), clock.ms(codes.index)
    usual = (timeline.interval_min(codes.index) or 1.0) * 60_000
    wide = np.append(np.diff(t) > max(timeline.GAP_FACTOR * usual, timeline.GAP_FLOOR_MIN * 60_000), True)
    starts = np.concatenate([[0], np.flatnonzero((np.diff(values) != 0) | wide[:-1]) + 1])
    ends = np.append(starts[1:] - 1, len(values) - 1)
    runs = []
    for first, last in zip(starts, ends, strict=True):
        until = t[last] if wide[last] else t[last + 1]
        runs.append({"t": int(t[first]), "t2": int(max(until, t[first] + 1)), "kind": say.word(FLAG_WORDS[int(values[first])])})
    return runs + [{"t": int(t[at]), "t2": int(t[at + 1]), "kind": "no readings"} for at in np.flatnonzero(wide[:-1])]


def channels(assessment: Any) -> Gallery:
    """The room, the door, the power and the logger's other channels below the unit's own trace, on one time axis."""
    drawn = [_channels(assessment, unit) for unit in assessment.units.values() if unit.channels or _room(assessment, unit)]
    return Gallery(drawn, empty="No room probe, door or power channel was recorded. Their silence is not evidence.")


def _channels(assessment: Any, unit: Unit) -> Drawing:
    import altair as alt

    clock, condition = _clock(assessment), assessment.site.units[unit.name].condition
    traces = _temperature(unit)
    names = [probe_name(trace) for trace in traces]
    rows = [row for trace, name in zip(traces, names, strict=True) for row in layers.line_rows(trace, clock, name=name)]
    y = layers.y_axis(rows, condition, title="Unit (°C)")
    shaded = _shaded(assessment, unit)
    panels = [_sized(_layer(layers.shade(shaded, clock, title=False), layers.lines(rows, clock, y, names, title=False), layers.limits(condition, y)), 200)]
    side: list[tuple[str, pd.Series]] = [("Room (°C)", trace.celsius) for trace in _room(assessment, unit)]
    side += [(f"{name} ({_CHANNEL_UNITS.get(series.attrs.get('kind'), 'as recorded')})", series) for name, series in unit.channels.items()]
    for at, (label, series) in enumerate(side):
        inside = series[(series.index >= clock.start) & (series.index <= clock.end)].astype("float64")
        kept = drawing.reduce(inside, gap=timeline.steps(inside)["gap"].to_numpy())
        data = [{"t": int(t), "v": float(v), "run": int(r)} for t, v, r in zip(clock.ms(kept.index), kept["celsius"], kept["run"], strict=True)]
        step = "step-after" if series.attrs.get("kind") in ("door", "power") else "linear"
        line = alt.Chart(alt.Data(values=data)).mark_line(color="#333333", strokeWidth=1.2, interpolate=step)
        panel = line.encode(x=clock.x("t", title=at == len(side) - 1), y=alt.Y("v:Q", title=label, scale=alt.Scale(zero=False)), detail="run:N")
        panels.append(panel.properties(width=drawing.WIDTH_PX, height=90))
    chart = alt.vconcat(*panels, spacing=6).resolve_scale(color="independent", strokeDash="independent", stroke="independent")
    told = f"{_in_words(assessment, unit, traces)} Below it on the same time axis: {say.several([label for label, _ in side])}."
    return drawing.finish(chart, title=f"Unit {unit.name} and what else was recorded", description=told, banner=banner(assessment))


_CHANNEL_UNITS = {"humidity": "%", "battery": "V"}


def cause(assessment: Any, number: str) -> Drawing | Gallery:
    """The course that a fitted warm-up or cool-down gives for an episode, laid over the readings; words where none could be fitted."""
    import altair as alt

    row, unit, clock = _episode(assessment, number)
    worst = max((one for one in _excursions(assessment, unit.name) if one["id"] in row["excursions"]), key=lambda one: one["degree_minutes"])
    trace = unit.traces[worst["probe"]]
    fit = fitted(trace, start=pd.Timestamp(worst["start_earliest"]), peak=worst["extreme_time"])
    if fit is None:
        return Gallery(empty=f"Episode {number}: too few readings lead up to the extreme to fit a course.")
    course, words = fit
    condition = assessment.site.units[unit.name].condition
    names = [probe_name(trace)]
    rows = layers.line_rows(trace, clock, name=names[0])
    drawn = [{"t": int(t), "c": float(c), "course": "fitted course"} for t, c in zip(clock.ms(course.index), course, strict=True)]
    y = layers.y_axis(rows + drawn, condition)
    key = alt.StrokeWidth("course:N", legend=alt.Legend(title="Physics", symbolStrokeColor="#777777", symbolType="stroke", symbolSize=400), scale=alt.Scale(range=[5]))
    overlay = alt.Chart(alt.Data(values=drawn)).mark_line(color="#777777", opacity=0.6).encode(x=clock.x("t"), y=y, strokeWidth=key)
    chart = _layer(layers.shade(_shaded(assessment, unit), clock), overlay, layers.lines(rows, clock, y, names), layers.limits(condition, y))
    told = f"{words} A close fit supports a cause; it does not prove it."
    title = f"Episode {number}: the readings and the course by physics"
    return drawing.finish(
        _sized(chart, 280),
        title=title,
        description=f"Probe {trace.probe.name} of unit {unit.name}. {told}",
        notes=(words, "A close fit supports a cause; it does not prove it."),
        banner=banner(assessment),
    )


def fitted(trace: Trace, *, start: pd.Timestamp, peak: pd.Timestamp) -> tuple[pd.Series, str] | None:
    """The exponential course fitted from the last reading inside to the extreme, and its figures in words.

    Parameters
    ----------
    start, peak : UTC instants of the stretch that is fitted.

    Returns
    -------
    (Series of temperatures [°C] over the stretch, sentence), or None with fewer than six readings.
    """
    stretch = trace.celsius[(trace.celsius.index >= start) & (trace.celsius.index <= peak)].dropna()
    if len(stretch) < 6:
        return None
    fit = thermal.warm_up(stretch)
    minutes = np.linspace(0.0, (stretch.index[-1] - stretch.index[0]) / pd.Timedelta(minutes=1), 120)
    course = pd.Series(fit.end_c + (fit.start_c - fit.end_c) * np.exp(-minutes / fit.tau_min), index=stretch.index[0] + pd.to_timedelta(minutes, unit="min"))
    widest = f"at most {say.minutes(fit.tau_high_min)}" if np.isfinite(fit.tau_high_min) else "no upper bound"
    words = f"Fitted from {len(stretch)} readings: time constant {say.minutes(fit.tau_min)} (at least {say.minutes(fit.tau_low_min)}, {widest}), towards {say.celsius(fit.end_c)}; typical misfit {say.figure(fit.rms_c)} K."
    return course, words


def causes(assessment: Any) -> Gallery:
    """The fitted course of each episode that has one."""
    drawn = [cause(assessment, row["id"]) for row in assessment.results["episodes"][:MOST_EPISODES]]
    return Gallery([one for one in drawn if isinstance(one, Drawing)], empty="No course was fitted: there is no episode that physics can follow in these readings.")


def cycle(assessment: Any, number: str, *, hours: float = 6.0) -> Drawing | Gallery:
    """The compressor's rhythm before and after an episode: two panels of equal length and equal scale.

    Parameters
    ----------
    hours : float
        Length of each panel [h].
    """
    import altair as alt

    row, unit, _ = _episode(assessment, number)
    traces = sorted((trace for trace in _temperature(unit) if len(trace.readings)), key=lambda trace: trace.probe.role != "air")[:1]
    length = pd.Timedelta(hours=hours)
    spans = {"before": (row["start"] - length, row["start"]), "after": (row["end"] + length / 3, row["end"] + length / 3 + length)}
    cut = {side: Clock.of(*span, assessment.site.timezone) for side, span in spans.items()}
    rows = {side: [one for trace in traces for one in layers.line_rows(trace, clock, name=probe_name(trace))] for side, clock in cut.items()}
    if not all(rows.values()):
        return Gallery(empty=f"Episode {number}: there are no readings both before and after it, so the rhythm cannot be compared.")
    y = layers.y_axis(rows["before"] + rows["after"], None)
    names = [probe_name(trace) for trace in traces]
    panels = [layers.lines(rows[side], cut[side], y, names).properties(width=drawing.WIDTH_PX // 2 - 30, height=200, title=f"{hours:g} h {side} the episode") for side in cut]
    chart = alt.hconcat(*panels, spacing=20)
    swings = tuple(f"{side.capitalize()}: {_swing(traces[0], *spans[side])}." for side in cut)
    told = f"Two panels of {hours:g} hours from probe {names[0]}: before the episode began, and from {hours / 3:g} hours after it ended. {' '.join(swings)}"
    return drawing.finish(chart, title=f"Episode {number}: the cooling's rhythm before and after", description=told, notes=(" ".join(swings),), banner=banner(assessment))


def _swing(trace: Trace, start: pd.Timestamp, end: pd.Timestamp) -> str:
    stretch = trace.celsius[(trace.celsius.index >= start) & (trace.celsius.index <= end)].dropna()
    rhythm = thermal.cycle(stretch)
    if not np.isfinite(rhythm.period_min):
        return "no regular swing shows at this interval"
    return f"a swing about every {say.minutes(rhythm.period_min)}, {say.figure(rhythm.range_k)} K from low to high"


def cycles(assessment: Any) -> Gallery:
    """The rhythm before and after each episode that has readings on both sides."""
    drawn = [cycle(assessment, row["id"]) for row in assessment.results["episodes"][:MOST_EPISODES]]
    return Gallery([one for one in drawn if isinstance(one, Drawing)], empty="There are no readings on both sides of an episode, so the rhythm cannot be compared.")


def month(assessment: Any) -> Gallery:
    """Each day of the window as a bar from its lowest to its highest reading, days with excursions and days without readings named."""
    return Gallery([_month(assessment, unit) for unit in assessment.units.values() if _temperature(unit)], empty="There is no reading to draw.")


def _month(assessment: Any, unit: Unit) -> Drawing:
    import altair as alt

    zone, entry = assessment.site.timezone, assessment.site.units[unit.name]
    clock, traces = _clock(assessment), [trace for trace in _temperature(unit) if trace.probe.decides] or _temperature(unit)
    table = pd.concat([daily(trace, zone, start=clock.start, end=clock.end).assign(probe=probe_name(trace)) for trace in traces])
    days = sorted(table["day"].unique())
    hit = {str(say.local(at, zone).date()) for one in _excursions(assessment, unit.name) for at in pd.date_range(one["start"], one["end"], freq="6h").union([one["end"]])}
    words = [{"day": day, "what": "outside" if day in hit else "no readings" if not table.loc[table["day"] == day, "readings"].sum() else ""} for day in days]
    names = [probe_name(trace) for trace in traces]
    rows = [{"day": one.day, "c": one.min_c, "top": one.max_c, "mean": one.mean_c, "probe": one.probe} for one in table.itertuples() if one.readings]
    y = layers.y_axis(rows + [{"c": row["top"]} for row in rows], entry.condition)
    x = alt.X("day:O", title=f"Day in {zone}", scale=alt.Scale(domain=days), axis=alt.Axis(labelExpr="substring(datum.label, 8)", labelAngle=0))
    colour, _ = layers.scale(names)
    colour = alt.Color("probe:N", scale=colour["scale"], legend=alt.Legend(title="Probe"))
    base = alt.Chart(alt.Data(values=rows)).encode(x=x, xOffset=alt.XOffset("probe:N", scale=alt.Scale(domain=names)))
    bars = base.mark_bar(opacity=0.75).encode(y=y, y2="top:Q", color=colour)
    means = base.mark_tick(color="#111111", thickness=1.5, orient="horizontal").encode(y=alt.Y("mean:Q", title=y["title"], scale=y["scale"]))
    told = alt.Chart(alt.Data(values=[row for row in words if row["what"]] or [{"day": days[0], "what": ""}]))
    told = told.mark_text(angle=270, align="left", fontSize=10, dx=4, fontWeight="bold").encode(x=x, y=alt.value(240), text="what:N")
    chart = alt.layer(bars, means, layers.limits(entry.condition, y), told).properties(width=drawing.WIDTH_PX, height=240)
    outside = [row["day"] for row in words if row["what"] == "outside"]
    empty = [row["day"] for row in words if row["what"] == "no readings"]
    text = f"{_in_words(assessment, unit, traces)} Days with an excursion: {say.several(outside)}. Days without readings: {say.several(empty)}."
    first = say.local(clock.start, zone)
    title = f"Unit {unit.name}, {first:%Y-%m}: lowest to highest reading of each day"
    return drawing.finish(chart, title=title, description=text, notes=("Bar: lowest to highest reading. Black tick: mean of the day's readings.",), banner=banner(assessment))


def daily(trace: Trace, zone: str, *, start: pd.Timestamp, end: pd.Timestamp) -> pd.DataFrame:
    """Lowest, highest and mean reading [°C] of each local day of a half-open window; days without readings have count 0."""
    inside = trace.celsius[(trace.celsius.index >= start) & (trace.celsius.index < end)].dropna()
    local = inside.index.tz_convert(zone).tz_localize(None).normalize()
    days = pd.date_range(say.local(start, zone).tz_localize(None).normalize(), (say.local(end, zone) - pd.Timedelta("1us")).tz_localize(None).normalize())
    table = inside.groupby(local).agg(["min", "max", "mean", "count"]).reindex(days)
    return pd.DataFrame(
        {
            "day": days.strftime("%Y-%m-%d"),
            "min_c": table["min"].to_numpy(),
            "max_c": table["max"].to_numpy(),
            "mean_c": table["mean"].to_numpy(),
            "readings": table["count"].fillna(0).astype(int).to_numpy(),
        }
    )


# --- what the charts share ---------------------------------------------------------------------------------------------


def probe_name(trace: Trace) -> str:
    """ "A (buffered)"; "B (air, does not decide)"."""
    words = [say.word(trace.probe.role)] if trace.probe.role != "unknown" else ["role not known"]
    return f"{trace.probe.name} ({', '.join(words + ([] if trace.probe.decides else [layers.SECOND]))})"


def row_direction(excursions: list[dict]) -> str | None:
    return excursions[0]["direction"] if excursions else None


def _temperature(unit: Unit) -> list[Trace]:
    """The unit's own probes, deciding ones last (drawn on top); those of the room only where there is no other."""
    traces = sorted((trace for trace in unit.traces.values() if trace.celsius.notna().any()), key=lambda trace: trace.probe.decides)
    return [trace for trace in traces if trace.probe.role != "room"] or traces


def _room(assessment: Any, unit: Unit) -> list[Trace]:
    own = [trace for trace in unit.traces.values() if trace.probe.role == "room" and trace not in _temperature(unit)]
    return own or ([assessment.room] if assessment.room is not None and assessment.room not in unit.traces.values() else [])


def _corrected(traces: list[Trace]) -> bool:
    return any((trace.celsius - trace.as_read_c).abs().max() > 1e-6 for trace in traces)


def _rows(assessment: Any, name: str, unit: str) -> list[dict]:
    return [row for row in assessment.results[name] if row["unit"] == unit]


def _excursions(assessment: Any, unit: str) -> list[dict]:
    times = ("start", "end", "extreme_time")
    return [{**row, **{key: pd.Timestamp(row[key]) for key in times}} for row in _rows(assessment, "excursions", unit)]


def _episode(assessment: Any, number: str) -> tuple[dict, Unit, Clock]:
    """An episode, its unit and a time axis around it: half its length, at least two hours, on either side."""
    row = next(row for row in assessment.results["episodes"] if row["id"] == number)
    row = {**row, "start": pd.Timestamp(row["start"]), "end": pd.Timestamp(row["end"])}
    pad = max((row["end"] - row["start"]) / 2, pd.Timedelta(hours=2))
    return row, assessment.units[row["unit"]], Clock.of(row["start"] - pad, row["end"] + pad, assessment.site.timezone)


def _clock(assessment: Any) -> Clock:
    """The time axis of the assessment's window."""
    return Clock.of(assessment.window.start, max(assessment.window.end, assessment.window.start + pd.Timedelta(minutes=1)), assessment.site.timezone)


def _holes(assessment: Any, unit: Unit) -> list[tuple[pd.Timestamp, pd.Timestamp]]:
    """Stretches in which a deciding probe (where none decides: any probe) has no readings, each once."""
    rows = _rows(assessment, "probes", unit.name)
    rows = [row for row in rows if row["decides"]] or rows
    return sorted({(pd.Timestamp(gap["start"]), pd.Timestamp(gap["end"])) for row in rows for gap in row["gaps"]})


def _shaded(assessment: Any, unit: Unit) -> list[dict]:
    spans = [{"start": start, "end": end, "kind": "no readings", "label": ""} for start, end in _holes(assessment, unit)]
    sure = {"above": "excursion above the limit", "below": "excursion below the limit"}
    doubt = {"above": "above, within the uncertainty", "below": "below, within the uncertainty"}
    for row in _excursions(assessment, unit.name):
        kinds = sure if row["verdict"] == "outside" else doubt
        spans.append({"start": row["start"], "end": row["end"], "kind": kinds[row["direction"]], "label": row["id"]})
    return spans


def _layer(*parts: Any) -> Any:
    import altair as alt

    return alt.layer(*[part for part in parts if part is not None]).resolve_scale(color="independent", strokeDash="independent", stroke="independent", shape="independent")


def _sized(chart: Any, height: int = drawing.HEIGHT_PX) -> Any:
    return chart.properties(width=drawing.WIDTH_PX, height=height)


def _in_words(assessment: Any, unit: Unit, traces: list[Trace]) -> str:
    """The alternative text: what a seeing reader takes from the picture, in sentences."""
    zone, parts = assessment.site.timezone, []
    for row in _rows(assessment, "probes", unit.name):
        if row["probe"] in [trace.probe.name for trace in traces] and row["min_c"] is not None:
            parts.append(
                f"Probe {row['probe']}: lowest {say.celsius(row['min_c'])} at {say.when(row['min_time'], zone)}, highest {say.celsius(row['max_c'])} at {say.when(row['max_time'], zone)}."
            )
    found = _excursions(assessment, unit.name)
    parts.append(f"Excursions: {len(found)}." if found else "No excursion was found in the readings that are there.")
    parts.append(f"Stretches without readings: {len(_holes(assessment, unit))}.")
    return f"Temperature of unit {unit.name} over time in {zone}. " + " ".join(parts)


def episode_in_words(assessment: Any, row: dict, excursions: list[dict]) -> str:
    """The alternative text of an episode's chart."""
    zone = assessment.site.timezone
    parts = [
        f"{one['id']}, probe {one['probe']}: {say.word(one['direction'])} from about {say.when(one['start'], zone, estimated=True)} to {say.when(one['end'], zone, estimated=True)},"
        f" {say.minutes(one['minutes'])}, most extreme {say.celsius(one['extreme_c'], limit=one['limit_c'])} at {say.when(one['extreme_time'], zone)}."
        for one in excursions[:6]
    ]
    more = f" And {len(excursions) - 6} more, listed in the table." if len(excursions) > 6 else ""
    return f"Temperature around episode {row['id']} of unit {row['unit']}. " + " ".join(parts) + more
