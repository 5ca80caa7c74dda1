"""A unit with several loggers: each is joined by its own clock and settings, then they are put beside each other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TypeVar

import pandas as pd

from coldchain_kit.model import LoggerEvent, Notice, Trace, Unit

STATES = ("declared", "proved", "not_verified")  # from known to unknown
ASKED = "Correct the clock in the register"
Told = TypeVar("Told", LoggerEvent, Notice)


def beside(parts: Mapping[str | None, Unit]) -> Unit:
    """One unit from the same unit as each of its loggers saw it, by the logger's name; the one there is where it has no name.

    What a logger's clock, events and downloads gave says which logger it was; a name that two loggers give to columns nobody
    registered gets the logger's name behind it.

    Examples
    --------
    >>> beside({"L1": Unit("F2", clock={"state": "declared", "text": "It follows the zone."}), "L2": Unit("F2", clock={"state": "not_verified", "text": ""})}).clock
    {'state': 'not_verified', 'text': 'Logger L1: It follows the zone.'}
    """
    if list(parts) == [None]:
        return parts[None]
    sources = tuple(source for unit in parts.values() for source in unit.sources)
    traces: dict[str, Trace] = {}
    channels: dict[str, pd.Series] = {}
    often = [name for unit in parts.values() for name in (*unit.traces, *unit.channels)]
    first = 0
    for logger, unit in parts.items():
        for name, trace in unit.traces.items():
            own = name if often.count(name) == 1 else f"{name} ({logger})"
            readings = trace.readings.assign(source=(trace.readings["source"] + first).astype("int16"))
            traces[own] = replace(trace, probe=replace(trace.probe, name=own, logger=logger), readings=readings, sources=sources)
        for name, series in unit.channels.items():
            channels[name if often.count(name) == 1 else f"{name} ({logger})"] = series
        first += len(unit.sources)
    said = {logger: unit.clock.get("text") for logger, unit in parts.items()}
    worst = max((unit.clock.get("state", "not_verified") for unit in parts.values()), key=STATES.index)
    events = sorted((_named(row, logger) for logger, unit in parts.items() for row in unit.events), key=lambda row: (row["time"] is None, row["time"] or 0, row["file"], row["line"] or 0))
    return Unit(
        name=next(iter(parts.values())).name,
        traces=traces,
        channels=channels,
        events=tuple(events),
        conflicts=tuple(row for unit in parts.values() for row in unit.conflicts),
        sources=sources,
        notices=tuple(_named(row, logger) for logger, unit in parts.items() for row in unit.notices),
        clock={"state": worst, "text": " ".join(f"Logger {logger}: {text}" for logger, text in said.items() if text)},
    )


def _named(row: Told, logger: str | None) -> Told:
    """An event or a finding, with the logger it is about."""
    text = row.get("text")
    return {**row, "logger": logger, "text": text.replace(ASKED, f"Correct the clock of logger {logger} in the register") if text else text}
