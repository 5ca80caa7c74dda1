"""The renderer: one chart that a live notebook, an offline page and a reader of text can all show.

A :class:`Drawing` carries a Vega-Lite description (drawn by JupyterLab itself), a still SVG with title and description
(frozen pages, screen readers) and plain text. Same data, same bytes.
"""

from __future__ import annotations

import copy
import csv
import hashlib
import io
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Self, overload
from xml.sax.saxutils import escape

import numpy as np
import pandas as pd

from coldchain_kit.base import zones
from coldchain_kit.model import timeline
from coldchain_kit.show import wording

if TYPE_CHECKING:
    import altair as alt

WIDTH_PX, HEIGHT_PX = 700, 260
MOST_TICKS = 10
_STEPS_MIN = (1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720, *(1440 * days for days in (1, 2, 3, 4, 7, 14, 28, 56, 112, 364)))
FULL_READINGS = 3000  # a window shown in full is reduced as well where it holds more than this: there are fewer pixels
LIVE_SCHEMA = "https://vega.github.io/schema/vega-lite/v5.json"  # what JupyterLab 4 draws by itself
_SLACK = 1.15  # texts are laid out this much larger than the still picture prints them: other machines' fonts are wider
LIVE_MIME = "application/vnd.vegalite.v5+json"
# Distinct for the common kinds of colour blindness and in grey (palette of Okabe and Ito); every line has its own dash as well.
LINE_COLOURS = ("#0072B2", "#D55E00", "#009E73", "#7B3294", "#000000", "#B8860B")
LINE_DASHES = ((1, 0), (6, 2), (2, 2), (8, 2, 2, 2), (10, 4), (4, 4))


@dataclass(frozen=True)
class Drawing:
    """A chart with its title and its alternative text.

    Parameters
    ----------
    spec : dict
        Vega-Lite description, data inline.
    title, description : str
        What it is; what it shows, for those who cannot see it.
    """

    spec: dict[str, Any]
    title: str
    description: str

    @cached_property
    def svg(self) -> str:
        """The still picture, with role, title and description."""
        import vl_convert

        drawn = vl_convert.vegalite_to_svg(self.spec, vl_version="6.4")
        drawn = re.sub(r'font-size="([\d.]+)px"', lambda size: f'font-size="{float(size.group(1)) / _SLACK:.2f}px"', drawn)
        drawn = re.sub(r' d="[^"]*"', lambda path: re.sub(r"-?\d+\.\d{3,}", _two_decimals, path.group()), drawn)
        mark = "c" + hashlib.sha256((self.title + self.description + drawn).encode()).hexdigest()[:12]
        drawn = re.sub(r'\b(id="|url\(#|href="#)(?=(?:clip|gradient|pattern)\w*)', rf"\g<1>{mark}", drawn)
        drawn = re.sub(r' (?:role="graphics-[\w-]+"|aria-roledescription="[^"]*")', "", drawn)  # one picture with one description: its parts have none of their own
        head, rest = drawn.split(">", 1)
        words = f'<title id="{mark}t">{escape(self.title)}</title><desc id="{mark}d">{escape(self.description)}</desc>'
        return f'{head} role="img" aria-labelledby="{mark}t {mark}d">{words}{rest}'

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, Any]:
        live = copy.deepcopy(self.spec)
        live["$schema"] = LIVE_SCHEMA
        return {LIVE_MIME: live, "image/svg+xml": self.svg, "text/plain": f"{self.title}. {self.description}"}


class Gallery(tuple[Drawing, ...]):
    """Several drawings, shown one below the other; says in words where there is none.

    Parameters
    ----------
    drawings : iterable of Drawing
    empty : str
        What is said where there is nothing to draw.
    note : str
        What is said below the drawings, such as how many more there would be.
    """

    empty: str
    note: str

    def __new__(cls, drawings: Iterable[Drawing] = (), *, empty: str = "Nothing to draw.", note: str = "") -> Self:
        self = super().__new__(cls, drawings)
        self.empty, self.note = empty, note
        return self

    def _ipython_display_(self) -> None:
        from IPython.display import display

        for drawing in self:
            display(drawing)
        words = self.note if self else self.empty
        if words:
            display({"text/html": f"<p>{escape(words)}</p>", "text/plain": words}, raw=True)


