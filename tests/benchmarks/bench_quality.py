"""How fast the quality tests are: a year of minutes of two probes, beside a bare parse of the file and two general-purpose libraries.

``python -m tests.benchmarks.bench_quality`` prints the ratios; figures to reach: at most 6 times a bare pandas parse (aim 3), and
at least 10 times faster than each library on the tests that both have.
"""

from __future__ import annotations

import io
import time
import warnings

import numpy as np
import pandas as pd

from coldchain_kit import quality
from coldchain_kit.model import Probe, Trace, conditions
from coldchain_kit.quality import series as leaf
from coldchain_kit.quality import steps

ROWS = 525_600
PECOS_ROWS = 50_000  # its test for standing still takes minutes for a year; compared on these many, ours too


def record() -> pd.DataFrame:
    """Two probes of a refrigerator, a reading a minute for a year."""
    rng = np.random.default_rng(0)
    minute = np.arange(ROWS)
    air = 4.5 + 0.8 * np.sin(minute / 8.1) + 0.08 * rng.standard_normal(ROWS)
    buffered = 4.8 + 0.3 * np.sin(minute / 8.1 - 0.5) + 0.03 * rng.standard_normal(ROWS)
    index = pd.date_range("2025-01-01", periods=ROWS, freq="min", tz="UTC")
    return pd.DataFrame({"A": air.round(1), "B": buffered.round(1)}, index=index)


def fastest(call, *, times: int = 3) -> float:
    """Seconds of the fastest of some calls."""
    spent = []
    for _ in range(times):
        start = time.perf_counter()
        call()
        spent.append(time.perf_counter() - start)
    return min(spent)


def shared_tests(series: pd.Series) -> None:
    """Gross range, spike, rate and flat line, as the libraries have them."""
    line = leaf.course(series)
    difference = np.diff(line.value)
    far = steps.reach(Probe("A", "air"), line.value, resolution_c=0.1)
    leaf.range_codes(line, (-40.0, 85.0))
    steps.spike_codes(line, difference, leaf.out_and_back(difference), far)
    steps.rate_codes(line, difference, far)
    leaf.still(line)


def leaf_tests(series: pd.Series) -> None:
    """The same four as the public functions on a Series, each by itself."""
    quality.gross_range(series, fail_span_c=(-40.0, 85.0))
    quality.spike(series, suspect_c=5.0, fail_c=10.0)
    quality.rate_of_change(series, suspect_c_per_min=5.0)
    quality.flat_line(series, suspect_min=720, fail_min=1440, tolerance_c=0.05)


def qartod_tests(series: pd.Series) -> None:
    from ioos_qc import qartod

    values, times = series.to_numpy(), series.index.tz_localize(None).to_numpy()
    qartod.gross_range_test(values, (-40.0, 85.0))
    qartod.spike_test(values, 5.0, 10.0, method="differential")
    qartod.rate_of_change_test(values, times, 5.0 / 60)
    qartod.flat_line_test(values, times, 12 * 3600, 24 * 3600, 0.05)


def pecos_tests(series: pd.Series) -> None:
    from pecos.monitoring import PerformanceMonitoring

    monitoring = PerformanceMonitoring()
    monitoring.add_dataframe(pd.DataFrame({"t": series.to_numpy()}, index=series.index.tz_localize(None)))
    monitoring.check_range([-40.0, 85.0])
    monitoring.check_increment([-5.0, 5.0], absolute_value=False)
    monitoring.check_delta([0.05, None], window=86400)


def main() -> None:
    data = record()
    text = data.rename_axis("time").reset_index().to_csv(index=False)
    traces = {name: Trace.of(data[name], probe=Probe(name, role)) for name, role in (("A", "air"), ("B", "buffered"))}
    parse = fastest(lambda: pd.read_csv(io.StringIO(text), parse_dates=["time"]))
    run_all = fastest(lambda: quality.run_all(traces, condition=conditions.get("refrigerated")))
    print(f"bare parse of {ROWS:,} rows x 2 probes      {parse * 1e3:8.0f} ms")
    print(f"all tests, both probes                    {run_all * 1e3:8.0f} ms   {run_all / parse:5.1f} x the parse (at most 6, aim 3)")
    series = data["A"]
    inside, leaf = fastest(lambda: shared_tests(series)), fastest(lambda: leaf_tests(series))
    print(f"range, spike, rate, flat line inside run  {inside * 1e3:8.0f} ms")
    print(f"the same four as single functions         {leaf * 1e3:8.0f} ms")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for name, call, rows in (("ioos-qc", qartod_tests, ROWS), ("pecos", pecos_tests, PECOS_ROWS)):
            part = series.iloc[:rows]
            theirs, ours, single = fastest(lambda: call(part), times=1), fastest(lambda: shared_tests(part)), fastest(lambda: leaf_tests(part))  # noqa: B023
            print(
                f"{name:8} on the tests it shares, {rows:7,} rows {theirs * 1e3:8.0f} ms   {theirs / ours:6.1f} x ours inside run, {theirs / single:5.1f} x the single functions (at least 10)"
            )


if __name__ == "__main__":
    main()
