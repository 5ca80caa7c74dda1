"""Excursions against hand-worked cases, an independent count with plain pandas, and the simulator's truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from coldchain_kit import excursions
from coldchain_kit.excursions import bounds
from coldchain_kit.model import FAIL, GOOD, Probe, Trace, conditions
from coldchain_kit.model.conditions import Condition
from tests.conftest import open_data, published

UTC = pd.Timestamp("2026-03-01", tz="UTC")
FRIDGE = conditions.get("refrigerated")


def trace(minutes, values, *, u_c=0.25, as_read=None):
    index = pd.DatetimeIndex(UTC + pd.to_timedelta(minutes, unit="min"))
    every = float(np.median(np.diff(minutes))) if len(index) > 1 else 10.0
    made = Trace.of(pd.Series(np.asarray(values, float), index=index), u_c=u_c, interval_min=every)
    if as_read is not None:
        made.readings["as_read_c"] = np.asarray(as_read, float)
    return made


CASES = published("physics_cases.json")["threshold_integrals"]


@pytest.mark.parametrize("case", [case for case in CASES if case["name"] != "gap inside"], ids=lambda case: case["name"])
def test_hand_worked_integrals(case):
    """physics_cases.json threshold_integrals (FACTS G5, COMPUTED): linear minutes and degree-minutes above 8 °C."""
    found = excursions.find(trace(case["times_min"], case["temps_c"]), FRIDGE)
    assert found["minutes"].sum() == pytest.approx(case["linear_minutes_above"], abs=1e-6)
    assert found["degree_minutes"].sum() == pytest.approx(case["linear_degree_minutes"], abs=1e-6)
    assert found["readings"].sum() == case["count_readings_above"]


def test_a_gap_is_never_bridged():
    """The same file's "gap inside" bridges 180 min; rule 4 does not: two runs, open at the gap, its minutes only in "at most"."""
    case = next(case for case in CASES if case["name"] == "gap inside")
    found = excursions.find(trace(case["times_min"], case["temps_c"]), FRIDGE)
    assert found["minutes"].tolist() == [5.0, 5.0]
    assert found["open_end"].tolist() == [True, False]
    assert found["open_start"].tolist() == [False, True]
    assert found["end_latest"][0] == UTC + pd.Timedelta("190min")
    assert found["start_earliest"][1] == UTC + pd.Timedelta("10min")
    total = bounds.totals(trace(case["times_min"], case["temps_c"]), FRIDGE, "above", start=UTC, end=UTC + pd.Timedelta("200min"))
    assert total == {"minutes": 10.0, "minutes_least": 0.0, "minutes_most": 200.0}


def test_times_that_stand_in_the_file_and_times_that_are_estimated():
    found = excursions.find(trace([0, 10, 20, 30, 40], [7, 9, 11, 9, 7]), FRIDGE).iloc[0]
    minute = lambda at: (at - UTC) / pd.Timedelta("1min")  # noqa: E731
    assert [minute(found[key]) for key in ("start_earliest", "start", "first_out", "last_out", "end", "end_latest", "first_back")] == [0, 5, 10, 30, 35, 40, 40]
    assert (found["extreme_c"], minute(found["extreme_time"])) == (11.0, 20)


def test_limits_are_inclusive_and_judged_after_rounding():
    """Rule 1: 46.4 °F is 8 and 31.1 °F is -0.5; float residue as in the store freezer's file must not make an excursion."""
    assert len(excursions.find(trace([0, 5, 10], [8.0, 8.000000000000004, 2.0]), FRIDGE)) == 0
    assert len(excursions.find(trace([0, 5, 10], [5.0, 8.000001, 5.0]), FRIDGE)) == 1


def test_a_limit_in_fahrenheit_is_judged_in_fahrenheit():
    local = Condition("local", "Local", 36.0, 46.0, unit="F")
    for value_f, runs in ((46.0, 0), (46.1, 1), (36.0, 0), (35.9, 1)):
        assert len(excursions.find(trace([0, 5, 10], [5.0, round((value_f - 32) / 1.8, 6), 5.0]), local)) == runs


def test_runs_at_the_edge_of_the_record_are_open():
    found = excursions.find(trace([0, 15, 30], [10, 9, 6]), FRIDGE).iloc[0]
    assert (found["open_start"], found["start"], found["start_earliest"]) == (True, UTC, UTC)
    assert found["minutes"] == pytest.approx(20.0)  # physics_cases.json "starts above"


