"""Whether the bounds for contents beside the probe hold what simulated contents met, and how wide they are.

``python -m tests.benchmarks.bench_product`` prints the shares; figures to reach: at least 95 % of the cases held, at a median width of no
more than the probe's own time outside and three times the longest constant. Cabinets are drawn at random, stock is sound (at rest when the record
begins). ``--within`` gives the contents a time constant within the stated range; without it the cabinets keep the contents they were drawn with,
of which many are slower than the range. The seeds from 9000 were not looked at while ``exposure.product`` was made; those from 5000 were.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
import pandas as pd

from coldchain_kit import excursions, simulate
from coldchain_kit.exposure import product
from coldchain_kit.model import Probe, Trace, conditions
from coldchain_kit.simulate import Event

START = pd.Timestamp("2026-03-01T00:00:00Z")
SETTLED_MIN, HOURS = 1440.0, 72.0
FRIDGE = conditions.get("refrigerated")
# What may happen, for how long [min]: door, power, cooling, thermostat, room.
KINDS = {
    "door_open": (10, 120), "power_loss": (120, 720), "cooling_failure": (120, 720), "setpoint_change": (300, 1000), "overcooling": (60, 600),
    "ambient_heat": (300, 900), "defrost": (20, 60),
}  # fmt: skip


@dataclass(frozen=True)
class Held:
    """One side of one case: minutes outside of contents, probe and bounds, and the contents' extreme with its bounds [min, °C]."""

    contents_min: float
    probe_min: float
    probe_bounds_min: tuple[float, float]
    bounds_min: tuple[float, float]
    extreme_c: float
    extreme_bounds_c: tuple[float, float]

    @property
    def met(self) -> bool:
        """Whether contents or probe were outside, or may have been."""
        return max(self.contents_min, self.probe_min, self.bounds_min[1]) > 0


def case(seed: int, *, within: bool, tau_min: tuple[float, float] = product.ASSUMED_MIN) -> list[Held]:
    """One simulated cabinet with one event, its buffered probe as a logger keeps it, and what the contents met; a row a side.

    The contents exchange heat at 0.7 of their conductance while the fan rests, so their constant lies within the range in both modes.
    """
    rng = np.random.default_rng([seed, 99])
    cabinet = simulate.draw(seed)
    if within:
        tau = np.exp(rng.uniform(np.log(tau_min[0]), np.log(0.7 * tau_min[1])))
        cabinet = simulate.draw(seed, contents_kj_k=float(tau * 60.0 * cabinet.contents_w_k / 1000.0))
    kind = list(KINDS)[seed % len(KINDS)]
    size = float(rng.choice([-4.0, 4.0])) if kind == "setpoint_change" else None
    event = Event(kind, SETTLED_MIN + rng.uniform(0, 600), rng.uniform(*KINDS[kind]), size)
    made = simulate.run(cabinet, [event], start=START, hours=HOURS, seed=seed)
    probe = Probe("A", "buffered", time_constant_min=cabinet.probes[0].tau_min, resolution_c=0.1)
    trace = Trace.of(made.sampled(float(rng.choice([1, 5, 10, 15])))["A"], probe=probe, u_c=0.25)
    since, until = START + pd.Timedelta(minutes=SETTLED_MIN), trace.readings.index[-1]
    held = product.courses(trace, tau_min=tau_min)
    row = None if held is None else product.beside(held, FRIDGE, start=since, end=until)
    contents = made.truth["contents_c"][since:until]
    return [_held(side, row, contents, trace, since, until) for side in ("above", "below")] if row else []


def _held(side: str, row: dict, contents: pd.Series, trace: Trace, since: pd.Timestamp, until: pd.Timestamp) -> Held:
    limit, span = FRIDGE.limit_c(side), {"start": since, "end": until}
    true = excursions.minutes_beyond(contents, limit_c=limit, direction=side, gap=[False] * (len(contents) - 1)).minutes
    own = excursions.bounds.totals(trace, FRIDGE, side, **span)
    names = ("max_least_c", "max_most_c") if side == "above" else ("min_least_c", "min_most_c")
    return Held(
        true, own["minutes"], (own["minutes_least"], own["minutes_most"]), (row["outside"][side]["minutes_least"], row["outside"][side]["minutes_most"]),
        float(contents.max() if side == "above" else contents.min()), (row[names[0]], row[names[1]]),
    )  # fmt: skip


def share(rows: list[Held], pick) -> float:
    """Share of rows whose bounds hold the truth."""
    return float(np.mean([low - 1e-9 <= value <= high + 1e-9 for value, (low, high) in map(pick, rows)]))


def figures(rows: list[Held]) -> dict[str, float]:
    """Shares held, and the median of width less the probe's own time outside [min], over rows in which anything was or may have been outside."""
    met = [row for row in rows if row.met]
    return {
        "cases": len(met),
        "minutes_held": share(met, lambda row: (row.contents_min, row.bounds_min)),
        "extremes_held": share(rows, lambda row: (row.extreme_c, row.extreme_bounds_c)),
        "minutes_held_by_the_probe": share(met, lambda row: (row.contents_min, row.probe_bounds_min)),
        "median_width_min": float(np.median([row.bounds_min[1] - row.bounds_min[0] for row in met])),
        "median_probe_min": float(np.median([row.probe_min for row in met])),
        "median_width_over_probe_min": float(np.median([row.bounds_min[1] - row.bounds_min[0] - row.probe_min for row in met])),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--seed", type=int, default=9000)
    parser.add_argument("--within", action="store_true", help="contents with a time constant within the range")
    given = parser.parse_args()
    rows = [row for seed in range(given.seed, given.seed + given.cases) for row in case(seed, within=given.within)]
    for name, value in figures(rows).items():
        print(f"{name}: {value:.3f}" if value < 1.5 else f"{name}: {value:.1f}")


if __name__ == "__main__":
    main()