def _two_decimals(number: re.Match[str]) -> str:
    return f"{float(number.group()):.2f}".rstrip("0").rstrip(".")


@dataclass(frozen=True)
class Clock:
    """The time axis of one chart: the site's wall clock, handed to the renderer as if it were UTC.

    The offset at the start of the chart holds for the whole chart, so that no hour is drawn twice; after a clock
    change inside it the labels follow the new offset. ``changes``: (UTC instant, seconds to add to the first offset).
    """

    zone: str
    start: pd.Timestamp
    end: pd.Timestamp
    offset_s: int
    changes: tuple[tuple[pd.Timestamp, int], ...] = ()

    @classmethod
    def of(cls, start: pd.Timestamp, end: pd.Timestamp, zone: str) -> Clock:
        """The axis from ``start`` to ``end`` (UTC).

        Examples
        --------
        >>> clock = Clock.of(pd.Timestamp("2026-03-28", tz="UTC"), pd.Timestamp("2026-03-30", tz="UTC"), "Europe/Lisbon")
        >>> clock.offset_s, [(str(at), seconds) for at, seconds in clock.changes]
        (0, [('2026-03-29 01:00:00+00:00', 3600)])
        """
        grid = pd.date_range(start.floor("15min"), end.ceil("15min"), freq="15min")
        offsets = (grid.tz_convert(zone).tz_localize(None) - grid.tz_localize(None)).total_seconds().to_numpy().astype(int)
        first = int(zones.ahead(start.tz_convert(zone)).total_seconds())
        turns = (np.flatnonzero(np.diff(offsets)) + 1).tolist()
        return cls(zone, start, end, first, tuple((grid[at], int(offsets[at]) - first) for at in turns if grid[at] > start))

    @overload
    def ms(self, times: pd.Timestamp) -> int: ...
    @overload
    def ms(self, times: pd.DatetimeIndex) -> np.ndarray: ...
    def ms(self, times: pd.DatetimeIndex | pd.Timestamp) -> int | np.ndarray:
        """Instants as milliseconds of the chart's clock."""
        if isinstance(times, pd.Timestamp):
            return int(times.timestamp() * 1000) + self.offset_s * 1000
        return times.as_unit("us").asi8 // 1000 + self.offset_s * 1000

    @property
    def title(self) -> str:
        """What stands under the axis: zone, offsets and the year."""
        first, last = self.start.tz_convert(self.zone), self.end.tz_convert(self.zone)
        years = str(first.year) if first.year == last.year else f"{first.year} to {last.year}"
        text = f"Time in {self.zone}, UTC{wording.offset(first)}"
        for at, _ in self.changes:
            after = at.tz_convert(self.zone)
            text += f", from {after.strftime('%d %b %H:%M')} UTC{wording.offset(after)}"
        return f"{text}, {years}"

    def axis(self, *, title: bool = True) -> alt.Axis:
        """The Altair axis: 24 h clock, dates at midnight."""
        import altair as alt

        shown = "time(datum.value)"  # a number: a date plus a number would be a text
        for at, seconds in self.changes:
            shown = f"(time(datum.value) >= {self.ms(at)} ? time(datum.value) + {seconds * 1000} : {shown})"
        text = f"utchours({shown}) + utcminutes({shown}) == 0 ? utcFormat({shown}, '%d %b') : utcFormat({shown}, '%H:%M')"
        return alt.Axis(title=self.title if title else None, labelExpr=text, labels=title, labelOverlap=True, grid=True, gridColor="#eeeeee", values=self.ticks())

    def ticks(self) -> list[int]:
        """Round times of the site's own wall clock, on both sides of a clock change [ms of the chart's clock]; at most ten.

        Examples
        --------
        >>> clock = Clock.of(pd.Timestamp("2026-03-28T12:00Z"), pd.Timestamp("2026-03-30T12:00Z"), "Europe/Lisbon")
        >>> [str(pd.Timestamp(tick, unit="ms", tz="UTC").tz_convert("Europe/Lisbon"))[5:16] for tick in clock.ticks()]
        ['03-28 12:00', '03-28 18:00', '03-29 00:00', '03-29 06:00', '03-29 12:00', '03-29 18:00', '03-30 00:00', '03-30 06:00', '03-30 12:00']
        """
        span_min = (self.end - self.start) / pd.Timedelta(minutes=1)
        step = next((one for one in _STEPS_MIN if span_min <= MOST_TICKS * one), _STEPS_MIN[-1])
        grid = f"{min(step, 15)}min"
        instants = pd.date_range(self.start.ceil(grid), self.end, freq=grid)
        wall = instants.tz_convert(self.zone).tz_localize(None)
        minutes = wall.as_unit("s").asi8 // 60
        return [int(tick) for tick in self.ms(instants[minutes % step == 0])]

    def x(self, field: str, *, title: bool = True) -> alt.X:
        """The Altair x channel of a field made by :meth:`ms`."""
        import altair as alt

        domain = [self.ms(self.start), self.ms(self.end)]
        return alt.X(f"{field}:T", scale=alt.Scale(type="utc", domain=domain, nice=False), axis=self.axis(title=title))


