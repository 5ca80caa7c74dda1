"""Flags against the labels of the traces' owners, beside ioos-qc, pecos and saqc run in the same command.

``python -m tests.benchmarks.bench_labels`` prints precision, recall and F1 of "suspect or fail" by reading on each
labelled series (missing values count on no side). Most thresholds of the kit rest on physics, steps of the resolution
and sound simulated cabinets (tests/benchmarks/bench_stillness.py), but the series of ``SEEN`` were looked at while the
tests were made, and these constants were changed after a look at the scores, so that the scores of these series are
no fresh ones: lone.SIDE (4 to 6), lone.SHIFT_TIMES (10 to 5) and gaps allowed among a lone reading's neighbours after
"mixed" (F1 0.58 before, 0.82 after), lone.LEVELS_APART_C (3 to 1 °C) after "river" (0.97, 1.00), the value where a
record rests after "pv_stuck" (0.33, 1.00), runs that a jump leads to after "bias" (0.92, 1.00), flagging.QUICK_NOISE_C
(0.5 to 0.2 °C) after "malfunction" (0.66, 0.96). The series of ``HELD_OUT`` were named before anybody looked at them
and are scored as they came out.

The libraries need thresholds: "left out" takes the tests and thresholds (of tests/benchmarks/peers.py, up to three
together) that do best on all other series of ``SEEN``; "best in hindsight" the one test that does best on this very
series, which nobody could have known.

Where saqc is not installed beside the kit, ``COLDCHAIN_PEERS_PYTHON`` names an interpreter that has the libraries.

The last lines say what the tests do to true excursions of simulated cabinets: at most 0.5 % may become ``faulty``.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import subprocess
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from coldchain_kit import excursions, quality, simulate
from coldchain_kit.model import SUSPECT, Condition, Probe, Trace
from coldchain_kit.quality import series as leaf
from tests.benchmarks import bench_stillness as fleet
from tests.benchmarks import peers
from tests.conftest import open_data

SEEN = ("random", "malfunction", "bias", "drift", "mixed", "pv_stuck", "river")
HELD_OUT = ("pv_interpolated", "pv_outlier", "nab_machine", "nab_ambient")
MOST_TESTS = 3  # of a library together
SHARE_FAULTY = 0.005
# Limits of the simulated cabinets [°C] by kind.
LIMITS_C = {
    "refrigerator": (2.0, 8.0),
    "cold_room": (2.0, 8.0),
    "freezer": (-50.0, -15.0),
    "ultra_low": (-90.0, -60.0),
    "room": (15.0, 25.0),
}


# ---- labelled series ------------------------------------------------------------------------------------------


def _sensor(name: str) -> tuple[pd.Series, np.ndarray]:
    table = pd.read_csv(open_data(f"sensor_fault_benchmark/{name}.txt"), quotechar="'")
    return pd.Series(table["temperature"].to_numpy("float64"), index=pd.DatetimeIndex(table["timestamp"])), table[
        "has_fault_type"
    ].to_numpy() > 0


def _power(name: str, mask: str) -> tuple[pd.Series, np.ndarray]:
    """A share of full power, not a temperature: the tests do not know."""
    table = pd.read_csv(open_data(f"pv_stuck_interpolated_labels/{name}.csv"))
    index = pd.DatetimeIndex(pd.to_datetime(table["timestamp"], utc=True)).tz_localize(None)
    return pd.Series(table["value_normalized"].to_numpy("float64"), index=index), table[mask].astype(
        str
    ).str.lower().eq("true").to_numpy()


def _river() -> tuple[pd.Series, np.ndarray]:
    table = pd.read_csv(
        open_data("river_water_expert_qc/BlackSmithFork2015.csv"), parse_dates=["datetime"], index_col="datetime"
    )
    return table["temp"].rename(None), table["temp_qual"].notna().to_numpy()


def _nab(which: str) -> tuple[pd.Series, np.ndarray]:
    name = f"{which}_temperature_system_failure.csv"
    table = pd.read_csv(open_data(f"nab_temperature/{name}"), parse_dates=["timestamp"], index_col="timestamp")
    windows = json.loads(open_data("nab_temperature/combined_windows.json").read_text("utf-8"))[
        f"realKnownCause/{name}"
    ]
    label = np.any([(table.index >= first) & (table.index <= last) for first, last in windows], axis=0)
    return (table["value"] - 32.0) / 1.8, label


def labelled(name: str) -> tuple[pd.Series, np.ndarray]:
    """A series of °C on naive times without repeated ones, and its labels."""
    series, label = {
        "mixed": lambda: _sensor("santander163_temperature_mixed"),
        "pv_stuck": lambda: _power("ac_power_inv_2173_stale_data", "stale_data_mask"),
        "pv_interpolated": lambda: _power("ac_power_inv_2173_interpolated_data", "interpolated_data_mask"),
        "pv_outlier": lambda: _power("ac_power_inv_7539_outliers", "outlier"),
        "river": _river, "nab_machine": lambda: _nab("machine"), "nab_ambient": lambda: _nab("ambient"),
    }.get(name, lambda: _sensor(f"intel_mote4_temperature_{name}"))()  # fmt: skip
    keep = ~series.index.duplicated()
    series = series[keep].astype("float64")
    series.index = pd.DatetimeIndex(series.index).as_unit("us")
    return series, label[keep]


# ---- scores ---------------------------------------------------------------------------------------------------


def score(found: np.ndarray, label: np.ndarray, *, windows: bool = False) -> tuple[float, float, float]:
    """Precision, recall, F1 by reading; with ``windows`` by event: labelled windows in which something is found, found
    runs that lie in one."""
    if windows:
        spans, finds = leaf.runs(label), leaf.runs(found, join=12)
        recall = float(np.mean([found[a : b + 1].any() for a, b in spans]))
        precision = float(np.mean([label[a : b + 1].any() for a, b in finds])) if finds else 0.0
    else:
        hits = int((found & label).sum())
        precision, recall = hits / max(1, int(found.sum())), hits / max(1, int(label.sum()))
    return precision, recall, 2 * precision * recall / max(1e-12, precision + recall)


def ours(series: pd.Series) -> np.ndarray:
    """Readings that the kit marks suspect or fail, of a probe of which nothing is known."""
    trace = quality.run(Trace.of(series.tz_localize("UTC"), probe=Probe("A")))
    flags = quality.rolled(trace).to_numpy()
    return (flags >= SUSPECT) & series.notna().to_numpy()


def theirs(records: dict[str, pd.Series]) -> dict[tuple[str, str, str], np.ndarray]:
    """(library, test, series) -> mask, here or by another interpreter."""
    here = importlib.util.find_spec("saqc") is not None
    found = peers.all_flags(records) if here else _elsewhere(records, os.environ.get("COLDCHAIN_PEERS_PYTHON"))
    return {tuple(key.split("|")): mask for key, mask in found.items()}


def _elsewhere(records: dict[str, pd.Series], python: str | None) -> dict[str, np.ndarray]:
    if not python:
        raise SystemExit(
            "saqc is not installed here: name an interpreter that has ioos-qc, pecos and saqc in COLDCHAIN_PEERS_PYTHON"
        )
    columns = {
        f"{name}.{part}": values
        for name, series in records.items()
        for part, values in (("time", series.index.to_numpy("M8[us]")), ("value", series.to_numpy()))
    }
    with tempfile.TemporaryDirectory() as folder:
        given, out = Path(folder) / "in.npz", Path(folder) / "out.npz"
        np.savez(given, **columns)
        subprocess.run(
            [python, "-W", "ignore", peers.__file__, given, out],
            check=True,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        return dict(np.load(out))


def left_out(
    library: str, name: str, found: dict, labels: dict[str, np.ndarray]
) -> tuple[list[str], tuple[float, float, float]]:
    """The library's tests that together do best on all other series (greedily, up to three), and their score on this
    one."""
    others = [one for one in SEEN if one != name]
    tests = sorted({test for lib, test, _ in found if lib == library})
    chosen: list[str] = []
    best = 0.0
    while len(chosen) < MOST_TESTS:
        scores = {
            test: np.mean([score(_any(library, [*chosen, test], one, found, labels), labels[one])[2] for one in others])
            for test in tests
            if test not in chosen
        }
        test = max(scores, key=scores.get)
        if scores[test] <= best:
            break
        chosen, best = [*chosen, test], scores[test]
    return chosen, score(_any(library, chosen, name, found, labels), labels[name], windows=name.startswith("nab"))


def _any(library: str, tests: list[str], name: str, found: dict, labels: dict[str, np.ndarray]) -> np.ndarray:
    none = np.zeros(len(labels[name]), dtype=bool)
    return np.any([found.get((library, test, name), none) for test in tests], axis=0)


def print_scores() -> None:
    records, labels = {}, {}
    for name in (*SEEN, *HELD_OUT):
        records[name], labels[name] = labelled(name)
    found = theirs(records)
    print("F1 (precision, recall) of suspect or fail; nab by windows and runs, the others by reading")
    for name in records:
        windows = name.startswith("nab")
        precision, recall, f1 = score(ours(records[name]), labels[name], windows=windows)
        print(
            f"{name:16} {'held out' if name in HELD_OUT else '        '} kit {f1:.3f} ({precision:.3f}, {recall:.3f})"
        )
        for library in peers.LIBRARIES:
            tests, (_, _, left) = left_out(library, name, found, labels)
            single = {
                test: score(mask, labels[name], windows=windows)[2]
                for (lib, test, one), mask in found.items()
                if (lib, one) == (library, name)
            }
            best = max(single, key=single.get)
            print(
                f"    {library:8} left out {left:.3f} ({', '.join(tests)}); best in hindsight {single[best]:.3f} "
                f"({best})"
            )


# ---- true excursions ------------------------------------------------------------------------------------------


def eventful(seed: int) -> tuple[str, pd.DataFrame]:
    """Kind of a cabinet and a fortnight of it by the minute with one true event."""
    rng = np.random.default_rng([seed, 98])
    kind = fleet.KINDS[seed % len(fleet.KINDS)]
    event = simulate.Event(
        fleet.EVENTS[rng.integers(len(fleet.EVENTS))],
        float(rng.uniform(4, 11)) * 1440,
        float(np.exp(rng.uniform(np.log(20), np.log(900)))),
    )
    return kind, simulate.run(fleet.cabinet(seed), [event], start=fleet.START, hours=24 * 14, seed=seed).sampled(1)


def print_excursions(units: int, first_seed: int) -> None:
    rows = []
    for seed in range(first_seed, first_seed + units):
        kind, data = eventful(seed)
        condition = Condition(kind, kind, *LIMITS_C[kind], source="simulated", frozen=LIMITS_C[kind][1] < 0)
        for interval in fleet.INTERVALS_MIN:
            for trace in fleet.flagged(fleet.shown(data, interval, 0.1)).values():
                for row in (
                    excursions.find(replace(trace, readings=trace.readings.assign(u_c=0.1)), condition).to_dict(
                        "records"
                    )
                    if trace.probe.role != "room"
                    else ()
                ):
                    inside = quality.rolled(trace)[row["first_out"] : row["last_out"]]
                    rows.append((row["faulty"], bool((inside >= SUSPECT).mean() >= 0.5)))
    faulty, suspect = np.array(rows).mean(axis=0) if rows else (0.0, 0.0)
    print(
        f"{len(rows)} true excursions of {units} simulated units at {fleet.INTERVALS_MIN} min: faulty {faulty:.2%} "
        f"(at most {SHARE_FAULTY:.1%}), mostly suspect {suspect:.2%}"
    )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--units", type=int, default=200)
    parser.add_argument("--seed", type=int, default=80_000)
    chosen = parser.parse_args()
    print_scores()
    print_excursions(chosen.units, chosen.seed)


if __name__ == "__main__":
    main()