def test_where_as_read_and_corrected_differ_the_one_further_outside_rules():
    both = excursions.find(trace([0, 10, 20, 30], [7, 8.4, 8.2, 7], as_read=[7.2, 8.6, 8.4, 7.2]), FRIDGE).iloc[0]
    assert (both["basis"], both["extreme_c"]) == ("both", 8.6)
    only = excursions.find(trace([0, 10, 20, 30], [7, 7.9, 7.9, 7], as_read=[7, 8.1, 8.1, 7]), FRIDGE).iloc[0]
    assert (only["basis"], only["verdict"], only["minutes_least"]) == ("as_read", "undecided", 0.0)
    corrected = excursions.find(trace([0, 10, 20, 30], [7, 9.1, 9.1, 7], as_read=[7, 7.5, 7.5, 7]), FRIDGE).iloc[0]
    assert (corrected["basis"], corrected["verdict"], corrected["minutes_least"]) == ("corrected", "outside", 10.0)


@pytest.mark.parametrize("row", published("decision_rule_cases.json")["upper_limit_cases"], ids=lambda row: f"{row['reading_c']}U{row['U_k2']}")
def test_verdict_and_probability_follow_the_decision_rule_cases(row):
    """decision_rule_cases.json (ILAC-G8 READ, probabilities COMPUTED; FACTS D2, D6): simple acceptance finds, U qualifies."""
    made = trace([0, 10, 20], [2.0 + 3, row["reading_c"], 5.0], u_c=row["U_k2"] / 2)
    found, near = excursions.find(made, FRIDGE), excursions.near_limit(made, FRIDGE)
    assert bool(len(found)) == (row["simple"] == "fail")
    if len(found):
        assert found["p_outside"][0] == pytest.approx(row["prob_true_above_limit"], abs=5e-7)
        assert (found["verdict"][0] == "outside") == (row["non_binary_w_eq_U"] == "fail")
        assert len(near) == 0
    else:
        # inside: listed near the limit exactly where a guard band of U would refuse it
        assert bool(len(near)) == (row["non_binary_w_eq_U"] == "conditional pass")


def test_bounds_by_hand():
    """Readings 7.6, 8.2, 8.7, 8.9, 8.2, 7.4, 7.0 every 10 min, U 0.5: least 8.7-8.9 (10 min); most from the pair 7.6-8.2 (7.6 > 7.5)
    with the pair before it (5.0-7.6) to the pair 8.2-7.4: 6 pairs less none = 50 + 10."""
    found = excursions.find(trace(range(0, 80, 10), [5.0, 7.6, 8.2, 8.7, 8.9, 8.2, 7.4, 7.0]), FRIDGE).iloc[0]
    assert (found["minutes_least"], found["minutes_most"]) == (10.0, 60.0)


def test_a_pair_counts_once_in_the_totals():
    made = trace(range(0, 60, 10), [7.0, 8.2, 7.9, 8.2, 7.0, 6.0])
    runs = excursions.find(made, FRIDGE)
    total = bounds.totals(made, FRIDGE, "above", start=UTC, end=UTC + pd.Timedelta("50min"))
    assert total["minutes"] == pytest.approx(runs["minutes"].sum())
    assert total["minutes_most"] == 40.0
    assert runs["minutes_most"].tolist() == [20.0, 20.0]


def test_faulty_runs_stay_listed_with_and_without_their_readings():
    made = trace(range(0, 60, 10), [5.0, 122.153, 122.153, 9.0, 5.0, 5.0])
    made.flags["gross_range"] = np.array([GOOD, FAIL, FAIL, GOOD, GOOD, GOOD], "int8")
    found = excursions.find(made, FRIDGE).iloc[0]
    assert found["faulty"]
    assert found["extreme_c"] == 122.153
    assert found["trustworthy"] == {"minutes": 0.0, "degree_minutes": 0.0, "extreme_c": 9.0, "extreme_bound": False, "readings": 1}
    assert found["flags"]["fail"] == 2


@given(st.lists(st.floats(-5, 20).map(lambda x: round(x, 2)), min_size=1, max_size=60), st.lists(st.integers(1, 40), min_size=60, max_size=60), st.floats(0, 1))
def test_laws_of_runs(values, steps, u_c):
    at = np.cumsum([0, *steps[: len(values) - 1]])
    made = trace(at, values, u_c=u_c)
    found = excursions.find(made, FRIDGE)
    outside = (np.array(values) > 8) | (np.array(values) < 2)
    assert found["readings"].sum() == outside.sum() if len(found) else not outside.any()
    for row in found.to_dict("records"):
        assert row["start_earliest"] <= row["start"] <= row["first_out"] <= row["last_out"] <= row["end"] <= row["end_latest"]
        assert row["minutes_least"] <= row["minutes"] + 1e-9 <= row["minutes_most"] + 1e-6 or row["minutes"] == 0
        assert row["degree_minutes"] >= 0
    for side in ("above", "below"):
        total = bounds.totals(made, FRIDGE, side, start=made.readings.index[0], end=made.readings.index[-1])
        assert total["minutes_least"] <= total["minutes"] + 1e-9 <= total["minutes_most"] + 2e-9
        mine = found[found["direction"] == side]["minutes"].sum() if len(found) else 0.0
        assert total["minutes"] == pytest.approx(mine, abs=1e-6)


