"""Time summed over the stays of a lot: in total and in the longest single run, at least and at most.

A lot lies where one probe measures, so within a stay the worst probe counts; between stays nothing is known.
Times are microseconds since 1970 (UTC) as numbers, results minutes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from coldchain_kit.excursions import bounds, time_beyond
from coldchain_kit.model import Condition, Direction, ExcursionRow, Trace, Unit, one_sided, timeline
from coldchain_kit.register import Stay

Edges = tuple[pd.Timestamp | None, pd.Timestamp | None, pd.Timestamp]  # declared start and end of the window (None: not declared), and where a stay without end ends
Key = tuple[int, float, str, bool]  # a trace and the limit it is judged by


@dataclass(frozen=True)
class Place:
    """One stay as far as the case looks at it: ``opens`` to ``closes`` (UTC, half-open), the deciding traces there.

    ``seen_from``, ``seen_to``: the same widened by the clock's doubt at each move: a move within it counts as exposed.
    ``unit`` None: the unit is not part of the case, so nothing is known. ``shown``: excursions by the display of that unit,
    rows of CONTRACTS ``excursions[]`` whose time nobody knows.
    """

    stay: Stay
    unit: Unit | None
    opens: pd.Timestamp
    closes: pd.Timestamp
    seen_from: pd.Timestamp
    seen_to: pd.Timestamp
    traces: tuple[Trace, ...]
    shown: tuple[ExcursionRow[pd.Timestamp], ...] = ()

    @property
    def minutes(self) -> float:
        """Length of the stay as far as the case looks at it [min]."""
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
    """What traces give beyond a temperature, and where they are silent, each worked out once."""

    def __init__(self) -> None:
        self._tables: dict[tuple[Any, ...], time_beyond.StepTable] = {}
        self._runs: dict[tuple[Any, ...], tuple[np.ndarray, np.ndarray]] = {}
        self._silence: dict[int, tuple[np.ndarray, np.ndarray, float, float, np.ndarray]] = {}
        self._others: dict[tuple[Any, ...], Any] = {}
        self._kept: list[Trace] = []  # keeps each trace alive, so that its id stays its own

    def table(self, trace: Trace, *, limit_c: float, direction: Direction, condition: Condition | None = None, cut: bool = False) -> time_beyond.StepTable:
        """:func:`bounds.trace_steps` of the trace, remembered."""
        key = *_key(trace, limit_c, direction, condition), cut
        if key not in self._tables:
            self._kept.append(trace)
            self._tables[key] = bounds.trace_steps(trace, limit_c=limit_c, direction=direction, condition=condition, cut=cut)
        return self._tables[key]

    def runs(self, trace: Trace, *, limit_c: float, direction: Direction, condition: Condition | None = None, cut: bool = False) -> tuple[np.ndarray, np.ndarray]:
        """Runs of steps that count at least, and at most, as arrays of (start, end)."""
        key = *_key(trace, limit_c, direction, condition), cut
        if key not in self._runs:
            steps = self.table(trace, limit_c=limit_c, direction=direction, condition=condition, cut=cut)
            self._runs[key] = _runs(steps, steps.least), _runs(steps, steps.most)
        return self._runs[key]

    def unknown(self, trace: Trace, *, limit_c: float, direction: Direction, condition: Condition | None = None) -> np.ndarray:
        """Where a one-sided reading of any value stands (CONTRACTS rule 9: unknown, like a gap), from the reading before to the one after, as (start, end)."""
        readings = trace.readings
        lost = one_sided.short_of(readings, limit_c, direction)
        if condition is not None:
            lost = lost | one_sided.unknown(readings, condition)
        if not lost.any():
            return np.empty((0, 2))
        us = timeline.times_of(readings).as_unit("us").asi8.astype("float64")
        sure = np.flatnonzero(one_sided.heard(readings) & ~lost)
        after = np.searchsorted(sure, np.flatnonzero(lost))
        first = us[sure[np.maximum(after - 1, 0)]] if len(sure) else np.full(len(after), us[0])
        last = us[sure[np.minimum(after, len(sure) - 1)]] if len(sure) else np.full(len(after), us[-1])
        return union(np.column_stack((np.minimum(first, us[lost]), np.maximum(last, us[lost]))))

    def once(self, trace: Trace, key: tuple[Any, ...], work: Callable[[], Any]) -> Any:
        """What ``work`` says about the trace under this key, worked out once."""
        full = id(trace), *key
        if full not in self._others:
            self._others[full] = work()
            self._kept.append(trace)
        return self._others[full]

    def silence(self, trace: Trace, place: Place, *, coarse: bool = True) -> np.ndarray:
        """Where the probe says nothing within the stay, as an array of (start, end): gaps, and time beyond the record's ends.

        ``coarse``: also stretches coarser than the interval that nothing states, of which nothing is known either.
        """
        own = id(trace)
        if own not in self._silence:
            self._silence[own] = _silence(trace)
            self._kept.append(trace)
        gaps, rough, first, last, tolerance = self._silence[own]
        opens, closes = float(micros(place.opens)), float(micros(place.closes))
        ends = np.array([[opens, min(first, closes)], [max(last, opens), closes]])
        silent = np.array([first - opens, closes - last]) > tolerance
        thin = cut(rough, low=opens, high=closes) if coarse else np.empty((0, 2))
        return np.concatenate((cut(gaps, low=opens, high=closes), thin, ends[silent]))


def _key(trace: Trace, limit_c: float, direction: Direction, condition: Condition | None) -> Key:
    return id(trace), limit_c, direction, bool(condition and condition.high_exclusive)


def _runs(steps: time_beyond.StepTable, mask: np.ndarray) -> np.ndarray:
    """Runs of marked steps as (start, end)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.view("int8"), [0]))))
    return np.column_stack((steps.start_us[edges[::2]], steps.end_us[edges[1::2] - 1])).astype("float64")


