"""How fast and how heavy the readers are on a year of minute readings of two probes (525,600 rows), as ratios in one process run.

``python -m tests.benchmarks.bench_readers`` prints them. Figures to reach: ISO at most 2.0 of ``pandas.read_csv(parse_dates)`` (aim 1.0), day first with
semicolons, decimal commas and 12 hours at most 0.15 of pandas with an explicit format, peak memory at most 3 of the frame.
Everything is in our time: layout, provenance, line numbers, refused rows, SHA-256.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from coldchain_kit import downloads

ROWS = 525_600


def write(folder: Path, *, rows: int = ROWS, probes: int = 2) -> dict[str, Path]:
    """The same readings as ISO with commas, and day first with semicolons, decimal commas and 12 hours."""
    rng = np.random.default_rng(0)
    times = pd.date_range("2025-01-01", periods=rows, freq="min")
    values = [[f"{value:.2f}" for value in rng.normal(5, 1, rows)] for _ in range(probes)]
    names = [f"Probe {i}" for i in range(probes)]
    iso, day_first = folder / f"iso{rows}x{probes}.csv", folder / f"day_first{rows}x{probes}.csv"
    with iso.open("w") as handle:
        handle.write(",".join(["time", *names]) + "\n")
        handle.writelines(",".join(row) + "\n" for row in zip(times.strftime("%Y-%m-%d %H:%M:%S"), *values, strict=True))
    with day_first.open("w") as handle:
        handle.write(";".join(["time", *names]) + "\n")
        handle.writelines(";".join(row).replace(".", ",") + "\n" for row in zip(times.strftime("%d/%m/%Y %I:%M %p"), *values, strict=True))
    return {"iso": iso, "day_first": day_first}


def pandas_iso(path: Path) -> pd.DataFrame:
    """Plain pandas on the ISO file."""
    return pd.read_csv(path, parse_dates=["time"])


def pandas_day_first(path: Path) -> pd.DataFrame:
    """Pandas with an explicit format on the day-first file."""
    frame = pd.read_csv(path, sep=";", decimal=",")
    frame["time"] = pd.to_datetime(frame["time"], format="%d/%m/%Y %I:%M %p")
    return frame


def fastest(*calls, times: int) -> list[float]:
    """Seconds of the fastest run of each call, the calls taking turns."""
    best = [float("inf")] * len(calls)
    for _ in range(times):
        for i, call in enumerate(calls):
            start = time.perf_counter()
            call()
            best[i] = min(best[i], time.perf_counter() - start)
    return best


def peak_bytes(path: Path) -> int:
    """Growth of a fresh process's peak memory by reading the file, imports and a first small file not counted."""
    code = f"from tests.benchmarks import bench_readers as b; b.print_growth({str(path)!r})"
    return int(subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout)


def print_growth(path: str) -> None:
    """Print by how many bytes the peak memory grows."""
    with tempfile.TemporaryDirectory() as folder:
        small = write(Path(folder), rows=2000)["iso" if Path(path).name.startswith("iso") else "day_first"]
        downloads.read(small)
    before = high_water()
    kept = downloads.read(path)
    print((high_water() - before) * bool(kept))


def high_water() -> int:
    """This process's peak of resident memory [bytes]; getrusage would hand on the parent's."""
    line = next(line for line in Path("/proc/self/status").read_text("ascii").splitlines() if line.startswith("VmHWM"))
    return int(line.split()[1]) * 1024


def main() -> None:
    """Print every ratio."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        paths = write(folder)
        theirs, ours = fastest(lambda: pandas_iso(paths["iso"]), lambda: downloads.read(paths["iso"]), times=9)
        print(f"ISO: pandas {theirs * 1000:.0f} ms, kit {ours * 1000:.0f} ms, ratio {ours / theirs:.2f} (at most 2.0, aim 1.0)")
        theirs, ours = fastest(lambda: pandas_day_first(paths["day_first"]), lambda: downloads.read(paths["day_first"]), times=4)
        print(f"day first, 12 h: pandas {theirs * 1000:.0f} ms, kit {ours * 1000:.0f} ms, ratio {ours / theirs:.3f} (at most 0.15)")
        frame = int(pandas_iso(paths["iso"]).memory_usage(deep=True).sum())
        for kind, path in paths.items():
            grown = peak_bytes(path)
            print(f"{kind}: peak memory grows by {grown / 1e6:.0f} MB, the bare frame of numbers is {frame / 1e6:.0f} MB, ratio {grown / frame:.1f} (at most 3)")
        for label, sizes in (("2 probes", ((ROWS // 4, 2), (ROWS, 2), (10 * ROWS, 2))), ("a month of minutes", ((43_200, 10), (43_200, 100)))):
            cost = []
            for rows, probes in sizes:
                path = write(folder, rows=rows, probes=probes)["iso"]
                cost.append(fastest(lambda path=path: downloads.read(path), times=2)[0] / (rows * probes) * 1e9)
                path.unlink()
            print(f"{label}: " + ", ".join(f"{rows} x {probes}: {each:.0f} ns a value" for (rows, probes), each in zip(sizes, cost, strict=True)))


if __name__ == "__main__":
    main()
