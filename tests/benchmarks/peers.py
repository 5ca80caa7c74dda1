"""General-purpose libraries on labelled series, each test by itself and with a few thresholds; nothing of the kit is
imported here.

Runs inside tests.benchmarks.bench_labels, or by another interpreter that has the libraries: ``python peers.py IN.npz
OUT.npz``. IN holds
``NAME.time`` (datetime64[us]) and ``NAME.value``, OUT ``LIBRARY|TEST|NAME`` as bool masks.
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd

RANGE_C = (-100.0, 100.0)  # what any sensor of a cold store can show; every library gets it


def ioos(series: pd.Series) -> Iterator[tuple[str, Callable[[], np.ndarray]]]:
    from ioos_qc import qartod

    values, times = series.to_numpy(), series.index.to_numpy()
    yield "range", lambda: qartod.gross_range_test(values, RANGE_C)
    for degrees in (1.0, 3.0, 5.0):
        for method in ("average", "differential"):
            yield (
                f"spike {method} {degrees:g}",
                lambda d=degrees, m=method: qartod.spike_test(values, d, 2 * d, method=m),
            )
    for rate in (0.5, 1.0, 2.0):
        yield f"rate {rate:g}/min", lambda r=rate: qartod.rate_of_change_test(values, times, r / 60)
    for hours in (1, 3, 6):
        yield f"flat {hours} h", lambda h=hours: qartod.flat_line_test(values, times, h * 3600, 2 * h * 3600, 0.001)


def pecos(series: pd.Series) -> Iterator[tuple[str, Callable[[], np.ndarray]]]:
    from pecos.monitoring import PerformanceMonitoring

    def bad(check: str, *args, **kwargs) -> np.ndarray:
        monitoring = PerformanceMonitoring()
        monitoring.add_dataframe(pd.DataFrame({"t": series.to_numpy()}, index=series.index))
        getattr(monitoring, check)(*args, **kwargs)
        return ~monitoring.mask["t"].to_numpy()

    yield "range", lambda: bad("check_range", list(RANGE_C))
    for degrees in (1.0, 3.0, 5.0):
        yield f"increment {degrees:g}", lambda d=degrees: bad("check_increment", [-d, d], absolute_value=False)
    for deviations in (3.0, 5.0):
        yield f"outlier {deviations:g} whole", lambda d=deviations: bad("check_outlier", [-d, d])
        yield f"outlier {deviations:g} 6 h", lambda d=deviations: bad("check_outlier", [-d, d], window=6 * 3600)
    if len(series) <= 25_000:
        yield "delta 3 h", lambda: bad("check_delta", [1e-6, None], window=3 * 3600)


def saqc(series: pd.Series) -> Iterator[tuple[str, Callable[[], np.ndarray]]]:
    from saqc import SaQC

    data = pd.DataFrame({"t": series.to_numpy()}, index=series.index)

    def bad(test: str, **kwargs) -> np.ndarray:
        found = getattr(SaQC(data), test)("t", **kwargs)
        return (found.flags["t"] > 0).reindex(series.index).fillna(False).to_numpy()

    yield "range", lambda: bad("flagRange", min=RANGE_C[0], max=RANGE_C[1])
    yield "UniLOF default", lambda: bad("flagUniLOF")
    for thresh in (2.0, 4.0):
        yield f"UniLOF {thresh:g}", lambda t=thresh: bad("flagUniLOF", thresh=t)
    for thresh in (3.0, 5.0):
        for window in ("1h", "6h"):
            yield (
                f"ZScore modified {thresh:g} {window}",
                lambda t=thresh, w=window: bad("flagZScore", method="modified", window=w, thresh=t),
            )
    yield "ZScore 3 whole", lambda: bad("flagZScore", thresh=3.0)
    yield "Jumps 2 1 h", lambda: bad("flagJumps", thresh=2.0, window="1h", min_periods=5)
    for hours in (1, 3, 6):
        yield f"Constants {hours} h", lambda h=hours: bad("flagConstants", thresh=0.0, window=f"{h}h")
    for thresh, window in ((3.0, "6h"), (3.0, "24h"), (8.0, "6h")):
        yield (
            f"Offset {thresh:g} {window}",
            lambda t=thresh, w=window: bad("flagOffset", thresh=t, tolerance=t / 2, window=w),
        )
    for thresh in (0.2, 0.5, 1.0):
        yield (
            f"ScatterLowpass {thresh:g} 30 min",
            lambda t=thresh: bad("flagByScatterLowpass", window="30min", thresh=t),
        )


LIBRARIES = {"ioos-qc": ioos, "pecos": pecos, "saqc": saqc}


def flags(library: str, series: pd.Series) -> dict[str, np.ndarray]:
    """Test -> mask of the readings that it calls suspect or worse (missing ones not), on a Series with naive times."""
    found = {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for name, call in LIBRARIES[library](series):
            mask = np.asarray(call())
            found[name] = (mask if mask.dtype == bool else (mask == 3) | (mask == 4)) & series.notna().to_numpy()
    return found


def all_flags(records: dict[str, pd.Series]) -> dict[str, np.ndarray]:
    """``LIBRARY|TEST|NAME`` -> mask."""
    return {
        f"{library}|{test}|{name}": mask
        for name, series in records.items()
        for library in LIBRARIES
        for test, mask in flags(library, series).items()
    }


def main(given: str, out: str) -> None:
    stored = np.load(given)
    names = [key.removesuffix(".time") for key in stored.files if key.endswith(".time")]
    records = {
        name: pd.Series(stored[f"{name}.value"], index=pd.DatetimeIndex(stored[f"{name}.time"])) for name in names
    }
    np.savez_compressed(out, **all_flags(records))


if __name__ == "__main__":
    main(*sys.argv[1:3])