@given(st.lists(st.floats(-5, 20).map(lambda x: round(x, 2)), min_size=3, max_size=60), st.integers(0, 59), st.integers(-1000, 1000))
def test_shifting_time_shifts_excursions_and_mirroring_swaps_directions(values, cut, shift):
    at = np.arange(len(values)) * 10
    plain = excursions.find(trace(at, values), FRIDGE)
    later = excursions.find(trace(at + shift, values), FRIDGE)
    assert [a + pd.Timedelta(minutes=shift) for a in plain["start"]] == list(later["start"]) if len(plain) else not len(later)
    mirror = excursions.find(trace(at, [10.0 - v for v in values]), FRIDGE)
    counts = lambda table, side: int((table["direction"] == side).sum()) if len(table) else 0  # noqa: E731
    assert counts(plain, "above") == counts(mirror, "below")


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 30), st.floats(0.05, 0.5))
def test_bounds_enclose_the_truth_and_are_not_idle(seed, interval, u_c):
    """Where the truth stays between neighbouring readings (taken without error), least <= truth <= most, and
    most - least <= 1.5 x (the steps at the ends + the minutes within U of the limit)."""
    rng = np.random.default_rng(seed)
    knots = np.sort(rng.choice(np.arange(1, 143), 8, replace=False)) * 10
    course = np.interp(np.arange(0, 1441), [0, *knots, 1440], rng.uniform(3, 13, 10))
    monotone_between = all(
        np.all(np.diff(piece) >= 0) or np.all(np.diff(piece) <= 0)
        for piece in (course[a : a + interval + 1] for a in range(0, 1440 - interval + 1, interval))
    )
    at = np.arange(0, 1441, interval)
    made = trace(at, course[at], u_c=u_c)
    total = bounds.totals(made, FRIDGE, "above", start=UTC, end=made.readings.index[-1])
    fine = course[: at[-1] + 1]
    truth = float(((fine[:-1] > 8) & (fine[1:] > 8)).sum() + _partial(fine))
    if monotone_between:
        assert total["minutes_least"] <= truth + 1e-6
        assert truth <= total["minutes_most"] + 1e-6
    ends = 2 * interval * max(1, int((np.diff((fine > 8).astype(int)) != 0).sum()))
    within = float((np.abs(fine - 8) <= 2 * u_c).sum())
    crossings = int((np.abs(np.diff((np.abs(fine - 8) <= 2 * u_c).astype(int))) > 0).sum())
    assert total["minutes_most"] - total["minutes_least"] <= 1.5 * (ends + within + crossings * interval)


def _partial(fine):
    first, second = fine[:-1] - 8, fine[1:] - 8
    mixed = (first > 0) != (second > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(first > 0, first / (first - second), second / (second - first))
    return share[mixed].sum()


@pytest.mark.open_data
def test_real_traces_against_plain_numpy():
    """store_walkin_freezer (EXPECTED.json: freezer above -18 °C 21 episodes, 314.8 min; refrigerator above 8 °C 4.0 min), and the
    same by numpy in this test."""
    table = pd.read_csv(open_data("store_walkin_freezer/measurements.csv"), parse_dates=["Time"]).set_index("Time")
    freezer = Condition("freezer", "Freezer", -40.0, -18.0)
    found = excursions.find(Trace.of(table["Tfre"], probe=Probe("Tfre"), u_c=0.25), freezer)
    assert len(found) == 21
    assert found["minutes"].sum() == pytest.approx(314.8, abs=0.05)
    walk_in = excursions.find(Trace.of(table["Tref"], u_c=0.25), FRIDGE)
    assert walk_in[walk_in["direction"] == "above"]["minutes"].sum() == pytest.approx(4.0, abs=0.05)
    values, at = table["Tfre"].round(6).to_numpy() + 18.0, table.index.as_unit("s").asi8 / 60.0
    fine = np.concatenate([np.linspace(at[i], at[i + 1], 601)[:-1] for i in range(len(at) - 1)])
    course = np.interp(fine, at, values)
    assert found["minutes"].sum() == pytest.approx((course > 0).sum() * 5 / 600, abs=0.6)
    assert found["degree_minutes"].sum() == pytest.approx(np.clip(course, 0, None).sum() * 5 / 600, rel=2e-3)


def test_probability_is_that_of_the_normal_distribution():
    found = excursions.find(trace([0, 10, 20], [5.0, 8.3, 5.0], u_c=0.2), FRIDGE)
    assert found["p_outside"][0] == pytest.approx(norm.cdf(0.3 / 0.2))