def _silence(trace: Trace) -> tuple[np.ndarray, np.ndarray, float, float, np.ndarray]:
    """Gaps of a record, its coarser stretches that nothing states, its first and last reading, and how long it may be silent before and after them without a gap (CONTRACTS rule 4)."""
    us = timeline.times_of(trace.readings).as_unit("us").asi8[one_sided.heard(trace.readings)].astype("float64")
    if not len(us):
        return np.empty((0, 2)), np.empty((0, 2)), np.inf, np.inf, np.zeros(2)
    gap, coarse = timeline.pairs(trace)[4:6]
    tolerance = np.fmax(timeline.GAP_FACTOR * np.array(timeline.end_intervals(trace)), timeline.GAP_FLOOR_MIN) * time_beyond.US_PER_MIN
    gaps, rough = (np.column_stack((us[:-1][mask], us[1:][mask])) for mask in (gap, coarse))
    return gaps, rough, float(us[0]), float(us[-1]), tolerance


def cut(spans: np.ndarray, *, low: float, high: float) -> np.ndarray:
    """Spans, sorted and apart, cut to low..high."""
    first, last = int(np.searchsorted(spans[:, 1], low, side="right")), int(np.searchsorted(spans[:, 0], high, side="left"))
    return np.clip(spans[first : max(last, first)], low, high)


def micros(time: pd.Timestamp) -> int:
    """Microseconds since 1970 (UTC)."""
    return time.value // 1000


def place(
    stay: Stay, unit: Unit | None, *, opens: pd.Timestamp, closes: pd.Timestamp, shown: Sequence[ExcursionRow[pd.Timestamp]] = ()
) -> Place:  # fmt: skip
    """A stay between two instants, widened by the clock's doubt at each end.

    ``shown``: excursions by the display of the unit.
    """
    traces = tuple(trace for trace in unit.traces.values() if trace.probe.decides and len(trace.readings)) if unit else ()
    before, after = (max((_doubt(trace, time) for trace in traces), default=pd.Timedelta(0)) for time in (opens, closes))
    return Place(stay, unit, opens, closes, opens - before, closes + after, traces, tuple(shown))


