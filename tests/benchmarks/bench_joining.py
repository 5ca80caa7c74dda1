"""Many daily downloads of one unit: read, put on UTC, joined. ``python -m tests.benchmarks.bench_joining [most files]``.

Prints seconds of one core for 125, 250, 500 … files of a day each (5 min, two probes, half an hour of overlap with the day before), plain, with the
overlap at odds, and with every second file read by another clock (interleaving). The curve should be straight: aim 2,000 files within 20 s.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from coldchain_kit import downloads
from coldchain_kit.model import Probe, conditions
from coldchain_kit.register import Logger, ProbeEntry, UnitEntry

INTERVAL_MIN, OVERLAP = 5, 6
WAYS = ("plain", "at odds", "interleaving")


def entry() -> UnitEntry:
    probes = {name: ProbeEntry(Probe(name, role, role == "buffered")) for name, role in (("A", "buffered"), ("B", "air"))}
    return UnitEntry("U", "refrigerator", "", conditions.get("refrigerated"), logger=Logger(clock="utc"), probes=probes)


def write(folder: Path, count: int, way: str) -> list[Path]:
    """Daily files; each begins half an hour before the one before ends."""
    day, rng, paths = 24 * 60 // INTERVAL_MIN, np.random.default_rng(1), []
    values = np.round(5 + np.cumsum(rng.normal(0, 0.02, count * day + OVERLAP)) % 0.5 + rng.choice([0.0, 0.1], count * day + OVERLAP), 1)
    for number in range(count):
        here = np.arange(number * day, (number + 1) * day + OVERLAP)
        shown = values[here] + (0.2 if way == "at odds" and number % 2 else 0.0)
        times = np.datetime64("2020-01-01") + here * np.timedelta64(INTERVAL_MIN, "m") + np.timedelta64(60 if way == "interleaving" and number % 2 else 0, "s")
        rows = "".join(f"{stamp},{a:.1f},{a + 0.3:.1f}\n" for stamp, a in zip(np.datetime_as_string(times, unit="s"), shown, strict=True))
        paths.append(folder / f"{number:05d}.csv")
        paths[-1].write_text("time,A (°C),B (°C)\n" + rows, "utf-8")
    return paths


def measured(count: int, way: str) -> tuple[float, float, float]:
    """Seconds for reading, for placing, for joining."""
    with tempfile.TemporaryDirectory() as folder:
        paths, known = write(Path(folder), count, way), entry()
        begun = time.process_time()
        loads = [load for path in paths for load in downloads.read(path)]
        read = time.process_time()
        placed = [downloads.place(load, known, zone="Europe/Lisbon") for load in loads]
        on_utc = time.process_time()
        unit = downloads.join(known, placed, zone="Europe/Lisbon")
        done = time.process_time()
    day = 24 * 60 // INTERVAL_MIN
    readings = len(unit.traces["A"].readings)
    if abs(readings - (count * day + OVERLAP)) > count:
        raise RuntimeError(f"{readings} readings of {count} days")
    return read - begun, on_utc - read, done - on_utc


def main(most: int) -> None:
    print(f"{'files':>6} {'way':>13} {'read':>7} {'place':>7} {'join':>7} {'all [s]':>8} {'ms a file':>10}")
    for way in WAYS:
        count = 125
        while count <= most:
            parts = measured(count, way)
            print(f"{count:>6} {way:>13} " + " ".join(f"{part:7.2f}" for part in parts) + f" {sum(parts):8.2f} {1000 * sum(parts) / count:10.1f}", flush=True)
            count *= 2


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
