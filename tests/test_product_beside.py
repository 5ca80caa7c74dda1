"""Contents beside the probe: closed forms, unknown time, and bounds that hold what simulated contents met."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldchain_kit.base import KitError
from coldchain_kit.exposure import product
from coldchain_kit.model import Probe, Trace, conditions
from tests.benchmarks import bench_product

START = pd.Timestamp("2026-03-01T00:00:00Z")
FRIDGE = conditions.get("refrigerated")


def record(values, *, step_min=5.0, tau_min=12.0, role="buffered", u_c=0.0):
    index = pd.date_range(START, periods=len(values), freq=f"{step_min}min")
    return Trace.of(pd.Series(values, index=index, dtype="float64"), probe=Probe("A", role, time_constant_min=tau_min), u_c=u_c)


def beside(trace, *, tau_min=(3.0, 240.0)):
    return product.beside(product.courses(trace, tau_min=tau_min), FRIDGE, start=trace.readings.index[0], end=trace.readings.index[-1])


@settings(deadline=None, max_examples=50)
@given(tau=st.floats(1.0, 500.0), steps=st.lists(st.floats(0.1, 60.0), min_size=3, max_size=40), rate=st.floats(-0.5, 0.5))
def test_a_ramp_behind_a_lag_meets_the_closed_form(tau, steps, rate):
    # FACTS G3 (COMPUTED): behind a ramp a first-order body lags by rate x tau, and what it had before is forgotten as exp(-t / tau).
    minutes = np.concatenate(([0.0], np.cumsum(steps)))
    found = product.behind(5.0 + rate * minutes, minutes, tau_min=tau, start_c=5.0)
    assert found == pytest.approx(5.0 + rate * (minutes - tau * (1.0 - np.exp(-minutes / tau))), abs=1e-7)


def test_contents_as_quick_as_the_probe_are_what_the_probe_shows():
    rng = np.random.default_rng(3)
    values = 5.0 + np.cumsum(rng.normal(0, 0.3, 200))
    found = product.courses(record(values), tau_min=(12.0, 12.0))
    assert found.celsius[0] == pytest.approx(values)  # the first of the constants tried is the probe's own


def test_slow_contents_of_a_short_warm_spell_may_have_stayed_inside_and_quick_ones_were_out():
    values = np.full(400, 5.0)
    values[100:104] = 9.0  # 20 min
    row = beside(record(values))
    assert row["outside"]["above"]["minutes_least"] == 0 and row["outside"]["above"]["minutes_most"] >= 20
    assert row["max_least_c"] < 6 < 9 < row["max_most_c"]


def test_time_without_readings_is_unknown_and_so_is_what_it_may_still_be_felt():
    values = np.full(600, 5.0)
    values[200:206] = np.nan  # 35 min between readings: a gap
    row = beside(record(values))
    assert row["unknown_minutes"] == pytest.approx(35 * 4)
    assert all(held["minutes_most"] == pytest.approx(140) and held["minutes_least"] == 0 for held in row["outside"].values())
    assert beside(record(np.full(600, 5.0)))["unknown_minutes"] == 0


def test_a_reading_without_a_number_is_unknown():
    trace = record(np.full(600, 5.0))
    sided = np.zeros(600, "int8")
    sided[300] = 1
    trace.readings["one_sided"] = sided
    assert beside(trace)["unknown_minutes"] > 0


def test_a_probe_whose_constant_is_not_declared_is_taken_both_ways():
    values = np.full(400, 5.0)
    values[100:140] = 9.0
    known, unknown = beside(record(values, tau_min=12.0)), beside(record(values, tau_min=None))
    assert unknown["max_most_c"] > known["max_most_c"] and unknown["outside"]["above"]["minutes_most"] >= known["outside"]["above"]["minutes_most"]


@pytest.mark.parametrize("tau_min", [(0.0, 10.0), (20.0, 10.0), (-1.0, 3.0)])
def test_a_range_that_is_none_is_refused(tau_min):
    with pytest.raises(KitError, match="the shorter first"):
        product.courses(record(np.full(10, 5.0)), tau_min=tau_min)


def test_the_bounds_hold_what_simulated_contents_met():
    rows = [row for seed in range(300, 314) for row in bench_product.case(seed, within=True)]
    found = bench_product.figures(rows)
    assert found["minutes_held"] >= 0.95 and found["extremes_held"] >= 0.95
    assert found["median_width_min"] <= found["median_probe_min"] + 3 * product.ASSUMED_MIN[1]
    assert found["minutes_held"] > found["minutes_held_by_the_probe"]
