"""The whole case: sources, rows of every unit, episodes, what the cause can be."""

from __future__ import annotations

import itertools
import math

from tests.oracle.clock import file_times, utc_s
from tests.oracle.course import Window, excursions, in_window, near_runs, side
from tests.oracle.display import displays
from tests.oracle.lots import lot_rows
from tests.oracle.model import TICK_S, Choices, File, Logger, Refused, Scenario
from tests.oracle.probes import deciding, probe_row, within
from tests.oracle.readings import Series, series, steps_of

KNOWN = 0.95  # of the window, for the cause "none"


def source_row(scenario: Scenario, logger: Logger, file: File) -> dict:
    read = sum(line.wall is not None for line in file.lines)
    times, steps = file_times(logger, scenario.zone, file), steps_of(logger, scenario.zone, file)
    return {
        "file": file.name,
        "rows": len(file.lines),
        "read": read,
        "rejected": len(file.lines) - read,
        "first": float(times.min()),
        "last": float(times.max()),
        "coarse": bool(steps.coarse.any()),
        "rejects": sorted(line.number for line in file.lines if line.wall is None),
        "interval_min": None if math.isnan(steps.base_s) else steps.base_s / 60,
        "several": any(len(one.steps_min) > 1 or one.since for one in logger.stated),
    }


def _window(case: Scenario, readings: list[Series]) -> Window:
    """reading: without start or end the window is the record, its last reading included."""
    return (
        min(s.t[0] for s in readings) if case.start is None else utc_s(case.start, case.zone),
        max(s.t[-1] for s in readings) + TICK_S * 2 if case.end is None else utc_s(case.end, case.zone),
    )


def assess(scenarios: dict[str, Scenario], choices: Choices | None = None) -> dict:
    """What the results of a case over these units must say."""
    case = next(iter(scenarios.values()))
    every = {
        unit: {probe.name: series(scenario, probe, choices) for probe in scenario.probes}
        for unit, scenario in scenarios.items()
    }
    window = _window(case, [s for found in every.values() for s in found.values()])
    seen = {
        unit: any(within(every[unit][name], window).any() for name in deciding(scenario.probes))
        for unit, scenario in scenarios.items()
    }
    if not any(seen.values()) and not case.no_readings:
        raise Refused(window)
    found = {
        name: []
        for name in ("sources", "probes", "excursions", "displays", "near_limit", "conflicts", "episodes", "faults")
    }
    found |= {
        "window": window,
        "series": every,
        "empty_units": sorted(unit for unit, any_of in seen.items() if not any_of),
    }
    for unit, scenario in scenarios.items():
        _unit(found, unit, scenario, every[unit], window)
    lots = lot_rows(scenarios, every, found["displays"], window)
    return found | {"lots": lots, "cause": _cause(found, seen)}


def _unit(found: dict, unit: str, scenario: Scenario, every: dict[str, Series], window: Window) -> None:
    chosen, rows = deciding(scenario.probes), []
    for (name, s), sign in itertools.product(every.items(), (1, -1)):
        limit = scenario.condition.limit(sign)
        if name not in chosen or limit is None:
            continue
        seen = side(s, sign, limit)
        rows += [{"unit": unit, "probe": name, **row} for row in excursions(s, seen, window) if in_window(row, window)]
        found["near_limit"] += [{"unit": unit, "probe": name, **row} for row in near_runs(s, seen)]
    found["excursions"] += rows
    found["displays"] += displays(scenario, unit, {name: every[name] for name in chosen}, window)
    found["episodes"] += episodes(rows, scenario.join_min)
    found["sources"] += [source_row(scenario, logger, file) for logger in scenario.loggers for file in logger.files]
    found["probes"] += [
        {"unit": unit, **probe_row(scenario, probe, every[probe.name], window, probe.name in chosen)}
        for probe in scenario.probes
    ]
    found["conflicts"] += [{"unit": unit, "probe": name, **row} for name, s in every.items() for row in s.conflicts]
    found["faults"] += [(unit, kind) for kind in sorted(_faults(scenario, every, window))]


def _faults(scenario: Scenario, every: dict[str, Series], window: tuple[float, float]) -> set[str]:
    """Kinds of fault that the contract requires whatever the quality tests say. reading: one-sided readings of the window."""
    found = set()
    for s in every.values():
        inside = (s.t >= window[0]) & (s.t < window[1])
        lone = (s.unknown >= window[0]) & (s.unknown < window[1])
        found |= {"one_sided"} if (s.sided & inside).any() or lone.any() else set()
        found |= {"interval"} if s.coarse.any() else set()
    last = max(float(s.t[-1]) for s in every.values())
    if scenario.downloaded is not None and utc_s(scenario.downloaded, scenario.zone) < last - TICK_S:
        found.add("clock")
    return found


def _cause(found: dict, seen: dict[str, bool]) -> dict:
    """What rule 11 leaves: ``never`` these; ``undetermined`` sure or possible in place of none.

    reading: known is what is covered, or what is not unknown; sure where both fall short for some deciding probe.
    """
    length = (found["window"][1] - found["window"][0]) / 60
    short = []
    for row in (row for row in found["probes"] if row["decides"]):
        lost = (row["lost_min"], row["unknown_minutes"]) if row["readings"] else (length, length)
        short.append(tuple(1 - minutes / length < KNOWN for minutes in lost) if length > 1 else (False, False))
    never = {"none"} if found["excursions"] or found["displays"] else set()
    return {
        "never": never,
        "undetermined": any(all(one) for one in short),
        "perhaps": any(any(one) for one in short),
        "no_readings": not any(seen.values()),
    }


# --- episodes -----------------------------------------------------------------------------------------------


def episodes(rows: list[dict], join_min: float) -> list[set[tuple]]:
    """Joined groups of excursion keys; a run beginning beyond the gap at which another of its probe ended joins it."""
    found: list[dict] = []
    for row in sorted(rows, key=lambda row: (row["start"], row["end"])):
        for group in reversed(found):
            if group["direction"] != row["direction"]:
                continue
            near = (row["start"] - group["end"]) / 60 < join_min
            if near or any(_parted(other, row) for other in group["rows"]):
                group["rows"].append(row)
                group["end"] = max(group["end"], row["end"])
                break
        else:
            found.append({"direction": row["direction"], "rows": [row], "end": row["end"]})
    return [{key(row) for row in group["rows"]} for group in found]


def _parted(other: dict, row: dict) -> bool:
    """By a gap only."""
    return (
        other["probe"] == row["probe"]
        and other["open_end"]
        and row["open_start"]
        and other["end_latest"] == row["first_out"]
    )


def key(row: dict) -> tuple:
    return row["unit"], row["probe"], row["direction"], round(row["first_out"])
