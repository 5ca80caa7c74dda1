"""Seeded random sites: the same record once as files on disk and once as the oracle's own lines (tests/oracle).

tests/site_dice.py decides, tests/site_files.py writes the downloads, tests/site_papers.py everything else.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from tests import site_papers
from tests.oracle import Scenario
from tests.site_dice import Dice, local, logger_of, roll
from tests.site_files import record

Span = tuple[dt.datetime, dt.datetime]


def _window(first: Dice) -> tuple[Span | None, str | None]:
    """The case's window and why it may hold no readings; a record of a few readings always has one."""
    rng, few = first.rng, len(first.instants) < 12
    length = max(first.instants[-1] - first.instants[0], dt.timedelta(hours=6))
    drawn = rng.random()
    if first.quiet:
        return _span(first, length, (0.0, 0.2), (0.9, 1.0)), None
    if drawn < 0.04:  # after the record
        return _span(first, length, (6.1, 6.5), (7.0, 8.0)), rng.choice([None, "The logger is dead (example)"])
    if drawn < 0.6 or few:
        return _span(first, length, (-0.1, 0.0 if few else 0.4), (0.6, 1.1)), None
    return None, None


def _span(first: Dice, length: dt.timedelta, start: tuple[float, float], end: tuple[float, float]) -> Span:
    moments = (first.instants[0] + length * first.rng.uniform(*part) for part in (start, end))
    a, b = (local(one, first.zone).replace(second=0, microsecond=0) for one in moments)
    return a, b


def _scenario(dices: list[Dice], folder: Path) -> Scenario:
    first = dices[0]
    loggers = tuple(logger_of(dice, record(dice, folder)) for dice in dices)
    probes = tuple(probe for dice in dices for probe in dice.probes)
    return Scenario(
        first.zone,
        loggers,
        probes,
        first.limits,
        uneven=any(dice.uneven for dice in dices),
        cold=not first.limits.frozen,
        checks=site_papers.checks(first),
        downloaded=site_papers.downloaded(first, loggers[0]) if len(loggers) == 1 else None,
    )


def make(seed: int, folder: Path) -> tuple[Path, dict[str, Scenario]]:
    """Write the site of this seed under ``folder``; returns case.toml and what the oracle reckons with."""
    units = roll(seed)
    first, rng = units[0][0], units[0][0].rng
    scenarios = [_scenario(dices, folder) for dices in units]
    stays, allowed = site_papers.papers(first, units[-1][0])
    span, why = _window(first)
    join = rng.choice([None, None, 30, 600])
    more = {"join_min": join or 120.0, "stays": stays, "allowances": allowed, "no_readings": why}
    if span:
        more |= {"start": span[0], "end": span[1]}
    scenarios = [Scenario(**{**vars(one), **more}) for one in scenarios]
    case = {dices[0].unit: one for dices, one in zip(units, scenarios, strict=True)}
    if len(case) == 2 and rng.random() < 0.2:  # stock moved to a unit that the case leaves out
        case.pop("V")
    return site_papers.write(folder, units, scenarios, case, join), case
