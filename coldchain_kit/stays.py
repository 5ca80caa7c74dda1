"""Time summed over the stays of a lot: in total and in the longest single run, at least and at most.

A lot lies where one probe measures, so within a stay the worst probe counts; between stays nothing is known.
Times are microseconds since 1970 (UTC) as numbers, results minutes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from coldchain_kit import exposure, timeline
from coldchain_kit.beyond import US_PER_MIN, StepTable
from coldchain_kit.conditions import Condition
from coldchain_kit.stock import Stay
from coldchain_kit.trace import Trace, Unit

Span = tuple[float, float]


@dataclass(frozen=True)
class Place:
    """One stay as far as the case looks at it: ``opens`` to ``closes`` (UTC, half-open), the deciding traces there.

    ``seen_from``, ``seen_to``: the same widened by the clock's doubt at each move: a move within it counts as exposed.
    ``unit`` None: the unit is not part of the case, so nothing is known.
    """

    stay: Stay
    unit: Unit | None
    opens: pd.Timestamp
    closes: pd.Timestamp
    seen_from: pd.Timestamp
    seen_to: pd.Timestamp
    traces: tuple[Trace, ...]

    @property
    def minutes(self) -> float:
        return (self.closes - self.opens) / pd.Timedelta(minutes=1)


@dataclass(frozen=True)
class Run:
    """Time of one kind within a stay [min]: all of it, at the stay's start and end, the longest run, or the whole stay."""

    total: float
    head: float
    tail: float
    longest: float
    whole: bool


@dataclass(frozen=True)
class Spent:
    """Time beyond a temperature over all stays [min]."""

    total_least: float
    total_most: float
    single_least: float
    single_most: float


class Steps:
    """Step tables of traces, each worked out once."""

    def __init__(self) -> None:
        self._gaps: dict[int, np.ndarray] = {}
        self._tables: dict[tuple, StepTable] = {}
        self._kept: list[Trace] = []

    def table(self, trace: Trace, *, limit_c: float, direction: str, condition: Condition | None = None) -> StepTable:
        """:func:`exposure.trace_steps` of the trace, remembered."""
        own = id(trace)
        if own not in self._gaps:
            self._gaps[own] = timeline.steps(trace.celsius)["gap"].to_numpy(dtype=bool)
            self._kept.append(trace)  # keeps the trace alive, so that its id stays its own
        key = (own, limit_c, direction, condition.id if condition else None)
        if key not in self._tables:
            self._tables[key] = exposure.trace_steps(trace, limit_c=limit_c, direction=direction, gap=self._gaps[own], condition=condition)
        return self._tables[key]


def micros(time: pd.Timestamp) -> int:
    """Microseconds since 1970 (UTC)."""
    return time.value // 1000


def place(stay: Stay, unit: Unit | None, *, opens: pd.Timestamp, closes: pd.Timestamp) -> Place:
    """A stay between two instants, widened by the clock's doubt at each end."""
    traces = tuple(trace for trace in unit.traces.values() if trace.probe.decides and len(trace.readings)) if unit else ()
    before, after = (max((_doubt(trace, time) for trace in traces), default=pd.Timedelta(0)) for time in (opens, closes))
    return Place(stay, unit, opens, closes, opens - before, closes + after, traces)


def _doubt(trace: Trace, time: pd.Timestamp) -> pd.Timedelta:
    """Doubt of the clock at the readings beside an instant."""
    index = trace.readings.index
    at = int(index.searchsorted(time))
    doubt = trace.readings["clock_doubt_s"].to_numpy()[max(at - 1, 0) : at + 1]
    return pd.Timedelta(seconds=float(np.nan_to_num(doubt).max()))


def within(trace: Trace, place: Place) -> pd.DataFrame:
    """The trace's readings during the stay, widened by the clock's doubt."""
    index = trace.readings.index
    return trace.readings[(index >= place.seen_from) & (index < place.seen_to)]


def further(valued: pd.DataFrame, direction: str) -> np.ndarray:
    """As read or corrected, whichever lies further outside on that side [°C]."""
    pick = np.fmax if direction == "above" else np.fmin
    return pick(valued["celsius"].to_numpy(), np.round(valued["as_read_c"].to_numpy(), 6))


def unknown(trace: Trace, place: Place) -> list[Span]:
    """Where the probe says nothing within the stay: gaps, and the stay's time before the first and after the last reading."""
    spans = timeline.gaps(trace.celsius, start=place.opens, end=place.closes)
    return [(float(micros(start)), float(micros(end))) for start, end in zip(spans["start"], spans["end"], strict=True)]


