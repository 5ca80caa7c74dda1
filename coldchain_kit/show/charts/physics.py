"""Charts for the question why: a fitted course over the readings, the cooling's rhythm before and after."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from coldchain_kit import thermal
from coldchain_kit.model import Trace, timeline
from coldchain_kit.show import wording
from coldchain_kit.show.charts import drawing, layers
from coldchain_kit.show.charts.common import banner, episode_of, excursions_of, layered, probe_name, shaded, sized, temperature, worst_episodes
from coldchain_kit.show.charts.drawing import Clock, Drawing, Gallery

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment

MOST_PHYSICS = 3  # episodes drawn with a fitted course and with the rhythm before and after
REGULAR_R = 0.5**0.5  # two swings share half of their variance; below it the period found is often a multiple of the true one
LOOK_BACK = pd.Timedelta(hours=8)  # long enough for the median to be the usual level while a closed cabinet warms by 3 K (FACTS G3: 1.6 to 4.7 h)


def cause(assessment: Assessment, number: str) -> Drawing | Gallery:
    """The course that a fitted warm-up or cool-down gives for an episode, laid over the readings; words where none could be fitted."""
    import altair as alt

    row, unit, clock = episode_of(assessment, number)
    worst = max((one for one in excursions_of(assessment, unit.name) if one["id"] in row["excursions"]), key=lambda one: -wording.furthest_first(one))
    probe, peak = worst["probe"], worst["extreme_time"]
    if worst["extreme_c"] is None or worst.get("extreme_bound") or probe is None or peak is None:
        return Gallery(empty=f"Episode {number}: readings of it have no number of their own, so no course is fitted to it.")
    trace = unit.traces[probe]
    fit = fitted(trace, start=onset(trace, before=pd.Timestamp(worst["start_earliest"]), direction=worst["direction"]), peak=peak)
    if fit is None:
        return Gallery(empty=f"Episode {number}: too few readings lead up to the extreme to fit a course.")
    course, words = fit
    condition = assessment.site.units[unit.name].condition
    names = [probe_name(trace)]
    rows = layers.line_rows(trace, clock, name=names[0])
    drawn: list[layers.Fitted] = [{"t": int(t), "c": float(c), "course": "fitted course"} for t, c in zip(clock.ms(timeline.times_of(course)), course, strict=True)]
    y = layers.y_axis([*rows, *drawn], condition)
    key = alt.Color(
        "course:N", legend=alt.Legend(title="Physics", symbolType="stroke", symbolSize=400, symbolStrokeWidth=5), scale=alt.Scale(domain=["fitted course"], range=["#777777"])
    )
    overlay = alt.Chart(drawing.data(drawn)).mark_line(strokeWidth=6, opacity=0.55).encode(x=clock.x("t"), y=y, color=key)
    chart = layered(layers.shade(shaded(assessment, unit), clock), overlay, layers.lines(rows, clock, y, names), layers.limits(condition, y))
    told = f"{words} A close fit supports a cause; it does not prove it."
    title = f"Episode {number}: the readings and the course by physics"
    return drawing.finish(
        sized(chart, 280),
        title=title,
        description=f"Probe {trace.probe.name} of unit {unit.name}. {told}",
        notes=(words, "A close fit supports a cause; it does not prove it."),
        banner=banner(assessment),
    )


def fitted(trace: Trace, *, start: pd.Timestamp, peak: pd.Timestamp) -> tuple[pd.Series, str] | None:
    """The exponential course fitted from the onset to the extreme, and its figures in words.

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
    widest = f"at most {wording.minutes(fit.tau_high_min)}" if np.isfinite(fit.tau_high_min) else "no upper bound"
    words = f"Fitted from {len(stretch)} readings: time constant {wording.minutes(fit.tau_min)} (at least {wording.minutes(fit.tau_low_min)}, {widest}), towards {wording.celsius(fit.end_c)}; typical misfit {wording.figure(fit.rms_c)} °C."
    return course, words


def onset(trace: Trace, *, before: pd.Timestamp, direction: str) -> pd.Timestamp:
    """When the temperature last stood at its usual level (the median of the hours before) on the way out; ``before`` where that is not known."""
    earlier = trace.celsius[(trace.celsius.index >= before - LOOK_BACK) & (trace.celsius.index <= before)].dropna()
    if len(earlier) < 6:
        return before
    over = (earlier - earlier.median()) * (1 if direction == "above" else -1)
    return over.index[np.flatnonzero(over.to_numpy() <= 0)[-1]]


def causes(assessment: Assessment) -> Gallery:
    """The fitted course of each episode that has one."""
    chosen, note = worst_episodes(assessment, MOST_PHYSICS)
    drawn = [cause(assessment, number) for number in chosen]
    return Gallery([one for one in drawn if isinstance(one, Drawing)], note=note, empty="No course was fitted: there is no episode that physics can follow in these readings.")


def cycle(assessment: Assessment, number: str, *, hours: float = 6.0) -> Drawing | Gallery:
    """The compressor's rhythm before and after an episode: two panels of equal length and equal scale.

    Parameters
    ----------
    hours : float
        Length of each panel [h].
    """
    import altair as alt

    row, unit, _ = episode_of(assessment, number)
    traces = sorted((trace for trace in temperature(unit) if len(trace.readings)), key=lambda trace: trace.probe.role != "air")[:1]
    length = pd.Timedelta(hours=hours)
    began = onset(traces[0], before=row["start"], direction=row.get("direction", "above")) if traces else row["start"]
    spans = {"before": (began - length, began), "after": (row["end"] + length / 3, row["end"] + length / 3 + length)}
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
    if not np.isfinite(rhythm.period_min) or rhythm.strength < REGULAR_R:
        return "no swing regular enough to measure"
    return f"a swing about every {wording.minutes(rhythm.period_min)}, {wording.figure(rhythm.range_k)} °C from low to high"


def cycles(assessment: Assessment) -> Gallery:
    """The rhythm before and after each episode that has readings on both sides."""
    chosen, note = worst_episodes(assessment, MOST_PHYSICS)
    drawn = [cycle(assessment, number) for number in chosen]
    return Gallery([one for one in drawn if isinstance(one, Drawing)], note=note, empty="There are no readings on both sides of an episode, so the rhythm cannot be compared.")
