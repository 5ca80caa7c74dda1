"""Measured skill of the causes: ``python -m tests.benchmarks.bench_causes [--cabinets 20] [--seed 2031] [--robust] [--harder] [--freezers]``.

Prints, for each set of probes, the share first-ranked right, the confusion matrix and the calibration of the support, over
random cabinets x the causes that a trace can show x intervals of 1, 5, 10 and 15 minutes. The cases come from
tests/holding_set.py, whose equations, cabinets and seeds the rules were not made on (rules and weights: tests/benchmarks/labelled.py,
``tuning``). ``--robust`` moves every threshold by 20 % up and down and prints the loss in points.
"""

from __future__ import annotations

import argparse
import collections
import time
from unittest import mock

from coldchain_kit import causes
from coldchain_kit.causes import clues
from tests import holding_set
from tests.benchmarks import labelled

PROBE_SETS = {
    "two probes and room": (("A", "B", "room"), True),
    "one buffered probe and room": (("A", "room"), True),
    "two probes": (("A", "B"), True),
    "one buffered probe alone": (("A",), True),
    "one buffered probe alone, time constant not given": (("A",), False),
}
INTERVALS = (1, 5, 10, 15)


def rank(cases, *, probes: tuple[str, ...], taus: bool, intervals=INTERVALS) -> list[tuple[str, str, str, float]]:
    """(scenario, true cause, first-ranked cause, support) of every case that went outside at all."""
    rows = []
    for case in cases:
        for interval in intervals:
            unit = labelled.unit_of(case, interval_min=interval, probes=probes, taus=taus)
            picked = labelled.episode_of(case, unit)
            if picked is not None:
                first = causes.weigh(picked[0], unit, condition=labelled.CONDITION[case.kind], kind=case.kind, excursions=picked[1])[0]
                rows.append((case.scenario, case.cause, first["cause"], first["support"]))
    return rows


def right(rows) -> float:
    """Share first-ranked right."""
    return sum(true == first for _, true, first, _ in rows) / len(rows)


def calibration(rows, *, edges=(0.0, 0.5, 0.7, 0.85, 0.95, 1.01)) -> list[tuple[float, float, int]]:
    """(mean support, share right, cases) by bands of support."""
    bands = []
    for low, high in zip(edges[:-1], edges[1:], strict=True):
        inside = [(support, true == first) for _, true, first, support in rows if low <= support < high]
        if inside:
            bands.append((sum(s for s, _ in inside) / len(inside), sum(hit for _, hit in inside) / len(inside), len(inside)))
    return bands


def expected_error(rows) -> float:
    """Mean gap between support and share right, weighed by the cases in each band."""
    return sum(abs(mean - share) * count for mean, share, count in calibration(rows)) / len(rows)


def moved(key: str, factor: float):
    """Context in which one threshold is another number."""
    return mock.patch.dict(clues.THRESHOLDS, {key: (clues.THRESHOLDS[key][0] * factor, clues.THRESHOLDS[key][1])})


def robustness(cases, *, probes, taus, intervals=(5,)) -> dict[str, float]:
    """Loss in points of each threshold moved by 20 % down or up, the worse of both."""
    base = right(rank(cases, probes=probes, taus=taus, intervals=intervals))
    loss = {}
    for key in clues.THRESHOLDS:
        shares = []
        for factor in (0.8, 1.2):
            with moved(key, factor):
                shares.append(right(rank(cases, probes=probes, taus=taus, intervals=intervals)))
        loss[key] = round(100 * (base - min(shares)), 1)
    return loss


def _matrix(rows) -> str:
    count = collections.Counter((scenario, first) for scenario, _, first, _ in rows)
    lines = []
    for scenario in dict.fromkeys(row[0] for row in rows):
        said = ", ".join(f"{first} {n}" for (name, first), n in count.most_common() if name == scenario)
        lines.append(f"  {scenario:16s} {said}")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cabinets", type=int, default=20)
    parser.add_argument("--seed", type=int, default=2031)
    parser.add_argument("--robust", action="store_true")
    parser.add_argument("--harder", action="store_true", help="doors ajar, loads put in at once, whole loggers out, short outages")
    parser.add_argument("--freezers", action="store_true", help="every cabinet a freezer, the causes above the limit")
    given = parser.parse_args()
    scenarios = holding_set.HARDER if given.harder else holding_set.ABOVE if given.freezers else holding_set.CAUSES
    cases = labelled.holding(cabinets=given.cabinets, seed=given.seed, scenarios=scenarios, freezers=given.freezers)
    for name, (probes, taus) in PROBE_SETS.items():
        began = time.perf_counter()
        rows = rank(cases, probes=probes, taus=taus)
        print(f"\n{name}: {100 * right(rows):.1f} % of {len(rows)} first-ranked right, {1000 * (time.perf_counter() - began) / len(rows):.0f} ms each")
        print(_matrix(rows))
        print("  support -> right:", ", ".join(f"{mean:.2f} -> {share:.2f} ({count})" for mean, share, count in calibration(rows)), f"| mean gap {expected_error(rows):.3f}")
        if given.robust:
            print("  points lost by 20 %:", robustness(cases, probes=probes, taus=taus))


if __name__ == "__main__":
    main()
