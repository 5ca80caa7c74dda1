"""A plain chart of named series over time with the limits of a condition: for traces that are no unit of a site."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from coldchain_kit.model import Condition, timeline
from coldchain_kit.show.charts import drawing, layers
from coldchain_kit.show.charts.drawing import Clock, Drawing

MOST_DOTS = 300  # more readings than this are a line without dots


def course(
    series: Mapping[str, pd.Series], condition: Condition, *, zone: str, interval_min: float, title: str, description: str, height_px: int = 200,
    noted: Sequence[tuple[pd.Timestamp, str]] = (), notes: tuple[str, ...] = (), banner: str = "",
) -> Drawing:  # fmt: skip
    """Lines of series, broken at gaps, with limits and notes.

    Parameters
    ----------
    series : dict of name -> Series
        Temperatures [°C] on UTC.
    condition : Condition
        Whose limits are drawn.
    zone : str
        IANA zone of the time axis.
    interval_min : float
        Interval of the readings [min]: a step over 2.5 of it breaks the line.
    noted : (time, words)
        Upright lines.
    """
    import altair as alt

    times = sorted({time for one in series.values() for time in (timeline.times_of(one)[0], timeline.times_of(one)[-1])})
    clock, rows = Clock.of(times[0], times[-1], zone), list[layers.Point]()
    for name, one in series.items():
        run = (one.index.to_series().diff() > pd.Timedelta(minutes=timeline.GAP_FACTOR * interval_min)).cumsum().to_numpy()
        rows += [{"t": int(t), "c": float(c), "probe": name, "run": int(r)} for t, c, r in zip(clock.ms(timeline.times_of(one)), one, run, strict=True)]
    y = layers.y_axis(rows, condition)
    marks: list[layers.Upright] = [{"time": time, "label": text} for time, text in noted]
    parts = [layers.lines(rows, clock, y, list(series), points=len(rows) <= MOST_DOTS), layers.limits(condition, y), layers.uprights(marks, clock, top=6)]
    chart = alt.layer(*[part for part in parts if part is not None]).resolve_scale(color="independent", strokeDash="independent").properties(width=drawing.WIDTH_PX, height=height_px)
    return drawing.finish(chart, title=title, description=description, notes=notes, banner=banner)