def _doubt(trace: Trace, time: pd.Timestamp) -> pd.Timedelta:
    """Doubt of the clock at the readings beside an instant."""
    index = trace.readings.index
    at = int(index.searchsorted(time))
    doubt = trace.readings["clock_doubt_s"].to_numpy()[max(at - 1, 0) : at + 1]
    return pd.Timedelta(float(np.ceil(np.nan_to_num(doubt).max() * 1e6)), "us").as_unit("us")


def within(trace: Trace, place: Place) -> pd.DataFrame:
    """The trace's readings during the stay, widened by the clock's doubt."""
    first, last = trace.readings.index.searchsorted([place.seen_from, place.seen_to], side="left")
    return trace.readings.iloc[first:last]


def further(valued: pd.DataFrame, direction: str) -> np.ndarray:
    """As read or corrected, whichever lies further outside on that side [°C]; one-sided readings by their bound, infinite without one."""
    pick = np.fmax if direction == "above" else np.fmin
    return pick(*(one_sided.judged_c(valued, column) for column in ("celsius", "as_read_c")))


def length_min(spans: np.ndarray) -> float:
    """Minutes of spans that lie apart.

    Examples
    --------
    >>> length_min(np.array([[0.0, 60e6], [120e6, 150e6]]))
    1.5
    """
    return float((spans[:, 1] - spans[:, 0]).sum()) / time_beyond.US_PER_MIN


def union(spans: np.ndarray) -> np.ndarray:
    """Spans put together where they touch or overlap, sorted.

    Examples
    --------
    >>> union(np.array([[5.0, 6.0], [1.0, 2.0], [2.0, 3.0]])).tolist()
    [[1.0, 3.0], [5.0, 6.0]]
    """
    if not len(spans):
        return spans
    spans = spans[np.argsort(spans[:, 0], kind="stable")]
    reach = np.maximum.accumulate(spans[:, 1])
    first = np.flatnonzero(np.concatenate(([True], spans[1:, 0] > reach[:-1])))
    return np.column_stack((spans[first, 0], np.concatenate((reach[first[1:] - 1], reach[-1:]))))


def run(spans: np.ndarray, *, low: float, high: float) -> Run:
    """How spans within low..high add up [min].

    Examples
    --------
    >>> minute = 60e6
    >>> run(np.array([[0.0, 10 * minute], [30 * minute, 40 * minute]]), low=0.0, high=60 * minute)
    Run(total=20.0, head=10.0, tail=0.0, longest=10.0, whole=False)
    """
    merged = union(spans)
    if not len(merged):
        return Run(0.0, 0.0, 0.0, 0.0, False)
    lengths = (merged[:, 1] - merged[:, 0]) / time_beyond.US_PER_MIN
    head = float(lengths[0]) if merged[0, 0] <= low else 0.0
    tail = float(lengths[-1]) if merged[-1, 1] >= high else 0.0
    return Run(float(lengths.sum()), head, tail, float(lengths.max()), bool(head and tail and len(merged) == 1))


def worst(runs: Sequence[Run]) -> Run:
    """The worst of several probes of one stay, figure by figure."""
    total, head, tail, longest = (max(getattr(one, name) for one in runs) for name in ("total", "head", "tail", "longest"))
    return Run(total, head, tail, longest, any(one.whole for one in runs))


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


