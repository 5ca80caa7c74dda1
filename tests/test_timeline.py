"""Interval in force, gaps, coverage: CONTRACTS rule 4, on real traces and on hand-made ones."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coldchain_kit.model import timeline
from tests.conftest import open_data

UTC = pd.Timestamp("2026-03-01", tz="UTC")


def series(minutes, values=None):
    index = UTC + pd.to_timedelta(minutes, unit="min")
    return pd.Series(np.full(len(index), 5.0) if values is None else values, index=pd.DatetimeIndex(index))


@pytest.mark.open_data
@pytest.mark.parametrize(
    ("name", "time", "column", "gaps", "missing"),
    [
        # Counts by rule 4 as open_data/README.md states them: ambient 9 gaps, household 52, store no gap and 1 missing reading;
        # the 621 missing hours of the ambient trace are in EXPECTED.json (pandas only).
        ("nab_temperature/ambient_temperature_system_failure.csv", "timestamp", "value", 9, 621),
        ("household_fridge/sensor_data_July25_8am_to_Aug1.csv", "time", "temperature_1", 52, None),
        ("store_walkin_freezer/measurements.csv", "Time", "Tfre", 0, 1),
    ],
)
def test_gaps_of_real_traces(name, time, column, gaps, missing):
    table = pd.read_csv(open_data(name), parse_dates=[time]).set_index(time)[column]
    table.index = table.index.tz_convert("UTC") if table.index.tz else table.index.tz_localize("UTC")
    steps = timeline.steps(table)
    assert int(steps["gap"].sum()) == gaps
    if missing is not None:
        assert int(steps["missing"].sum()) == missing


def test_a_step_of_exactly_two_and_a_half_intervals_is_no_gap_and_a_longer_one_is():
    base = list(range(0, 200, 10))
    at = [*base, 190 + 25, 190 + 25 + 25.1]
    assert timeline.steps(series(at))["gap"].tolist()[-2:] == [False, True]


def test_five_minutes_are_no_gap_of_a_fast_logger():
    at = [*range(20), 19 + 5, 19 + 10.2]
    assert timeline.steps(series(at))["gap"].tolist()[-2:] == [False, True]


def test_rows_without_a_value_are_a_gap_like_absent_rows():
    values = np.full(20, 5.0)
    values[8:12] = np.nan
    held = timeline.steps(series(range(0, 200, 10), values))
    gone = timeline.steps(series([m for m in range(0, 200, 10) if not 80 <= m < 120]))
    assert held["gap"].sum() == gone["gap"].sum() == 1
    assert held["missing"].sum() == gone["missing"].sum() == 4


def test_a_coarser_stretch_is_bridged_and_unknown_unless_something_states_it():
    at = [*range(0, 300, 5), *range(300, 1500, 30)]
    steps = timeline.steps(series(at))
    assert not steps["gap"].any()
    assert (steps["coarse"].sum(), steps["missing"].sum(), set(steps["interval_min"])) == (39, 39 * 5, {5.0})
    both = timeline.steps(series(at), interval_min=(5.0, 30.0))
    assert (both["coarse"].sum(), both["missing"].sum(), set(both["interval_min"])) == (0, 0, {5.0, 30.0})


def test_lost_readings_do_not_look_like_a_longer_interval():
    at = [m for m in range(0, 2000, 5) if m % 100 not in (35, 40, 70)]
    steps = timeline.steps(series(at))
    assert set(steps["interval_min"]) == {5.0}
    assert steps["missing"].sum() == 400 - len(at)


def test_coverage_counts_each_missing_reading_once_and_the_edges():
    at = [m for m in range(0, 24 * 60, 10) if not 600 < m < 720]
    whole = timeline.coverage(series(at), start=UTC, end=UTC + pd.Timedelta("24h"))
    assert whole["missing_readings"] == 11  # by hand: 10:10 to 11:50
    assert whole["covered_share"] == pytest.approx(1 - 110 / 1440)
    late = timeline.coverage(series(at), start=UTC - pd.Timedelta("24h"), end=UTC + pd.Timedelta("24h"))
    assert late["covered_share"] == pytest.approx((1440 - 110) / 2880)
    assert late["missing_readings"] == 11 + 144


def test_a_window_without_a_reading_is_one_gap():
    spans = timeline.gaps(series(range(0, 100, 10), np.full(10, np.nan)), start=UTC, end=UTC + pd.Timedelta("1h"))
    assert spans["minutes"].tolist() == [60.0]


@given(st.lists(st.integers(1, 60), min_size=2, max_size=80))
def test_steps_add_up_to_the_record(steps):
    at = np.cumsum([0, *steps])
    table = timeline.steps(series(at))
    assert table["minutes"].sum() == pytest.approx(at[-1])
    assert (table["minutes"][table["gap"]] > 5).all()


def test_side_by_side_takes_nothing_from_further_than_the_tolerance():
    a, b = series([0, 10, 20], [1.0, 2.0, 3.0]), series([1, 15], [7.0, 8.0])
    table = timeline.side_by_side({"A": a, "B": b}, tolerance_min=2)
    assert table["B"].isna().tolist() == [False, True, True]