def reduce(celsius: pd.Series, *, gap: np.ndarray, width_px: int = WIDTH_PX, full: tuple[tuple[pd.Timestamp, pd.Timestamp], ...] = ()) -> pd.DataFrame:
    """The readings that a line of so many pixels needs: first, last, lowest and highest of each column of time.

    No extreme is lost, no gap is bridged; windows of ``full`` keep every reading (up to FULL_READINGS).

    Parameters
    ----------
    celsius : Series
        Temperatures [°C] on a UTC index; no value is left out.
    gap : bool array
        For each reading with a value but the first: whether the step to it is a gap.
    width_px : int
        Pixel columns, at most 1200.
    full : pairs of Timestamps
        Stretches kept whole.

    Returns
    -------
    DataFrame on the kept times with ``celsius`` and ``run`` (a number that rises at each gap).

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=10_000, freq="min", tz="UTC")
    >>> values = pd.Series(5.0, index=times)
    >>> values.iloc[7123] = 9.5
    >>> kept = reduce(values, gap=np.zeros(9_999, bool), width_px=100)
    >>> len(kept) <= 400, float(kept["celsius"].max())
    (True, 9.5)
    """
    known = celsius[celsius.notna()]
    values, times = known.to_numpy("float64"), timeline.times_of(known).as_unit("us").asi8
    run = np.concatenate([[0], np.cumsum(gap)]).astype(int) if len(known) else np.zeros(0, int)
    width_px = min(width_px, 1200)
    if len(known) > 4 * width_px:
        bucket = ((times - times[0]) * width_px // max(times[-1] - times[0] + 1, 1)).astype(int)
        starts = np.concatenate([[0], np.flatnonzero((np.diff(bucket) != 0) | (np.diff(run) != 0)) + 1])
        keep = np.zeros(len(known), bool)
        keep[starts] = keep[np.append(starts[1:] - 1, len(known) - 1)] = True
        for extreme in (np.minimum, np.maximum):
            keep[_first_equal(values, starts, extreme.reduceat(values, starts))] = True
        for start, end in full:
            inside = (known.index >= start) & (known.index <= end)
            if inside.sum() <= FULL_READINGS:
                keep |= inside
        known, run = known[keep], run[keep]
    return pd.DataFrame({"celsius": known.to_numpy(), "run": run}, index=known.index)


def _first_equal(values: np.ndarray, starts: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Position of the first value of each group that equals the group's wanted one."""
    counts = np.diff(np.append(starts, len(values)))
    hits = np.flatnonzero(values == np.repeat(wanted, counts))
    group = np.repeat(np.arange(len(starts)), counts)[hits]
    return hits[np.unique(group, return_index=True)[1]]


def data(rows: Sequence[Mapping[str, object]]) -> alt.InlineData:
    """Rows as inline data of a chart: a CSV text with the type of each column, which is small and cheap to copy.

    Examples
    --------
    >>> data([{"t": 0, "probe": "A, upper"}]).to_dict()
    {'values': 't,probe\\n0,"A, upper"\\n', 'format': {'parse': {'t': 'number', 'probe': 'string'}, 'type': 'csv'}}
    """
    import altair as alt

    names = list(dict.fromkeys(name for row in rows for name in row))
    texts = {name for row in rows for name in row if isinstance(row[name], str)}
    out = io.StringIO()
    table = csv.DictWriter(out, names, lineterminator="\n")
    table.writeheader()
    table.writerows(rows)
    return alt.InlineData(values=out.getvalue(), format=alt.CsvDataFormat(type="csv", parse={name: "string" if name in texts else "number" for name in names}))


def finish(chart: alt.TopLevelMixin, *, title: str, description: str, notes: tuple[str, ...] = (), banner: str = "", legend: bool = True) -> Drawing:
    """A Drawing of an Altair chart: title, notes under it, the banner DEMONSTRATION or EXERCISE before it, plain looks.

    Parameters
    ----------
    chart : altair chart
    title, description : str
        Title above the picture; alternative text.
    notes : tuple of str
        Small lines under the title.
    banner : str
        A word that must stand on the chart, or "".
    legend : bool
        False where title and notes say what is drawn.
    """
    lines = ([f"{banner}: not a real case"] if banner else []) + list(notes)
    spec = chart.to_dict(validate=False)
    spec["title"] = {"text": title, "subtitle": lines, "anchor": "start", "fontSize": 15, "subtitleFontSize": 12, "subtitleColor": "#333333", "offset": 10}
    spec["description"] = description
    if not legend:
        _without_legends(spec)
    spec["config"] = _LOOKS
    return Drawing(_renamed(spec), f"{banner}. {title}" if banner else title, description)


def _without_legends(held: Any) -> None:
    """Every legend of a description taken away, in place."""
    if isinstance(held, dict):
        held.update({"legend": None} if "legend" in held else {})
        for inner in held.values():
            _without_legends(inner)
    elif isinstance(held, list):
        for inner in held:
            _without_legends(inner)


_LABELS = {"labelFontSize": 12, "titleFontSize": 12, "titleFontWeight": "normal"}
_LOOKS = {
    "font": "Helvetica, Arial, sans-serif",
    "background": "white",
    "aria": False,  # the picture as a whole has a title and a description; a label for each point would drown them
    "view": {"stroke": "#888888"},
    "axis": {**_LABELS, "labelColor": "#222222", "titleColor": "#222222"},
    "legend": {**_LABELS, "orient": "bottom", "labelLimit": 480, "columns": 3, "columnPadding": 16, "symbolStrokeWidth": 2},
    "header": {"labelFontSize": 12},
}


def _renamed(spec: dict[str, Any]) -> dict[str, Any]:
    """The spec with the automatic names counted from the start, so that drawing twice gives the same bytes."""
    text = json.dumps(spec, ensure_ascii=False)
    names: dict[str, str] = {}
    for found in re.findall(r'"((?:view|param)_\d+)', text):
        names.setdefault(found, f"{found.split('_')[0]}_{len(names) + 1}")
    return json.loads(re.sub(r'"((?:view|param)_\d+)', lambda name: '"' + names[name.group(1)], text))
