"""Integrals on a Series: weights, means, minutes beyond a limit with their bounds."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldchain_kit import exposure, physics
from coldchain_kit.errors import KitError
from tests.conftest import open_data, published


def series(values, *, step_min=10.0, times_min=None):
    minutes = np.arange(len(values)) * step_min if times_min is None else np.asarray(times_min, dtype=float)
    index = pd.Timestamp("2026-03-01T00:00Z") + pd.to_timedelta(minutes, unit="min")
    return pd.Series(np.asarray(values, dtype=float), index=pd.DatetimeIndex(index).as_unit("us"))


def test_linear_minutes_and_degree_minutes_are_the_published_ones():
    # FACTS G5 (COMPUTED): 7,9,11,9,7 each 10 min, limit 8: linear 30 min, 45 degree-min; 5,10,5 each 30 min: 24/24.
    first, second = series([7, 9, 11, 9, 7]), series([5, 10, 5], step_min=30)
    assert exposure.minutes_beyond(first, limit_c=8, direction="above").minutes == pytest.approx(30)
    assert exposure.degree_minutes(first, limit_c=8, direction="above") == pytest.approx(45)
    assert exposure.minutes_beyond(second, limit_c=8, direction="above").minutes == pytest.approx(24)
    assert exposure.degree_minutes(second, limit_c=8, direction="above") == pytest.approx(24)


def test_limit_itself_is_inside_unless_it_is_exclusive():
    at = series([8.0, 8.0, 8.0])
    assert exposure.minutes_beyond(at, limit_c=8, direction="above") == (0, 0, 0)
    assert exposure.minutes_beyond(at, limit_c=8, direction="above", inclusive=True) == (20, 20, 20)
    assert exposure.minutes_beyond(series([46.4, 46.4]).map(lambda f: float(physics.fahrenheit_to_celsius(f))), limit_c=8, direction="above").most == 0


def test_bounds_count_whole_steps():
    # CONTRACTS rule 6, by hand: U = 0.5. least: both beyond 8.5 -> step 2-3 only; most: either beyond 7.5 -> all but the last.
    got = exposure.minutes_beyond(series([7.0, 8.4, 8.6, 8.6, 7.5, 7.5]), limit_c=8, direction="above", u_c=0.25)
    assert (got.least, got.most) == (10, 40)


def test_gap_adds_no_minutes_but_doubt():
    gappy = series([9.0, 9.0, 9.0, 9.0, 9.0, 9.0], times_min=[0, 10, 20, 120, 130, 140])
    got = exposure.minutes_beyond(gappy, limit_c=8, direction="above", u_c=0.25)
    assert got == (40, 40, 140)
    assert exposure.longest_beyond(gappy, limit_c=8, direction="above", u_c=0.25) == (20, 20, 140)


def test_reading_without_a_value_is_bridged_only_within_the_gap_rule():
    one = series([9, np.nan, 9, 9, 9, 9])
    assert exposure.minutes_beyond(one, limit_c=8, direction="above").minutes == 50
    two = series([9, np.nan, np.nan, 9, 9, 9, 9])
    assert exposure.minutes_beyond(two, limit_c=8, direction="above") == (30, 30, 60)


def test_corrected_values_rule_the_least_and_the_further_outside_the_rest():
    corrected, read = series([7.0, 7.0, 7.0]), series([9.0, 9.0, 9.0])
    assert exposure.minutes_beyond(corrected, as_read_c=read, limit_c=8, direction="above") == (20, 0, 20)
    assert exposure.minutes_beyond(read, as_read_c=corrected, limit_c=8, direction="above") == (20, 20, 20)


def test_below_mirrors_above():
    values = [7.0, 8.4, 8.6, 12.0, 7.5, 7.5]
    up = exposure.minutes_beyond(series(values), limit_c=8, direction="above", u_c=0.25)
    down = exposure.minutes_beyond(series([-v for v in values]), limit_c=-8, direction="below", u_c=0.25)
    assert up == pytest.approx(down)


def test_direction_and_marks_are_checked():
    with pytest.raises(KitError, match="above or below"):
        exposure.minutes_beyond(series([1, 2]), limit_c=8, direction="over")
    with pytest.raises(KitError, match="gap marks"):
        exposure.minutes_beyond(series([1, 2]), limit_c=8, direction="above", gap=[False, False])


@pytest.mark.parametrize("n", [0, 1])
def test_nothing_is_nothing(n):
    got = series([9.0] * n)
    assert exposure.minutes_beyond(got, limit_c=8, direction="above") == (0, 0, 0)
    assert exposure.longest_beyond(got, limit_c=8, direction="above") == (0, 0, 0)
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
        whole = exposure.minutes_beyond(data, limit_c=limit, direction=direction, u_c=u, gap=gap)
        assert whole.least - 1e-9 <= whole.minutes <= whole.most + 1e-9
        longest = exposure.longest_beyond(data, limit_c=limit, direction=direction, u_c=u, gap=gap)
        assert all(single <= total + 1e-9 for single, total in zip(longest, whole, strict=True))
        k = len(values) // 2
        parts = [exposure.minutes_beyond(piece, limit_c=limit, direction=direction, u_c=u, gap=marks) for piece, marks in ((data[: k + 1], gap[:k]), (data[k:], gap[k:]))]
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


def test_minutes_against_pandas_and_scipy_on_a_real_freezer():
    # open_data/store_walkin_freezer, EXPECTED.json (pandas + scipy): Tref above 8 °C 4.0 min, Tfre above -18 °C 314.8 min.
    from scipy.integrate import trapezoid

    table = pd.read_csv(open_data("store_walkin_freezer/measurements.csv"))
    index = pd.DatetimeIndex(pd.to_datetime(table.iloc[:, 0], utc=True)).as_unit("us")
    fridge = next(c for c in table if c.startswith("Tref"))
    freezer = next(c for c in table if c.startswith("Tfre"))
    assert round(exposure.minutes_beyond(pd.Series(table[fridge].to_numpy(), index=index), limit_c=8, direction="above").minutes, 1) == 4.0
    cold = pd.Series(table[freezer].to_numpy(), index=index)
    assert round(exposure.minutes_beyond(cold, limit_c=-18, direction="above").minutes, 1) == 314.8
    # The same by putting the crossings in as points of their own and letting scipy integrate.
    minutes = (index - index[0]) / pd.Timedelta("1min")
    distance = cold.to_numpy() + 18.0
    at = np.flatnonzero(distance[:-1] * distance[1:] < 0)
    cross = minutes[at] - distance[at] * np.diff(minutes)[at] / np.diff(distance)[at]
    x = np.concatenate((minutes, cross))
    y = np.concatenate((np.clip(distance, 0, None), np.zeros(len(cross))))
    order = np.argsort(x, kind="stable")
    assert exposure.degree_minutes(cold, limit_c=-18, direction="above") == pytest.approx(trapezoid(y[order], x[order]), abs=1e-9 * 1e3)
    ratio = physics.ACTIVATION_ENERGY_KJ_MOL / physics.GAS_CONSTANT_KJ_MOL_K
    rate = trapezoid(np.exp(-ratio / (cold.to_numpy() + 273.15)), minutes) / (minutes[-1] - minutes[0])
    assert exposure.mkt_c(cold) == pytest.approx(ratio / -np.log(rate) - 273.15, abs=1e-9)
    assert exposure.mean_c(cold) == pytest.approx(trapezoid(cold.to_numpy(), minutes) / (minutes[-1] - minutes[0]), abs=1e-9)
