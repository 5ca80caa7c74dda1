"""Small oracle cases by hand: one unit "U" in UTC, one probe "A", readings given as (minutes after midnight, cell)."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

from tests import oracle
from tests.oracle import Cell, Certificate, Condition, File, Line, Logger, Probe, Scenario, Stated

DAY = dt.datetime(2026, 3, 1)
MIDNIGHT = DAY.replace(tzinfo=dt.UTC).timestamp()
FRIDGE = Condition(2.0, 8.0)
Reading = tuple[float, Any]


def moment(minutes: float) -> dt.datetime:
    return DAY + dt.timedelta(minutes=minutes)


def cell(value: Any) -> Cell:
    """A number, None, "HI", "LO", ">50" or "<-40"."""
    if value in ("HI", "LO"):
        return Cell(None, 1 if value == "HI" else -1)
    if isinstance(value, str):
        return Cell(float(value[1:]), 1 if value[0] == ">" else -1)
    return Cell(value)


def download(readings: list[Reading], name: str = "U/0.csv", unit: str = "C") -> File:
    lines = tuple(Line(number + 2, moment(at), (cell(value),)) for number, (at, value) in enumerate(readings))
    return File(name, (unit,), ("A",), lines)


def every(step: float, values: list[Any], start: float = 0.0) -> list[Reading]:
    return [(start + step * k, value) for k, value in enumerate(values)]


def case(
    readings: list[Reading],
    *,
    certificate: Certificate | None = None,
    probe: Probe | None = None,
    stated: tuple[float, ...] = (),
    range_c: tuple[float, float] | None = None,
    until: float | None = None,
    condition: Condition = FRIDGE,
    **more: Any,
) -> dict[str, Scenario]:
    """``until``: the window from midnight to so many minutes later; further keys go into the Scenario."""
    logger = Logger("utc", (download(readings),), (), (Stated(stated),) if stated else (), range_c)
    probe = probe or Probe("A", "buffered", certificate=certificate)
    if until is not None:
        more |= {"start": DAY, "end": moment(until)}
    return {"U": Scenario("UTC", (logger,), (probe,), condition, **more)}


def row(readings: list[Reading], **more: Any) -> dict:
    """The probe's row."""
    return oracle.assess(case(readings, **more))["probes"][0]


def minutes(time: float | None) -> float | None:
    return None if time is None else round((time - MIDNIGHT) / 60, 6)


def excursions(readings: list[Reading], **more: Any) -> list[dict]:
    """Excursions with their times in minutes after midnight."""
    found = oracle.assess(case(readings, **more))["excursions"]
    clocked = ("start", "end", "first_out", "last_out", "first_back", "start_earliest", "end_latest", "extreme_time")
    return [one | {name: minutes(one[name]) for name in clocked} for one in found]


def with_more(scenarios: dict[str, Scenario], **more: Any) -> dict[str, Scenario]:
    return {unit: replace(one, **more) for unit, one in scenarios.items()}
