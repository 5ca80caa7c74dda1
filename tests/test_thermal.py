"""Thermal facts against closed forms, real traces and scipy."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldchain_kit import thermal
from coldchain_kit.base import KitError
from coldchain_kit.thermal import rhythm
from tests.conftest import open_data, published

START = "2026-03-01"
SAMPLE = Path(__file__).parents[1] / "sample_data" / "tern_bay" / "downloads"


def series(values, step_min=5.0) -> pd.Series:
    index = pd.date_range(START, periods=len(values), freq=f"{round(step_min * 60)}s", tz="UTC")
    return pd.Series(np.asarray(values, dtype="float64"), index=index)


@settings(deadline=None, max_examples=30)
@given(tau=st.floats(30, 600), end=st.floats(10, 35))
def test_warm_up_finds_the_exact_exponential(tau, end):
    t = np.arange(0, 2.5 * tau, 5.0)
    fit = thermal.warm_up(series(end + (4.0 - end) * np.exp(-t / tau)))
    assert fit.tau_min == pytest.approx(tau, rel=1e-3) and fit.end_c == pytest.approx(end, abs=0.05) and fit.start_c == pytest.approx(4.0, abs=0.05)


def test_warm_up_is_not_misled_by_the_probe_s_own_lag():
    t = np.arange(0, 600, 5.0)
    tau, probe = 240.0, 20.0
    # Closed form of a first-order probe behind a first-order body, both at 5 degC first, room 22 degC.
    lagged = 22.0 - 17.0 * (tau * np.exp(-t / tau) - probe * np.exp(-t / probe)) / (tau - probe)
    with_lag, without = thermal.warm_up(series(lagged), probe_tau_min=probe), thermal.warm_up(series(lagged))
    assert with_lag.tau_min == pytest.approx(tau, rel=0.01) and with_lag.end_c == pytest.approx(22.0, abs=0.1)
    assert abs(without.tau_min - tau) > 5 * abs(with_lag.tau_min - tau)


def test_warm_up_bounds_hold_the_truth_under_noise_and_open_up_on_a_short_stretch():
    rng = np.random.default_rng(1)
    t = np.arange(0, 600, 5.0)
    hits = 0
    for _ in range(40):
        fit = thermal.warm_up(series(22 - 17 * np.exp(-t / 200.0) + 0.1 * rng.standard_normal(len(t))))
        hits += fit.tau_low_min <= 200.0 <= fit.tau_high_min
    assert hits >= 34  # 95 % bounds: 34 of 40 is their own 1 % quantile
    short = thermal.warm_up(series(22 - 17 * np.exp(-t[:10] / 600.0) + 0.05 * rng.standard_normal(10)))
    assert short.tau_high_min > 5 * short.tau_low_min


def test_warm_up_refuses_too_few_readings():
    with pytest.raises(KitError, match="too few"):
        thermal.warm_up(series([1.0, 2.0, np.nan, 3.0, 4.0]))


@pytest.mark.open_data
def test_warm_up_of_a_water_bottle():
    # open_data/EXPECTED.json (computed with scipy's curve_fit): 23.969, 8.853, 57.482.
    expected = json.loads(open_data("EXPECTED.json").read_text())["water_bottle_warmup"]["curve_fit_Tinf_T0_tau_min"]
    table = pd.read_csv(open_data("water_bottle_warmup/data.csv"))
    fit = thermal.warm_up(series((table.iloc[:, 1] - 32) / 1.8, 1.0))
    assert [fit.end_c, fit.start_c, fit.tau_min] == pytest.approx(expected, rel=1e-3)


@pytest.mark.open_data
@pytest.mark.parametrize("repeat", [1, 2, 3, 4])
@pytest.mark.parametrize("column", ["Ambient Temperature", "Refrigeration"])
def test_time_constant_of_milk_with_measured_air(repeat, column):
    # open_data/EXPECTED.json: straight-line fit of the logarithm; ours weighs the readings evenly on the scale of degC, hence 5 %.
    expected = json.loads(open_data("EXPECTED.json").read_text())["milk_holding_trials"][f"rep{repeat} {column}"]
    inside, outside = (pd.read_csv(open_data(f"milk_holding_trials/{part}_Rep{repeat}.csv"))[column] for part in ("Internal", "External"))
    fit = thermal.warm_up(series(inside, 1.0).dropna(), end_c=float(outside.mean()))
    assert fit.tau_min == pytest.approx(expected["tau_min_linregress_log"], rel=0.05)


def test_cycle_of_the_closed_form_thermostat():
    # FACTS C9 (READ; COMPUTED): period 51.4328 min, on 12.3821 min.
    case = published("physics_cases.json")["thermostat_cycle_closed_form"]
    t = np.arange(0, 2880, 1.0) % case["period_min"]
    tau = case["tau_s"] / 60
    off = case["T_off_asymptote"] + (case["T_min"] - case["T_off_asymptote"]) * np.exp(-t / tau)
    on = case["T_on_asymptote"] + (case["T_max"] - case["T_on_asymptote"]) * np.exp(-(t - case["off_min"]) / tau)
    found = thermal.cycle(series(np.where(t < case["off_min"], off, on), 1.0))
    assert found.period_min == pytest.approx(case["period_min"], rel=0.01)
    assert found.duty == pytest.approx(case["duty"], abs=0.02)


def test_noise_and_a_trend_are_no_cycle():
    rng = np.random.default_rng(2)
    assert np.isnan(thermal.cycle(series(5 + 0.1 * rng.standard_normal(500))).period_min)
    assert np.isnan(thermal.cycle(series(np.linspace(4, 20, 300))).period_min)
    assert np.isnan(thermal.cycle(series(np.full(300, 4.5))).period_min)


@pytest.mark.parametrize("tau_min", [10, 20])
def test_lag_and_amplitude_of_a_buffered_probe(tau_min):
    # FACTS G4 (COMPUTED): a 51.43 min cycle is late by 7.24 / 9.68 min and x0.633 / x0.379 behind 10 / 20 min.
    row = next(row for row in published("physics_cases.json")["compressor_cycle_attenuation"] if row["probe_tau_min"] == tau_min)
    t = np.arange(0, 30 * row["cycle_period_min"], 1.0)
    turn = 2 * np.pi / row["cycle_period_min"]
    air = np.sin(turn * t)
    probe = row["amplitude_ratio"] * np.sin(turn * (t - row["phase_lag_min"]))
    late, ratio = thermal.lag(series(air, 1.0), series(probe, 1.0), most_min=25)
    assert late == pytest.approx(row["phase_lag_min"], abs=0.3) and ratio == pytest.approx(row["amplitude_ratio"], abs=0.01)


@pytest.mark.open_data
def test_defrosts_of_a_store_freezer_are_on_the_clock_but_one():
    # open_data README: 21 warm-ups of more than 8 K, 20 on a 6.0 h clock, the one of 2018-06-03 01:20Z off it.
    table = pd.read_csv(open_data("store_walkin_freezer/measurements.csv"), index_col=0, parse_dates=True)
    for least in (None, 8.0):
        found, period = thermal.defrosts(table["Tfre"], least_k=least)
        assert len(found) == 21 and period == pytest.approx(6.0, abs=0.05)
        off = found[~found["on_clock"]]
        assert len(off) == 1 and off["peak"].iloc[0] == pd.Timestamp("2018-06-03T01:20:00Z")


@settings(deadline=None, max_examples=60)
@given(st.lists(st.integers(-8, 8), min_size=12, max_size=80))
def test_humps_agree_with_scipy(values):
    from scipy.signal import find_peaks, peak_prominences, peak_widths

    values = np.array(values, dtype="float64")
    peaks, heights = rhythm._prominences(values)
    expected, _ = find_peaks(values)
    assert peaks.tolist() == expected.tolist()
    assert heights.tolist() == peak_prominences(values, expected)[0].tolist()
    clear = heights > 0
    _, _, left, right = peak_widths(values, expected, rel_height=0.5)
    for k in np.flatnonzero(clear):
        ours = rhythm._half_height(values, peaks[k], values[peaks[k]] - heights[k] / 2)
        assert ours == pytest.approx((left[k], right[k]), abs=1e-9)


def test_events_at_random_times_have_no_period():
    rng = np.random.default_rng(4)
    none = sum(np.isfinite(thermal.recurrence(np.sort(rng.uniform(0, 120, 15)))[0]) for _ in range(30))
    assert none <= 3


def test_recurrence_prefers_the_full_period_to_its_half():
    period, phase = thermal.recurrence(np.arange(12) * 8.0 + 3.0)
    assert period == pytest.approx(8.0, rel=0.01) and np.abs(phase).max() < 0.05


def test_level_step_and_its_uncertainty():
    rng = np.random.default_rng(3)
    before, after = (series(level + 0.4 * np.sin(np.arange(600) / 3) + 0.05 * rng.standard_normal(600)) for level in (5.0, 8.5))
    step, u = thermal.level_step(before, after)
    assert step == pytest.approx(3.5, abs=3 * u) and u < 0.2


def test_room_dependence_and_daily_pattern():
    hours = np.arange(0, 96, 1 / 12)
    room = series(21 + 2 * np.cos(2 * np.pi * (hours - 15) / 24))
    slope, r = thermal.room_dependence(0.2 * room + 1, room)
    assert (slope, r) == pytest.approx((0.2, 1.0))
    pattern = thermal.daily_pattern(room, zone="Europe/Lisbon").groupby("hour")["mean_c"].mean()
    assert pattern.idxmax() in (14, 15)  # March: Lisbon keeps UTC


def test_nothing_is_changed_in_place():
    values = series(5 + np.sin(np.arange(300) / 3))
    kept = values.copy()
    for function in (thermal.cycle, thermal.warm_up, thermal.humps, thermal.level, thermal.cooling_rate_k_h):
        function(values)
    pd.testing.assert_series_equal(values, kept)


@pytest.mark.parametrize("period_min", [18.5, 22.4, 23.5, 27.0])
def test_a_cycle_that_meets_no_whole_number_of_readings_is_seen_and_not_its_double(period_min):
    # A saw tooth of three quarters rise, read every 5 min and shown to 0.1 degC: 3.7 to 5.4 readings a cycle.
    phase = (np.arange(0, 360, 5.0) / period_min) % 1.0
    found = thermal.cycle(series(np.round(4.0 + 1.2 * np.where(phase < 0.75, phase / 0.75, (1 - phase) / 0.25), 1)))
    assert found.period_min == pytest.approx(period_min, rel=0.03) and found.strength > 0.8


@pytest.mark.parametrize("count", [72, 500])
def test_places_between_the_readings_make_no_cycle_of_noise(count):
    # REPEATS_R = 0.5 is four standard deviations of the likeness of 72 readings of noise (1 / sqrt(72)).
    seen = [thermal.cycle(series(np.random.default_rng(seed).standard_normal(count))).period_min for seed in range(60)]
    assert np.mean(np.isfinite(seen)) <= 0.05


def test_the_sample_refrigerator_s_swing_before_its_power_cut_is_measured():
    lines = (SAMPLE / "F2" / "F2_2026-03.csv").read_text(encoding="utf-8-sig").splitlines()
    rows = [line.split(";") for line in lines if line.count(";") >= 4 and line.split(";")[1].startswith("06.03.")]
    air = pd.Series({pd.Timestamp(f"2026-03-06 {row[2]}", tz="UTC"): float(row[4].replace(",", ".")) for row in rows if row[4]})
    found = thermal.cycle(air["2026-03-06 15:30":"2026-03-06 21:30"])
    # Independent count: the deepest reading of each cycle lies under 4.15 degC; their mean distance is the period.
    low = air["2026-03-06 15:30":"2026-03-06 21:30"]
    dips = low.index[(low <= 4.15) & (low.shift(1) > 4.15)]
    counted = (dips[-1] - dips[0]) / pd.Timedelta(minutes=1) / (len(dips) - 1)
    assert found.period_min == pytest.approx(counted, rel=0.1) and found.strength > 0.7
