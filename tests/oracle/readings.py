"""One probe's readings over all its downloads (rules 1, 2, 9, 12)."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from tests.oracle.clock import file_times, utc_s
from tests.oracle.intervals import States, Steps, in_force, on_steps
from tests.oracle.model import EPS, TICK_S, Cell, Choices, Condition, File, Logger, Probe, Scenario, celsius
from tests.oracle.uncertainty import DISTINCT, calibrated, common_step, drift_per_day, seen_step

Shown = dict[str, list[float]]  # numbers as they stand in the files, by unit


@dataclass(frozen=True)
class Series:
    """One probe, readings with a value only, strictly increasing; a one-sided reading without a bound is infinite."""

    t: np.ndarray
    as_read: np.ndarray
    value: np.ndarray
    side: np.ndarray  # 0, or 1 and -1 for one-sided readings
    u_exp: np.ndarray  # expanded uncertainty, each reading's own
    interval_s: np.ndarray  # in force on each step (n - 1); nan: not known
    coarse: np.ndarray  # steps of a coarser regular stretch that nothing states
    broken: np.ndarray  # steps over a one-sided reading that may be anything: unknown, like a gap
    edges_s: tuple[float, float]
    unknown: np.ndarray  # instants of such readings
    doubt: tuple[np.ndarray, np.ndarray] | None = (
        None  # of u_exp: least and most by other readings of drift and display step
    )
    conflicts: list[dict] = field(default_factory=list)

    @property
    def sided(self) -> np.ndarray:
        return self.side != 0


def states(logger: Logger, zone: str) -> States:
    since = [
        (-math.inf if one.since is None else utc_s(one.since, zone), tuple(60 * step for step in one.steps_min))
        for one in logger.stated
    ]
    return lambda time: next((steps for first, steps in sorted(since, reverse=True) if first <= time + TICK_S), ())


def steps_of(logger: Logger, zone: str, file: File) -> Steps:
    return in_force(file_times(logger, zone, file), states(logger, zone))


def _row(cell: Cell, unit: str, logger: Logger) -> dict:
    """The value in degC with its side; what has no figure of its own takes the declared range's end."""
    side, bound = cell.side, None if cell.value is None else celsius(cell.value, unit)
    low, high = logger.range_c or (-math.inf, math.inf)
    if side == 0:
        side = 1 if bound >= high - EPS else -1 if bound <= low + EPS else 0
    return {"value": (high if side > 0 else low) if bound is None else bound, "side": side}


def anything(row: dict, condition: Condition) -> bool:
    """A one-sided reading whose bound is not beyond the limit of its side."""
    limit = condition.limit(row["side"]) if row["side"] else None
    return limit is not None and row["side"] * row["value"] <= limit + EPS


def _further_out(rows: list[dict], condition: Condition) -> dict:
    """reading: of readings that all lie inside, the one nearest a limit counts."""

    def distance(row: dict) -> float:
        return max(sign * row["value"] - condition.limit(sign) for sign in (1, -1) if condition.limit(sign) is not None)

    return max(rows, key=lambda row: round(distance(row), 6))


def _instants(
    scenario: Scenario, logger: Logger, probe: Probe, only: str | None
) -> tuple[dict[float, list[dict]], list[Steps], Shown]:
    """Rows by instant, each download's steps, and the plain numbers by unit."""
    at: dict[float, list[dict]] = {}
    downloads, shown = [], {}
    for file in logger.files:
        if only not in (None, file.name):
            continue
        column = file.probes.index(probe.name)
        unit = file.units[column]
        lines = [line for line in file.lines if line.wall is not None]
        downloads.append(steps_of(logger, scenario.zone, file))
        for time, line in zip(file_times(logger, scenario.zone, file), lines, strict=True):
            cell = line.cells[column]
            if cell.value is None and cell.side == 0:
                continue
            row = _row(cell, unit, logger)
            at.setdefault(float(time), []).append({"time": float(time), **row, "file": file.name, "line": line.number})
            if row["side"] == 0:
                shown.setdefault(unit, []).append(cell.value)
    return at, downloads, shown


def _step_c(shown: Shown, step: Callable[[list[float]], float]) -> float:
    return max((step(values) * (1 if unit == "C" else 5 / 9) for unit, values in shown.items()), default=0.0)


def _doubt(
    probe: Probe, zone: str, t: np.ndarray, as_read: np.ndarray, shown: Shown, choices: Choices
) -> tuple[np.ndarray, np.ndarray] | None:
    """Where the contract leaves the size of U open: a rate of drift, or a display step seen in a few numbers."""
    few = probe.resolution_c is None and any(len(set(values)) < 2 * DISTINCT for values in shown.values())
    if not few and not drift_per_day(probe):
        return None
    steps = (0.0 if few else _step_c(shown, seen_step), _step_c(shown, common_step))
    ways = zip(steps, (0.0, 2.0), strict=True)
    return tuple(
        calibrated(probe, zone, t, as_read, step, replace(choices, drift_scale=scale))[1] for step, scale in ways
    )


def series(scenario: Scenario, probe: Probe, choices: Choices | None = None, *, only: str | None = None) -> Series:
    """``only``: the one download to go by (rule 12, downloads at odds)."""
    choices = choices or Choices()
    logger = scenario.logger_of(probe)
    at, downloads, shown = _instants(scenario, logger, probe, only)
    kept, conflicts = [], []
    for time in sorted(at):
        best = _further_out(at[time], scenario.condition)
        kept.append(best)
        if len({row["value"] for row in at[time]}) > 1:
            conflicts += [{**row, "kept": row is best} for row in at[time]]
    unknown = np.array([row["time"] for row in kept if anything(row, scenario.condition)])
    kept = [row for row in kept if not anything(row, scenario.condition)]
    t, as_read, side = (np.array([row[name] for row in kept]) for name in ("time", "value", "side"))
    value, expanded = calibrated(probe, scenario.zone, t, as_read, _step_c(shown, seen_step), choices)
    interval, coarse = on_steps(t, downloads)
    broken = np.array([bool(((unknown > a) & (unknown < b)).any()) for a, b in zip(t[:-1], t[1:], strict=True)], bool)
    edges = (
        min(downloads, key=lambda one: one.times[0]).edges_s[0],
        max(downloads, key=lambda one: one.times[-1]).edges_s[1],
    )
    doubt = _doubt(probe, scenario.zone, t, as_read, shown, choices)
    # reading: a bound is what the file says, no certificate corrects it
    value = np.where(side != 0, as_read, value)
    return Series(t, as_read, value, side, expanded, interval, coarse, broken, edges, unknown, doubt, conflicts)


def reach_s(interval_s: np.ndarray | float) -> np.ndarray | float:
    """The longest step that is no gap."""
    return np.fmax(2.5 * np.asarray(interval_s), 300.0) + TICK_S


def is_gap(s: Series) -> np.ndarray:
    return (np.diff(s.t) > reach_s(s.interval_s)) & ~s.coarse | s.broken


def edge_is_gap(s: Series, seconds: float, at: int) -> bool:
    return bool(seconds > reach_s(s.edges_s[at]))
