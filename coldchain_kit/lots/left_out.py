"""The part of a stay that the case's window leaves out: it belongs to another case, but what the downloads hold of it is said."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pandas as pd

from coldchain_kit import quality
from coldchain_kit.lots import stays
from coldchain_kit.lots.stays import Edges, Place
from coldchain_kit.model import Direction, Trace, one_sided, timeline
from coldchain_kit.quality import checks
from coldchain_kit.register import LogEntry

Span = tuple[pd.Timestamp, pd.Timestamp]
SIDES: tuple[Direction, Direction] = ("above", "below")
SUSPECT, FAIL = 3, 4  # rolled flags (QARTOD)
MOST_DOUBTED = 12  # fewer readings with a doubtful flag in that part are single slips, not a probe at fault (own rule, no source)


def reasons(places: Sequence[Place], edges: Edges, logbook: Sequence[LogEntry]) -> list[str]:
    """Readings and displays outside, time without readings and doubtful readings in the part of each stay before and after the window.

    Moving the window must not take away what the case's own downloads and logbook show of a stay (CONTRACTS rule 14).
    """
    start, end, _ = edges
    return [text for here in places for span in _spans(here, start, end) for text in (*_readings(here, span), *_displays(here, span, logbook), *_unknown(here, span))]


def _spans(here: Place, start: pd.Timestamp | None, end: pd.Timestamp | None) -> list[Span]:
    """The stay before and after the window; empty ones left out. A stay that goes on ends with its last reading."""
    last = max((trace.readings.index[-1] for trace in here.traces if len(trace.readings)), default=None)
    until = here.stay.moved_out or (None if last is None else last + pd.Timedelta(1, "us"))
    spans = [(here.stay.moved_in, start if until is None or start is None else min(start, until)), (None if end is None else max(end, here.stay.moved_in), until)]
    return [(first, stop) for first, stop in spans if first is not None and stop is not None and first < stop]


def _readings(here: Place, span: Span) -> Iterator[str]:
    for trace in here.traces:
        part = _within(trace, span)
        part = part[one_sided.heard(part) & ~one_sided.unknown(part, here.stay.condition)]
        for direction in SIDES:
            count = int(here.stay.condition.outside(stays.further(part, direction), direction).sum())
            if count:
                yield f"{count} readings of {here.stay.unit}, probe {trace.probe.name}, lie {direction} the limit during the lot's stay but outside the window of this case."


def _displays(here: Place, span: Span, logbook: Sequence[LogEntry]) -> Iterator[str]:
    if here.unit is None:
        return
    known = {row["logbook_line"] for row in here.shown}
    for row in checks.displays(logbook, here.unit, here.stay.condition, start=span[0], end=span[1], stays_from=here.stay.moved_in):
        if row["logbook_line"] not in known and row["start_earliest"] < span[1]:
            yield f"The display of {here.stay.unit} showed {row['extreme_c']:g} °C (logbook line {row['logbook_line']}), {row['direction']} the limit, during the lot's stay but outside the window of this case."


def _unknown(here: Place, span: Span) -> Iterator[str]:
    """Inside the record's own span only: of time before the first download this case knows nothing."""
    for trace in here.traces:
        part = _within(trace, span)
        if len(part) < 2:
            continue
        found = timeline.pairs(trace)
        first, last = (time.value // 1000 for time in (part.index[0], part.index[-1]))
        inside = (found.start_us >= first) & (found.end_us <= last) & (found.gap | found.coarse)
        minutes = float(found.minutes[inside].sum())
        place = f"{here.stay.unit}, probe {trace.probe.name}"
        if minutes:
            yield f"{stays.hours(minutes)} of the lot's stay are without readings of {place}, or with fewer than the logger should have kept, outside the window of this case."
        codes = quality.rolled(trace).reindex(part.index)
        doubted = int(((codes == SUSPECT) | (codes == FAIL)).sum())
        if doubted > MOST_DOUBTED:
            yield f"{doubted} readings of {place} are doubtful during the lot's stay but outside the window of this case."


def _within(trace: Trace, span: Span) -> pd.DataFrame:
    return trace.readings[(trace.readings.index >= span[0]) & (trace.readings.index < span[1])]
