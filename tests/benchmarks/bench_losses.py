"""How often do isolated losses alone ask for a decision (CONTRACTS rule 14), on sound records of a buffered probe?

``python -m tests.benchmarks.bench_losses [--stays 200]``: 28-day stays in random simulated refrigerators, read every 5, 10 or 15 min,
with 0.1, 0.3 and 0.5 % of the readings lost at random. Aim: under 10 % of the stays flagged for the losses, so that the flag
keeps its meaning. It prints how many are flagged, and by what.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from coldchain_kit import quality, simulate
from coldchain_kit.lots import reach, stays
from coldchain_kit.model import Probe, Trace, Unit, conditions
from coldchain_kit.register import stock

START = pd.Timestamp("2026-03-01", tz="UTC")
SHARES = (0.001, 0.003, 0.005)
INTERVALS_MIN = (5, 10, 15)
DAYS = 28
FRIDGE = conditions.get("refrigerated")


@dataclass(frozen=True)
class Stay:
    """One stay: share lost, what the lot's row says, whether a reading is outside anyway."""

    interval_min: int
    lost_share: float
    crossed: int
    count: int
    missing_share: float
    outside: bool

    @property
    def flagged(self) -> bool:
        return bool(self.crossed) or self.missing_share >= reach.SHARE


def one(seed: int, *, days: float = DAYS) -> Iterator[Stay]:
    """A cabinet, each share of losses at one interval; the buffered probe decides."""
    made = simulate.run(simulate.draw(seed), [], start=START, hours=24 * days, seed=seed)
    interval = INTERVALS_MIN[seed % len(INTERVALS_MIN)]
    series = made.sampled(interval)["A"].iloc[int(360 / interval) :]  # the first hours settle
    outside = bool(((series > 8.0) | (series < 2.0)).any())
    rng = np.random.default_rng([seed, 77])
    for share in SHARES:
        keep = rng.random(len(series)) >= share
        keep[[0, -1]] = True
        yield _stay(series[keep], interval, share, outside)


def _stay(series: pd.Series, interval: int, share: float, outside: bool) -> Stay:
    probe = Probe("A", "buffered", resolution_c=0.1)
    trace = quality.run_all({"A": Trace.of(series, probe=probe, u_c=0.25, interval_min=float(interval))})["A"]
    opens, closes = series.index[0], series.index[-1]
    stay = stock.Stay("F2", opens, closes, "5", 2, FRIDGE)
    here = stays.place(stay, Unit("F2", {"A": trace}), opens=opens, closes=closes)
    found = reach.losses(trace, here, stays.Steps())
    return Stay(interval, share, len(found.crossed), found.count, found.share, outside)


def table(found: list[Stay]) -> str:
    """Share flagged by share lost, in lines of text; stays with a reading outside anyway are left out."""
    lines = []
    for share in SHARES:
        part = [row for row in found if row.lost_share == share and not row.outside]
        by = [sum(test(row) for row in part) for test in (lambda row: bool(row.crossed), lambda row: row.flagged)]
        lines.append(
            f"{100 * share:.1f} % lost: {by[1]} of {len(part)} stays flagged ({by[0]} within reach of a limit), "
            f"{np.mean([row.count for row in part]):.0f} readings missing"
        )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stays", type=int, default=200)
    parser.add_argument("--first", type=int, default=7000)
    chosen = parser.parse_args()
    print(table([row for seed in range(chosen.first, chosen.first + chosen.stays) for row in one(seed)]))


if __name__ == "__main__":
    main()
