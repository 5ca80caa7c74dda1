"""Labelled cases as the causes see them: a Unit, an episode, its excursions.

Two sets that share no code: the tuning set (``coldchain_kit.simulate``, seeds from 1000) on which rules and weights were
made, and the holding set (``tests.holding_set``, other equations) on which skill is stated. Of the holding set, seeds 2026 and 2027 were looked at
while clues were added; skill is stated on seed 2031, looked at again while the
weight of shape was chosen (coldchain_kit/evidence/information.py), and on seed 2039, run once after that.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from coldchain_kit import simulate
from coldchain_kit.model import Probe, Trace, Unit, conditions
from tests import holding_set

LIMITS = {"refrigerator": (2.0, 8.0), "freezer": (-50.0, -15.0)}
CONDITION = {kind: conditions.Condition(kind, kind, *limits, source="FACTS B1, B5 (READ-2)", frozen=kind == "freezer") for kind, limits in LIMITS.items()}


@dataclass(frozen=True)
class Labelled:
    """``readings`` at one minute with columns A (buffered), B (air), room."""

    cabinet: int
    cause: str
    scenario: str
    kind: str
    onset: pd.Timestamp
    end: pd.Timestamp
    readings: pd.DataFrame
    tau_a_min: float
    tau_b_min: float


def holding(*, cabinets: int = 20, seed: int = 2031, scenarios: tuple[str, ...] = holding_set.CAUSES, freezers: bool = False) -> list[Labelled]:
    """The set that skill is stated on."""
    return [
        Labelled(c.cabinet, c.cause, c.scenario, c.kind, c.onset, c.end, c.readings, c.tau_a_min, c.tau_b_min)
        for c in holding_set.make(cabinets=cabinets, seed=seed, scenarios=scenarios, freezers=freezers)
    ]


def tuning(*, cabinets: int = 20, first_seed: int = 1000, freezers: bool = False) -> list[Labelled]:
    """The set that rules and weights were made on; with ``freezers`` the causes above the limit in freezers."""
    start = pd.Timestamp("2026-01-05T00:00:00Z")
    cases = []
    for number in range(cabinets):
        seed = first_seed + number
        rng = np.random.default_rng([seed, 5])
        for scenario in holding_set.ABOVE if freezers else holding_set.CAUSES:
            kind = "freezer" if freezers or scenario == "defrost" else "refrigerator"
            unit = simulate.draw(seed, kind)
            if kind == "refrigerator" and number % 3 == 0:
                unit = replace(unit, defrost_every_h=float(rng.choice([6.0, 8.0, 12.0])), defrost_min=float(rng.uniform(10, 20)), defrost_w=60.0)
            if scenario in ("ambient_heat", "warm_load"):  # a unit with reserve enough would not go outside at all
                hot_load_w = unit.walls_w_k * (unit.room_c + rng.uniform(4, 9) - unit.set_c)
                unit = replace(unit, capacity_w=hot_load_w, capacity_at_c=unit.set_c - 8.0, capacity_slope_w_k=1.0)
            if number % 5 == 4:  # a coarse, noisy logger
                unit = replace(unit, probes=tuple(replace(probe, resolution_c=0.5, noise_c=0.08, bias_c=float(rng.uniform(-0.3, 0.3))) for probe in unit.probes))
            event = _event(scenario, rng, unit)
            made = simulate.run(unit, [event], start=start, hours=120, seed=seed)
            cause = {"setpoint_down": "setpoint_change"}.get(scenario, scenario)
            cases.append(Labelled(number, cause, scenario, kind, made.onset, made.end, made.sampled(1.0), unit.probes[0].tau_min, unit.probes[1].tau_min))
    return cases


def _event(scenario: str, rng: np.random.Generator, unit: simulate.Cabinet) -> simulate.Event:
    at = rng.uniform(62, 80) * 60
    if scenario == "defrost":
        at = np.ceil(at / 60 / unit.defrost_every_h) * unit.defrost_every_h * 60
    minutes, size, form = {
        "door_open": ((8, 100), None, ""), "power_loss": ((120, 900), None, ""), "cooling_failure": ((3600, 3600), rng.choice([0.0, 0.0, rng.uniform(0.05, 0.3)]), ""),
        "defrost": ((45, 120), None, ""), "setpoint_change": ((3600, 3600), rng.uniform(4, 7), ""), "warm_load": ((2, 8), rng.uniform(8, 30), ""),
        "probe_removed": ((15, 150), None, ""), "probe_fault": ((90, 600), rng.uniform(4, 9), rng.choice(["offset", "drift", "stuck", "noise"])),
        "ambient_heat": ((600, 1200), rng.uniform(12, 22), ""), "overcooling": ((900, 1600), None, ""), "setpoint_down": ((3600, 3600), -rng.uniform(4, 7), ""),
        "cold_load": ((2, 5), rng.uniform(4, 12), ""), "ambient_cold": ((900, 1500), rng.uniform(24, 32), ""),
    }[scenario]  # fmt: skip
    kind = {"setpoint_down": "setpoint_change"}.get(scenario, scenario)
    if scenario == "door_open" and rng.random() < 0.3:  # left ajar
        minutes, size = (150, 700), rng.uniform(0.05, 0.25)
    if scenario in ("warm_load", "cold_load") and rng.random() < 0.4:  # put in at once
        minutes = (0.2, 0.5)
    if form == "drift":
        size = size * 12.0
    if form == "stuck":
        size = unit.set_c + size + 3.0
    if form == "noise":
        size = 0.6 * size
    whole_logger = scenario == "probe_removed" and rng.random() < 0.3
    probe = "A" if scenario in ("probe_fault", "probe_removed") and not whole_logger else None
    return simulate.Event(kind, float(at), float(rng.uniform(*minutes)), None if size is None else float(size), probe=probe, form=str(form) or "offset")


def cut(case: Labelled, *, before_h: float, after_h: float) -> Labelled:
    """The same case in a shorter record: so many hours before its onset and after its end."""
    span = slice(case.onset - pd.Timedelta(hours=before_h), case.end + pd.Timedelta(hours=after_h))
    return replace(case, readings=case.readings.loc[span])


def unit_of(case: Labelled, *, interval_min: int, probes: tuple[str, ...] = ("A", "B", "room"), taus: bool = True) -> Unit:
    """The case as a logger of that interval with those probes would show it."""
    given = {
        "A": Probe("A", "buffered", True, case.tau_a_min if taus else None),
        "B": Probe("B", "air", "A" not in probes, case.tau_b_min if taus else None),
        "room": Probe("room", "room", False),
    }
    return Unit(case.kind, {name: Trace.of(case.readings[name].iloc[::interval_min], probe=given[name]) for name in probes})


def episode_of(case: Labelled, unit: Unit) -> tuple[dict, list[dict]] | None:
    """The worst episode of the deciding probe after the event began, by plain means; None where nothing went outside."""
    low, high = LIMITS[case.kind]
    name, trace = next((name, trace) for name, trace in unit.traces.items() if trace.probe.decides)
    rows: list[dict] = []
    for direction, sign, limit in (("above", 1, high), ("below", -1, -low)):
        excess = (trace.celsius * sign - limit).clip(lower=0.0)
        out = excess.to_numpy() > 0
        edges = np.flatnonzero(np.diff(np.concatenate([[0], out.astype(int), [0]])))
        for first, last in zip(edges[::2], edges[1::2] - 1, strict=True):
            times = trace.celsius.index
            rows.append({
                "id": f"E{len(rows) + 1}", "unit": case.kind, "probe": name, "direction": direction, "start": times[first], "end": times[last],
                "degree_minutes": float(excess.iloc[first : last + 1].sum() * np.median(np.diff(times.asi8)) / 6e7), "faulty": False,
            })  # fmt: skip
    episodes: list[dict] = []
    for row in sorted(rows, key=lambda row: (row["direction"], row["start"])):
        join = episodes and episodes[-1]["direction"] == row["direction"] and row["start"] - episodes[-1]["end"] < pd.Timedelta(minutes=120)
        if join:
            episodes[-1]["end"] = max(episodes[-1]["end"], row["end"])
            episodes[-1]["excursions"].append(row["id"])
            episodes[-1]["size"] += row["degree_minutes"]
        else:
            episodes.append(
                {
                    "id": f"P{len(episodes) + 1}",
                    "unit": case.kind,
                    "direction": row["direction"],
                    "start": row["start"],
                    "end": row["end"],
                    "excursions": [row["id"]],
                    "size": row["degree_minutes"],
                    "recurrent": False,
                }
            )
    late = [episode for episode in episodes if episode["end"] >= case.onset]
    if not late:
        return None
    chosen = max(late, key=lambda episode: episode["size"])
    return chosen, [row for row in rows if row["id"] in chosen["excursions"]]