def _marked(steps: StepTable, mask: np.ndarray, low: float, high: float) -> list[Span]:
    """Runs of marked steps, cut to low..high."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.view("int8"), [0]))))
    spans = ((float(steps.start_us[i]), float(steps.end_us[j - 1])) for i, j in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
    return [(max(a, low), min(b, high)) for a, b in spans if min(b, high) > max(a, low)]


def union(spans: Iterable[Span]) -> list[Span]:
    """Spans put together where they touch or overlap.

    Examples
    --------
    >>> union([(5.0, 6.0), (1.0, 2.0), (2.0, 3.0)])
    [(1.0, 3.0), (5.0, 6.0)]
    """
    merged: list[list[float]] = []
    for start, end in sorted(spans):
        if merged and start <= merged[-1][1]:
            merged[-1][1] = max(merged[-1][1], end)
        else:
            merged.append([start, end])
    return [(start, end) for start, end in merged]


def run(spans: Iterable[Span], *, low: float, high: float) -> Run:
    """How spans within low..high add up [min].

    Examples
    --------
    >>> minute = 60e6
    >>> run([(0.0, 10 * minute), (30 * minute, 40 * minute)], low=0.0, high=60 * minute)
    Run(total=20.0, head=10.0, tail=0.0, longest=10.0, whole=False)
    """
    merged = union(spans)
    lengths = [(end - start) / US_PER_MIN for start, end in merged]
    head = lengths[0] if merged and merged[0][0] <= low else 0.0
    tail = lengths[-1] if merged and merged[-1][1] >= high else 0.0
    return Run(sum(lengths), head, tail, max(lengths, default=0.0), bool(head and tail and len(merged) == 1))


def worst(runs: Sequence[Run]) -> Run:
    """The worst of several probes of one stay, figure by figure."""
    return Run(*(max(getattr(one, name) for one in runs) for name in ("total", "head", "tail", "longest")), any(one.whole for one in runs))


def in_a_row(parts: Sequence[tuple[float, Run]], *, bridge: bool) -> tuple[float, float]:
    """Total and longest single run over stays, each with the minutes between it and the one before.

    ``bridge``: the time between counts, too (it is time without readings), and joins the runs beside it.

    Examples
    --------
    >>> first, second = Run(20.0, 0.0, 20.0, 20.0, False), Run(5.0, 5.0, 0.0, 5.0, False)
    >>> in_a_row([(0.0, first), (30.0, second)], bridge=True)
    (55.0, 55.0)
    >>> in_a_row([(0.0, first), (30.0, second)], bridge=False)
    (25.0, 20.0)
    """
    total = longest = carry = 0.0
    for between, part in parts:
        carry = carry + between if bridge or not between else 0.0
        longest = max(longest, carry + part.head, part.longest)
        total += part.total + (between if bridge else 0.0)
        carry = carry + part.total if part.whole else part.tail
    return total, longest


def spent(places: Sequence[Place], steps: Steps, *, limit_c: float, direction: str, unknown_counts: bool, own: Condition | None = None) -> Spent:
    """Time beyond a temperature over all stays, the worst probe of each.

    ``unknown_counts``: time without readings counts in the "at most" (allowances); else only what CONTRACTS rule 6 gives.
    """
    least, most, end = [], [], None
    for here in places:
        between = 0.0 if end is None else max(0.0, (here.opens - end) / pd.Timedelta(minutes=1))
        end = here.closes if end is None else max(end, here.closes)
        bounds = [_bounds(trace, here, steps, limit_c, direction, unknown_counts, own) for trace in here.traces] or [_nothing(here, unknown_counts)]
        least.append((between, worst([low for low, _ in bounds])))
        most.append((between, worst([high for _, high in bounds])))
    (total_least, single_least), (total_most, single_most) = in_a_row(least, bridge=False), in_a_row(most, bridge=unknown_counts)
    return Spent(total_least, total_most, single_least, single_most)


def _bounds(trace: Trace, here: Place, steps: Steps, limit_c: float, direction: str, unknown_counts: bool, own: Condition | None) -> tuple[Run, Run]:
    table = steps.table(trace, limit_c=limit_c, direction=direction, condition=own)
    opens, closes, wide_from, wide_to = (float(micros(time)) for time in (here.opens, here.closes, here.seen_from, here.seen_to))
    narrow_from, narrow_to = 2 * opens - wide_from, 2 * closes - wide_to
    least = run(_marked(table, table.least, narrow_from, narrow_to), low=narrow_from, high=narrow_to)
    spans = _marked(table, table.most, wide_from, wide_to) + (unknown(trace, here) if unknown_counts else [])
    return least, run(spans, low=opens, high=closes)


def _nothing(here: Place, unknown_counts: bool) -> tuple[Run, Run]:
    """A stay that no deciding probe saw."""
    whole = Run(here.minutes, here.minutes, here.minutes, here.minutes, True)
    zero = Run(0.0, 0.0, 0.0, 0.0, False)
    return zero, whole if unknown_counts else zero
