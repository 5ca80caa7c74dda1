"""Do "at least" and "at most" hold the truth where a unit cycles, or a door opens, between two readings?

``python -m tests.benchmarks.bench_bounds [--cabinets 150]``: cabinets of the simulator that cycle through the day, their high limit
drawn around the top of the cycle, sampled every 1 to 30 min; and the same with one door opening. It prints how many hold the truth
and how wide the bounds are, beside what the bare pairs of rule 6 would give.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from coldchain_kit import simulate
from coldchain_kit.excursions import bounds, time_beyond
from coldchain_kit.model import Condition, Trace

START = pd.Timestamp("2026-03-01", tz="UTC")
INTERVALS_MIN = (1, 2, 5, 10, 15, 20, 25, 30)
EDGE_MIN = 0.35  # the truth is stepped: 10 s at each edge


@dataclass(frozen=True)
class Row:
    """One record against one limit: minutes of truth, the kit's bounds, and those of the bare pairs."""

    kind: str
    interval_min: int
    truth: float
    least: float
    most: float
    bare_most: float

    @property
    def held(self) -> bool:
        return self.least - EDGE_MIN <= self.truth <= self.most + EDGE_MIN

    @property
    def bare_held(self) -> bool:
        return self.least - EDGE_MIN <= self.truth <= self.bare_most + EDGE_MIN


def rows(seed: int, kind: str, *, hours: float = 36.0) -> Iterator[Row]:
    """One cabinet, each probe and interval; ``kind`` "cycling" or "door"."""
    rng = np.random.default_rng([seed, 55])
    cabinet = simulate.draw(seed)
    events = []
    if kind == "door":
        events = [simulate.Event("door_open", float(rng.uniform(12 * 60, 30 * 60)), float(rng.uniform(3, 40)))]
    made = simulate.run(cabinet, events, start=START, hours=hours, seed=seed)
    expanded, share = float(rng.uniform(0.1, 0.6)), float(rng.uniform(0.8, 1.5))
    for probe in ("A", "B"):
        truth = made.truth[f"probe_{probe}"]
        low, high = np.percentile(truth.iloc[360:], [5, 95])
        limit = 8.0 if kind == "door" else round(low + share * (high - low), 1)
        condition = Condition("own", "Own", None, limit)
        for interval in INTERVALS_MIN:
            series = made.sampled(interval)[probe]
            yield _row(kind, interval, series, truth, condition, limit, expanded)


def _row(
    kind: str, interval: int, series: pd.Series, truth: pd.Series, condition: Condition, limit: float, expanded: float
) -> Row:
    trace = Trace.of(series, u_c=expanded / 2, interval_min=interval)
    found = bounds.totals(trace, condition, "above", start=series.index[0], end=series.index[-1])
    bare = time_beyond.minutes_beyond(
        series, limit_c=limit, direction="above", u_c=expanded / 2, gap=np.zeros(len(series) - 1, bool)
    )
    true_min = float((truth[truth.index <= series.index[-1]].to_numpy() > limit).sum()) / 6
    return Row(kind, interval, true_min, found["minutes_least"], found["minutes_most"], bare.most)


def table(found: list[Row]) -> str:
    """Held and width by kind and interval, in lines of text."""
    lines = []
    for kind in dict.fromkeys(row.kind for row in found):
        for interval in INTERVALS_MIN:
            part = [row for row in found if (row.kind, row.interval_min) == (kind, interval) and row.truth > 0]
            if not part:
                continue
            width, bare = (np.mean([getattr(row, name) - row.least for row in part]) for name in ("most", "bare_most"))
            lines.append(
                f"{kind:8} {interval:3} min: held {sum(row.held for row in part)} of {len(part)} "
                f"(bare pairs {sum(row.bare_held for row in part)}), mean width {width:.0f} min, "
                f"{width / bare if bare else 1.0:.2f} x bare pairs"
            )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cabinets", type=int, default=150)
    parser.add_argument("--first", type=int, default=5000)
    chosen = parser.parse_args()
    seeds = range(chosen.first, chosen.first + chosen.cabinets)
    print(table([row for kind in ("cycling", "door") for seed in seeds for row in rows(seed, kind)]))


if __name__ == "__main__":
    main()