def spent(
    places: Sequence[Place], steps: Steps, *, direction: Direction, limit_c: float | None = None, unknown_counts: bool
) -> Spent:  # fmt: skip
    """Time beyond a temperature over all stays, the worst probe of each; what a display saw counts in the "at most".

    Parameters
    ----------
    limit_c : float, optional
        The temperature [°C]; None: each stay is held against its own condition's limit on that side, one without a limit gives nothing.
    unknown_counts : bool
        Time without readings counts in the "at most" (allowances); else only what CONTRACTS rule 6 gives.
    """
    least, most, end = [], [], None
    for here in places:
        between = 0.0 if end is None else max(0.0, (here.opens - end) / pd.Timedelta(minutes=1))
        end = here.closes if end is None else max(end, here.closes)
        own_c = here.stay.condition.limit_c(direction) if limit_c is None else limit_c
        bounds = [_bounds(trace, here, steps, own_c, direction, unknown_counts) for trace in here.traces]
        bounds = bounds or [_nothing(here, own_c, direction, unknown_counts)]
        least.append((between, worst([low for low, _ in bounds])))
        most.append((between, worst([high for _, high in bounds])))
    (total_least, single_least), (total_most, single_most) = in_a_row(least, bridge=False), in_a_row(most, bridge=unknown_counts)
    return Spent(total_least, total_most, single_least, single_most)


def _bounds(
    trace: Trace, here: Place, steps: Steps, limit_c: float | None, direction: Direction, unknown_counts: bool
) -> tuple[Run, Run]:  # fmt: skip
    opens, closes, wide_from, wide_to = (float(micros(time)) for time in (here.opens, here.closes, here.seen_from, here.seen_to))
    narrow_from, narrow_to = 2 * opens - wide_from, 2 * closes - wide_to
    surely = maybe = np.empty((0, 2))
    if limit_c is not None:
        surely, maybe = steps.runs(trace, limit_c=limit_c, direction=direction, condition=here.stay.condition, cut=not unknown_counts)
    least = run(cut(surely, low=narrow_from, high=max(narrow_from, narrow_to)), low=narrow_from, high=narrow_to)
    most = np.concatenate((cut(maybe, low=wide_from, high=wide_to), displayed(here, limit_c, direction)))
    if unknown_counts:
        most = np.concatenate((most, steps.silence(trace, here)))
    if unknown_counts and limit_c is not None:
        lost = steps.unknown(trace, limit_c=limit_c, direction=direction, condition=here.stay.condition)
        most = np.concatenate((most, cut(lost, low=wide_from, high=wide_to)))
    return least, run(most, low=opens, high=closes)


def straight(trace: Trace, here: Place, *, limit_c: float, direction: Direction) -> float:
    """Minutes of one probe beyond a temperature during the stay, on the straight line between readings [min]."""
    table = bounds.trace_steps(trace, limit_c=limit_c, direction=direction, condition=here.stay.condition)
    return time_beyond.total(table, start_us=micros(here.opens), end_us=micros(here.closes)).minutes


def displayed(here: Place, limit_c: float | None, direction: Direction) -> np.ndarray:
    """Within the stay, the spans in which a display showed a figure beyond a temperature, as an array of (start, end) [µs]."""
    sign = 1.0 if direction == "above" else -1.0
    rows = [row for row in here.shown if row["direction"] == direction and limit_c is not None and row["extreme_c"] is not None and sign * (row["extreme_c"] - limit_c) > 0]
    low, high = float(micros(here.seen_from)), float(micros(here.seen_to))
    spans = [(max(float(micros(row["start"])), low), min(float(micros(row["end"])), high)) for row in rows]
    return np.array([span for span in spans if span[1] > span[0]], dtype="float64").reshape(-1, 2)


def _nothing(here: Place, limit_c: float | None, direction: Direction, unknown_counts: bool) -> tuple[Run, Run]:
    """A stay that no deciding probe saw; a display may have."""
    whole = Run(here.minutes, here.minutes, here.minutes, here.minutes, True)
    zero = Run(0.0, 0.0, 0.0, 0.0, False)
    low, high = float(micros(here.opens)), float(micros(here.closes))
    return zero, whole if unknown_counts else run(displayed(here, limit_c, direction), low=low, high=high)


def hours(minutes: float) -> str:
    """A duration in words.

    Examples
    --------
    >>> hours(42.0), hours(150.0)
    ('42 min', '2.5 h')
    """
    return f"{minutes:.0f} min" if minutes < 90 else f"{minutes / 60:.1f} h"
