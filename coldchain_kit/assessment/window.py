"""The span a case looks at, and whether anybody measured in it (CONTRACTS rule 10)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from coldchain_kit.base import KitError, zones
from coldchain_kit.model import Trace, Unit
from coldchain_kit.register import Case


class NoReadings(KitError):
    """No probe that decides has a reading in the window, and the case does not say why."""


@dataclass(frozen=True)
class Window:
    """The span a case looks at: half-open; ``stop`` lies just past ``end`` where no end was declared, so that the last reading counts.

    ``declared_start``: None where the case states no start, so that ``start`` is the first reading. ``no_readings``: why no deciding
    probe has a reading in it, as the case says; "" where one has.
    """

    start: pd.Timestamp
    end: pd.Timestamp
    stop: pd.Timestamp
    declared_start: pd.Timestamp | None = None
    no_readings: str = ""


def of(case: Case, units: dict[str, Unit]) -> Window:
    """The case's window, as declared, else from the first to the last reading.

    Raises
    ------
    NoReadings
        No deciding probe has a reading in it and the case has no ``no_readings``; the message says what the downloads cover.
    KitError
        No reading anywhere, and an edge that is not declared.
    """
    traces = [trace for unit in units.values() for trace in unit.traces.values() if len(trace.readings)]
    start = case.start or min((trace.readings.index[0] for trace in traces), default=None)
    end = case.end or max((trace.readings.index[-1] for trace in traces), default=None)
    if start is None or end is None:
        raise KitError("no unit of the case has a reading", where=case.path.name, mend="Check the files named under readings, or state start and end and why there are none")
    stop = end if case.end is not None else end + pd.Timedelta(1, "us")
    seen = any(measured(trace, start, stop) for trace in deciding(units.values()))
    if not seen and not case.no_readings:
        raise NoReadings(f"no probe that decides has a reading in the case's window; {covered(case, units)}", where=case.path.name, mend=MEND)
    if end < start or (end == start and not seen):
        raise KitError("no reading lies in the case's window", where=case.path.name, mend="Compare start and end with the times in the downloads")
    return Window(start, end, stop, case.start, "" if seen else case.no_readings or "")


MEND = 'Compare start and end with those times, add the download, or say why there is none: no_readings = "the logger is dead"'


def deciding(units: Iterable[Unit]) -> list[Trace]:
    """The traces that decide."""
    return [trace for unit in units for trace in unit.traces.values() if trace.probe.decides]


def measured(trace: Trace, start: pd.Timestamp, stop: pd.Timestamp) -> bool:
    """Whether a probe has a reading in [start, stop): a number, or one at the end of its range."""
    part = trace.readings[(trace.readings.index >= start) & (trace.readings.index < stop)]
    return bool((part["celsius"].notna() | (part["one_sided"] != 0)).any())


def covered(case: Case, units: dict[str, Unit]) -> str:
    """What the downloads cover, in words."""
    said = []
    for name, unit in units.items():
        spans = [trace.readings.index for trace in deciding([unit]) if len(trace.readings)]
        if spans:
            first, last = min(index[0] for index in spans), max(index[-1] for index in spans)
            said.append(f"those of {name} cover {zones.shown(first.floor('s'), zone=case.site.timezone)} to {zones.shown(last.floor('s'), zone=case.site.timezone)}")
        else:
            said.append(f"{name} has none at all")
    return "the downloads: " + "; ".join(said)
