"""Integrals on a Series: weights, means, minutes beyond a limit with their bounds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldchain_kit import excursions, exposure
from coldchain_kit.base import KitError
from coldchain_kit.exposure import estimates
from coldchain_kit.model import Probe, Trace, conditions, physics, timeline
from tests import timing
from tests.conftest import open_data, published


def series(values, *, step_min=10.0, times_min=None):
    minutes = np.arange(len(values)) * step_min if times_min is None else np.asarray(times_min, dtype=float)
    index = pd.Timestamp("2026-03-01T00:00Z") + pd.to_timedelta(minutes, unit="min")
    return pd.Series(np.asarray(values, dtype=float), index=pd.DatetimeIndex(index).as_unit("us"))


def test_linear_minutes_and_degree_minutes_are_the_published_ones():
    # FACTS G5 (COMPUTED): 7,9,11,9,7 each 10 min, limit 8: linear 30 min, 45 degree-min; 5,10,5 each 30 min: 24/24.
    first, second = series([7, 9, 11, 9, 7]), series([5, 10, 5], step_min=30)
    assert excursions.minutes_beyond(first, limit_c=8, direction="above").minutes == pytest.approx(30)
    assert excursions.degree_minutes(first, limit_c=8, direction="above") == pytest.approx(45)
    assert excursions.minutes_beyond(second, limit_c=8, direction="above").minutes == pytest.approx(24)
    assert excursions.degree_minutes(second, limit_c=8, direction="above") == pytest.approx(24)


def test_limit_itself_is_inside_unless_it_is_exclusive():
    at = series([8.0, 8.0, 8.0])
    assert excursions.minutes_beyond(at, limit_c=8, direction="above") == (0, 0, 0)
    assert excursions.minutes_beyond(at, limit_c=8, direction="above", inclusive=True) == (20, 20, 20)
    assert excursions.minutes_beyond(series([46.4, 46.4]).map(lambda f: float(physics.fahrenheit_to_celsius(f))), limit_c=8, direction="above").most == 0


def test_bounds_count_whole_steps():
    # CONTRACTS rule 6, by hand: U = 0.5. least: both beyond 8.5 -> step 2-3 only; most: either beyond 7.5 -> all but the last.
    got = excursions.minutes_beyond(series([7.0, 8.4, 8.6, 8.6, 7.5, 7.5]), limit_c=8, direction="above", u_c=0.25)
    assert (got.least, got.most) == (10, 40)


def test_gap_adds_no_minutes_but_doubt():
    gappy = series([9.0, 9.0, 9.0, 9.0, 9.0, 9.0], times_min=[0, 10, 20, 120, 130, 140])
    got = excursions.minutes_beyond(gappy, limit_c=8, direction="above", u_c=0.25)
    assert got == (40, 40, 140)
    assert excursions.longest_beyond(gappy, limit_c=8, direction="above", u_c=0.25) == (20, 20, 140)


def test_reading_without_a_value_is_bridged_only_within_the_gap_rule():
    one = series([9, np.nan, 9, 9, 9, 9])
    assert excursions.minutes_beyond(one, limit_c=8, direction="above").minutes == 50
    two = series([9, np.nan, np.nan, 9, 9, 9, 9])
    assert excursions.minutes_beyond(two, limit_c=8, direction="above") == (30, 30, 60)


def test_corrected_values_rule_the_least_and_the_further_outside_the_rest():
    corrected, read = series([7.0, 7.0, 7.0]), series([9.0, 9.0, 9.0])
    assert excursions.minutes_beyond(corrected, as_read_c=read, limit_c=8, direction="above") == (20, 0, 20)
    assert excursions.minutes_beyond(read, as_read_c=corrected, limit_c=8, direction="above") == (20, 20, 20)


def test_below_mirrors_above():
    values = [7.0, 8.4, 8.6, 12.0, 7.5, 7.5]
    up = excursions.minutes_beyond(series(values), limit_c=8, direction="above", u_c=0.25)
    down = excursions.minutes_beyond(series([-v for v in values]), limit_c=-8, direction="below", u_c=0.25)
    assert up == pytest.approx(down)


def test_direction_and_marks_are_checked():
    with pytest.raises(KitError, match="above or below"):
        excursions.minutes_beyond(series([1, 2]), limit_c=8, direction="over")
    with pytest.raises(KitError, match="gap marks"):
        excursions.minutes_beyond(series([1, 2]), limit_c=8, direction="above", gap=[False, False])


@pytest.mark.parametrize("n", [0, 1])
def test_nothing_is_nothing(n):
    got = series([9.0] * n)
    assert excursions.minutes_beyond(got, limit_c=8, direction="above") == (0, 0, 0)
    assert excursions.longest_beyond(got, limit_c=8, direction="above") == (0, 0, 0)
    assert np.isnan(exposure.mean_c(got)) and np.isnan(exposure.mkt_c(got))


CASES = [c for c in published("mkt_cases.json")["cases"] if "mkt_c" in c]


@pytest.mark.parametrize("case", CASES, ids=lambda c: c["id"])
def test_mkt_is_the_published_one(case):
    # published/mkt_cases.json: each case names its source; printed to 1e-6 (K12_trapezoid to 1e-5).
    values = [np.nan if v is None else v for v in case["temps_c"]]
    if "times_min" in case:
        got = exposure.mkt_c(series(values, times_min=case["times_min"]), gap=[False] * (len(values) - 1))
    else:
        got = physics.mean_kinetic_temperature_c(values, case.get("weights"), ea_kj_mol=case.get("Ea_kJ_mol", 83.144))
    assert got == pytest.approx(case["mkt_c"], abs=5e-7 if len(str(case["mkt_c"]).split(".")[1]) > 5 else 5e-6)


temperatures = st.lists(st.floats(-30, 60), min_size=2, max_size=40)


@given(temperatures, st.integers(0, 2**31), st.floats(-20, 40), st.floats(0, 1))
@settings(max_examples=150, deadline=None)
def test_bounds_enclose_and_splitting_changes_nothing(values, seed, limit, u):
    rng = np.random.default_rng(seed)
    times = np.cumsum(rng.choice([1, 5, 5, 5, 5, 60], len(values)))
    data = series(values, times_min=times)
    gap = rng.random(len(values) - 1) < 0.2
    for direction in ("above", "below"):
        whole = excursions.minutes_beyond(data, limit_c=limit, direction=direction, u_c=u, gap=gap)
        assert whole.least - 1e-9 <= whole.minutes <= whole.most + 1e-9
        longest = excursions.longest_beyond(data, limit_c=limit, direction=direction, u_c=u, gap=gap)
        assert all(single <= total + 1e-9 for single, total in zip(longest, whole, strict=True))
        k = len(values) // 2
        parts = [excursions.minutes_beyond(piece, limit_c=limit, direction=direction, u_c=u, gap=marks) for piece, marks in ((data[: k + 1], gap[:k]), (data[k:], gap[k:]))]
        assert np.allclose(np.sum(parts, axis=0), whole, atol=1e-6)


@given(temperatures, st.integers(0, 2**31))
@settings(max_examples=150, deadline=None)
def test_mkt_lies_between_mean_and_maximum_in_any_order(values, seed):
    rng = np.random.default_rng(seed)
    weights = rng.uniform(0.1, 10, len(values))
    mkt = physics.mean_kinetic_temperature_c(values, weights)
    assert np.average(values, weights=weights) - 1e-9 <= mkt <= max(values) + 1e-9
    order = rng.permutation(len(values))
    assert physics.mean_kinetic_temperature_c(np.array(values)[order], weights[order]) == pytest.approx(mkt, abs=1e-9)


@given(st.lists(st.integers(-4000, 14000), min_size=2, max_size=40), st.floats(-20, 40))
@settings(max_examples=100, deadline=None)
def test_the_unit_of_measure_changes_nothing(hundredths_f, limit):
    fahrenheit = np.array(hundredths_f) / 100
    celsius = physics.fahrenheit_to_celsius(fahrenheit)
    assert np.allclose(physics.celsius_to_fahrenheit(celsius), fahrenheit, atol=1e-5)
    ratio = physics.ACTIVATION_ENERGY_KJ_MOL / physics.GAS_CONSTANT_KJ_MOL_K
    kelvin = (fahrenheit + 459.67) / 1.8
    direct = ratio / -np.log(np.mean(np.exp(-ratio / kelvin))) - 273.15
    assert physics.mean_kinetic_temperature_c(celsius) == pytest.approx(direct, abs=2e-6)
    out = conditions.from_table("x", {"high_f": float(np.round(limit, 1))}).outside(celsius, "above")
    assert out.tolist() == (fahrenheit > np.round(limit, 1)).tolist()


def test_minutes_against_pandas_and_scipy_on_a_real_freezer():
    # open_data/store_walkin_freezer, EXPECTED.json (pandas + scipy): Tref above 8 °C 4.0 min, Tfre above -18 °C 314.8 min.
    from scipy.integrate import trapezoid

    table = pd.read_csv(open_data("store_walkin_freezer/measurements.csv"))
    index = pd.DatetimeIndex(pd.to_datetime(table.iloc[:, 0], utc=True)).as_unit("us")
    fridge = next(c for c in table if c.startswith("Tref"))
    freezer = next(c for c in table if c.startswith("Tfre"))
    assert round(excursions.minutes_beyond(pd.Series(table[fridge].to_numpy(), index=index), limit_c=8, direction="above").minutes, 1) == 4.0
    cold = pd.Series(table[freezer].to_numpy(), index=index)
    assert round(excursions.minutes_beyond(cold, limit_c=-18, direction="above").minutes, 1) == 314.8
    # The same by putting the crossings in as points of their own and letting scipy integrate.
    minutes = (index - index[0]) / pd.Timedelta("1min")
    distance = cold.to_numpy() + 18.0
    at = np.flatnonzero(distance[:-1] * distance[1:] < 0)
    cross = minutes[at] - distance[at] * np.diff(minutes)[at] / np.diff(distance)[at]
    x = np.concatenate((minutes, cross))
    y = np.concatenate((np.clip(distance, 0, None), np.zeros(len(cross))))
    order = np.argsort(x, kind="stable")
    assert excursions.degree_minutes(cold, limit_c=-18, direction="above") == pytest.approx(trapezoid(y[order], x[order]), abs=1e-9 * 1e3)
    ratio = physics.ACTIVATION_ENERGY_KJ_MOL / physics.GAS_CONSTANT_KJ_MOL_K
    rate = trapezoid(np.exp(-ratio / (cold.to_numpy() + 273.15)), minutes) / (minutes[-1] - minutes[0])
    assert exposure.mkt_c(cold) == pytest.approx(ratio / -np.log(rate) - 273.15, abs=1e-9)
    assert exposure.mean_c(cold) == pytest.approx(trapezoid(cold.to_numpy(), minutes) / (minutes[-1] - minutes[0]), abs=1e-9)


# --- mean kinetic temperature: windows, dilution, refusal -------------------------------------------------------------


def cases():
    return {case["id"]: case for case in published("mkt_cases.json")["cases"]}


@pytest.mark.parametrize("row", cases()["K16_breakeven"]["rows"], ids=lambda row: f"{row['base_c']}-{row['hot_c']}")
def test_break_even_hours_meet_the_limit(row):
    # K16 (COMPUTED): printed to 1e-4 h; the MKT moves by less than 1e-3 °C over half of that.
    mkt = physics.mean_kinetic_temperature_c([row["base_c"], row["hot_c"]], [row["window_h"] - row["hours"], row["hours"]])
    assert mkt == pytest.approx(row["limit_c"], abs=1e-3)


def test_52_weeks_both_ways():
    table = pd.read_csv(published("mkt_52week.csv"), comment="#")
    high, low = (table[next(c for c in table if word in c.lower())].to_numpy() for word in ("max", "min"))
    case = cases()["K15_52week"]
    assert physics.mean_kinetic_temperature_c((high + low) / 2) == pytest.approx(case["mkt_midpoints_c"], abs=5e-7)
    assert physics.mean_kinetic_temperature_c(np.concatenate((high, low))) == pytest.approx(case["mkt_max_and_min_c"], abs=5e-7)


def test_small_and_large_activation_energy():
    # K17: Ea -> 0 the harmonic kelvin mean, Ea -> infinity the maximum.
    values = np.array([5.0, 12.0, 40.0])
    harmonic = 1 / np.mean(1 / (values + 273.15)) - 273.15
    assert physics.mean_kinetic_temperature_c(values, ea_kj_mol=1e-6) == pytest.approx(harmonic, abs=1e-4)
    assert physics.mean_kinetic_temperature_c(values, ea_kj_mol=1e6) == pytest.approx(40, abs=1e-1)


@given(st.integers(0, 2**31), st.floats(0.5, 30))
@settings(max_examples=60, deadline=None)
def test_rolling_windows_are_those_of_a_slice(seed, hours):
    rng = np.random.default_rng(seed)
    times = np.cumsum(rng.choice([1, 5, 5, 5, 5, 60, 240], 80))
    data = series(rng.uniform(-20, 45, 80), times_min=times)
    gap = timeline.steps(data)["gap"].to_numpy()
    rolled = exposure.rolling_mkt(data, window_hours=hours, gap=gap)
    for k in (0, 1, 17, 40, 79):
        first = int(np.searchsorted(times, times[k] - hours * 60, side="left"))
        direct = exposure.mkt_c(data[first : k + 1], gap=gap[first:k])
        assert rolled["mkt_c"].iloc[k] == pytest.approx(direct, abs=1e-8, nan_ok=True)


@given(st.lists(st.floats(-5, 40), min_size=3, max_size=30), st.integers(1, 28))
@settings(max_examples=100, deadline=None)
def test_splitting_at_a_shared_reading_and_pooling_the_rates_changes_nothing(values, at):
    at = min(at, len(values) - 2)
    data, none = series(values), [False] * (len(values) - 1)
    parts = [(exposure.mkt_c(piece, gap=none[: len(piece) - 1]), 10.0 * (len(piece) - 1)) for piece in (data[: at + 1], data[at:])]
    pooled = physics.mean_kinetic_temperature_c(*zip(*parts, strict=True))
    assert pooled == pytest.approx(exposure.mkt_c(data, gap=none), abs=1e-8)


CCT, CRT = conditions.get("controlled_cold"), conditions.get("controlled_room")


def rows_of(data, condition, **rest):
    trace = Trace.of(data, probe=Probe("A", **rest), u_c=0.25)
    return exposure.mkt_rows(trace, condition, excursions=excursions.find(trace, condition), start=data.index[0], end=data.index[-1] + pd.Timedelta("1us"))


def test_an_excursion_within_its_band_and_hours_can_still_break_the_mkt_limit():
    # K5 (COMPUTED): 18 h at 5 °C and 6 h at 14 °C: 8.285216 °C, limit 8. Here with steps of a minute between the levels.
    data = series(np.where((np.arange(4321) > 2160) & (np.arange(4321) <= 2520), 14.0, 5.0), step_min=1)
    back, forward, highest = rows_of(data, CCT)
    assert back["mkt_c"] == pytest.approx(8.2852, abs=5e-3) and back["mkt_c"] > back["limit_c"] == 8.0
    assert (back["direction"], back["used"], forward["used"]) == ("back", True, False)
    assert back["window_end"] - back["window_start"] == pd.Timedelta("24h") == forward["window_end"] - forward["window_start"]
    assert forward["window_start"] < back["window_end"] and forward["mkt_c"] == pytest.approx(back["mkt_c"], abs=5e-3)
    assert highest["mkt_c"] >= back["mkt_c"] - 1e-9 and highest["direction"] == "highest"
    assert back["covered_share"] == 1.0 and back["ea_kj_mol"] == 83.144 and "USP <1079.2>" in back["source"]


def test_the_two_directions_differ_where_the_days_do():
    warm_before = np.concatenate((np.full(1440, 7.9), np.full(60, 12.0), np.full(1440, 3.0)))
    back, forward, _ = rows_of(series(warm_before, step_min=1), CCT)
    assert back["mkt_c"] > forward["mkt_c"] + 2


def test_a_long_window_that_hides_a_hot_day_warns_with_both_numbers():
    # K7 (COMPUTED): 696 h at 24 and 24 h at 40: 25.260 °C; here 10 h at 40: the month keeps 25, the day does not.
    data = series(np.where((np.arange(2161) > 2100) & (np.arange(2161) <= 2130), 40.0, 24.0), step_min=20)
    back = rows_of(data, CRT)[0]
    assert back["mkt_c"] < 25 and "hides a hot day" in back["warning"]
    assert f"{back['mkt_c']:.2f} °C" in back["warning"]


def test_refused_for_frozen_product_with_the_reason():
    frozen = conditions.from_table("own", {"low_c": -50.0, "high_c": -15.0, "mkt": {"limit_c": -15.0, "window_hours": 24.0}})
    (row,) = rows_of(series(np.full(100, -20.0)), frozen)
    assert row["mkt_c"] is None and "frozen product" in row["why_not"]
    assert rows_of(series(np.full(100, -20.0)), conditions.get("frozen")) == []
    assert exposure.mkt_refusal(CCT, role="room", decides=False) and not exposure.mkt_refusal(CRT, role="room", decides=True)


def test_a_record_shorter_than_its_window_says_how_much_is_covered():
    (row,) = rows_of(series(np.full(61, 5.0), step_min=10), CCT)
    assert row["direction"] == "highest" and row["covered_share"] == pytest.approx(10 / 24) and row["mkt_c"] == pytest.approx(5)
    assert exposure.highest_window(series([5.0]), window_hours=24) is None and exposure.highest_window(series([]), window_hours=24) is None


# --- bands, freezing, buffer, gaps ------------------------------------------------------------------------------------


def test_bands_count_beyond_each_cut():
    data = series([5, 9, 16, 16, 9, 5, 1, 1, -1, 5])
    trace = Trace.of(data, u_c=0.0, interval_min=10)
    rows = {(r["direction"], r["limit_c"]): r for r in exposure.bands(trace, conditions.get("refrigerated"), start=data.index[0], end=data.index[-1])}
    assert rows["above", 15.0]["minutes"] == pytest.approx(10 + 20 / 7) and rows["above", 25.0]["minutes_most"] == 0
    assert rows["below", 0.0]["minutes"] == pytest.approx(5 + 10 / 6) and rows["below", 2.0]["minutes_most"] == 40
    assert rows["above", 8.0]["longest_most"] == 50
    half = exposure.bands(trace, conditions.get("refrigerated"), start=data.index[0], end=data.index[2])
    assert half[0]["minutes_most"] == 20


def test_a_limit_that_is_itself_outside_counts():
    data = series([-15.0, -15.0, -15.0])
    (row, *_) = exposure.bands(Trace.of(data, u_c=0.0, interval_min=10), conditions.get("deep_frozen"), start=data.index[0], end=data.index[-1])
    assert row["minutes"] == 20 == row["minutes_least"]


def test_freezing_takes_each_readings_own_uncertainty_and_the_worse_of_as_read_and_corrected():
    trace = Trace.of(series([3.0, 0.6, 0.9]), u_c=0.25)
    readings = trace.readings.assign(u_c=[0.25, 0.25, 0.5], as_read_c=[3.0, 0.7, 0.9])
    row = exposure.freezing(replace(trace, readings=readings), start=readings.index[0], end=readings.index[-1] + pd.Timedelta("1min"))
    assert (row["lowest_c"], row["lowest_less_u_c"], row["possible"]) == (0.9, -0.1, True)
    assert exposure.freezing(trace, start=readings.index[0], end=readings.index[0]) is None


def test_what_a_buffer_hides_is_the_door_that_the_probe_met():
    # FACTS G2 (COMPUTED): a door opened for 3 min, air 5 -> 20 °C: a probe of tau 10 min peaks at 8.888 °C.
    peak = physics.first_order(5.0, 20.0, 3.0, tau_min=10.0)
    assert float(peak) == pytest.approx(8.888, abs=5e-4)
    hidden = estimates.behind_buffer(series([5.0, float(peak), 5.0 + (float(peak) - 5) * np.exp(-0.3)], step_min=3), tau_min=10.0, resolution_c=0.1)
    assert hidden["air_high_c"] == pytest.approx(20) and hidden["air_low_c"] == pytest.approx(5)
    assert hidden["warmer_by_c"] == pytest.approx(20 - float(peak)) and hidden["colder_by_c"] == pytest.approx(0, abs=1e-9) and hidden["doubt_c"] > 0.1
    assert estimates.behind_buffer(series([5.0]), tau_min=10.0) is None
    with pytest.raises(KitError, match="above zero"):
        estimates.behind_buffer(series([5.0, 6.0]), tau_min=0)


def test_inside_a_gap_there_is_an_estimate_with_its_assumptions():
    # FACTS G3 (COMPUTED): from 5 °C towards 22 °C with tau 8 h, 8 °C is met after 1.5532 h.
    data = series([5, 5, 5, 6, 6, 6], times_min=[0, 10, 20, 260, 270, 280])
    trace = Trace.of(data, interval_min=10)
    (row,) = estimates.inside_gaps(trace, room_c=22, tau_min=480, high_c=8, start=data.index[0], end=data.index[-1])
    assert row["minutes_to_limit"] == pytest.approx(1.5532 * 60, abs=5e-3) and row["before_c"] == 5 and row["after_c"] == 6
    assert row["warmest_c"] == pytest.approx(22 - 17 * np.exp(-0.5)) and "unknown" in row["assumes"]
    assert estimates.inside_gaps(trace, room_c=7, tau_min=480, high_c=8, start=data.index[0], end=data.index[-1])[0]["minutes_to_limit"] is None


def test_mean_and_mkt_against_numpy_on_a_real_household_refrigerator():
    # open_data/household_fridge: uneven steps and gaps; the rule written out once more in plain numpy (CONTRACTS rules 4 and 9).
    table = pd.read_csv(open_data("household_fridge/sensor_data_July25_8am_to_Aug1.csv"))
    name = next(c for c in table if "time" in c.lower())
    index = pd.DatetimeIndex(pd.to_datetime(table[name], utc=True, format="ISO8601")).as_unit("us")
    values = table[next(c for c in table if "temp" in c.lower() and "1" in c)].to_numpy(dtype=float)
    order = np.argsort(index.asi8, kind="stable")
    index, values = index[order], values[order]
    step = np.diff(index.asi8) / 60e6
    held = np.where(step > np.maximum(2.5 * np.median(step), 5.0), 0.0, step)
    assert (held == 0).any()
    weights = np.concatenate((held, [0])) / 2 + np.concatenate(([0], held)) / 2
    ratio = 83.144 / 8.3144e-3
    mkt = ratio / -np.log(np.sum(weights * np.exp(-ratio / (values + 273.15))) / weights.sum()) - 273.15
    data = pd.Series(values, index=index)
    assert exposure.mean_c(data) == pytest.approx(np.sum(weights * values) / weights.sum(), abs=1e-9)
    assert exposure.mkt_c(data) == pytest.approx(mkt, abs=1e-9)


def test_a_year_of_minutes_is_quick():
    rng = np.random.default_rng(1)
    data = pd.Series(5 + rng.normal(0, 1, 525_600), index=pd.date_range("2026-01-01", periods=525_600, freq="1min", tz="UTC").as_unit("us"))
    trace = Trace.of(data, u_c=0.25)

    def work() -> None:
        exposure.bands(trace, conditions.get("refrigerated"), start=data.index[0], end=data.index[-1])
        exposure.rolling_mkt(data, window_hours=24)

    assert timing.seconds(work, runs=2) < 3.0


def test_a_gap_estimate_rests_on_the_unit_s_own_warm_up_and_the_room():
    """A warm-up of 300 min time constant towards 22 °C is seen, then a gap of 3 h: the estimate is that of first-order warming (physics, FACTS G3)."""
    at = np.arange(0, 1200, 5.0)
    course = np.where(at < 300, 5.0, np.where(at < 500, 22 - 17 * np.exp(-(at - 300) / 300.0), 5.0))
    keep = (at < 700) | (at >= 880)
    index = pd.Timestamp("2026-03-01", tz="UTC") + pd.to_timedelta(at[keep], unit="min")
    trace = Trace.of(pd.Series(course[keep], index=index), probe=Probe("A", "buffered"), u_c=0.1)
    room = Trace.of(pd.Series(22.0, index=index), probe=Probe("R", "room"))
    found = excursions.find(trace, conditions.get("refrigerated"))
    (row,) = estimates.rows(trace, found, room=room, high_c=8.0, start=index[0], end=index[-1])["gap_estimates"]
    assert row["warmest_c"] == pytest.approx(22 - 17 * np.exp(-row["minutes"] / 300.0), abs=0.3)
    assert row["minutes_to_limit"] == pytest.approx(physics.minutes_to_reach(5, 22, 8, tau_min=300), rel=0.05)
    assert estimates.rows(trace, found, room=None, high_c=8.0, start=index[0], end=index[-1])["gap_estimates"] == []


def test_an_mkt_says_when_readings_leave_the_band_of_its_rule():
    """Controlled cold: excursions of 8 to 15 °C, never above 15 °C (USP <1079.2> Table 1, FACTS A7, READ-2)."""
    index = pd.date_range("2026-03-01", periods=24 * 12, freq="5min", tz="UTC")
    for top, said in ((14.0, ""), (15.2, "beyond 15 °C")):
        values = np.full(len(index), 4.0)
        values[100:106] = top
        trace = Trace.of(pd.Series(values, index=index), probe=Probe("A", "buffered"), u_c=0.1)
        condition = conditions.get("controlled_cold")
        rows = exposure.mkt_rows(trace, condition, excursions=excursions.find(trace, condition), start=index[0], end=index[-1])
        used = [row for row in rows if row["used"]]
        assert used and all((said in row["warning"]) and bool(row["warning"]) == bool(said) for row in used)
