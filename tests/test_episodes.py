"""Episodes: what belongs together, what comes by the clock (rule 8)."""

from __future__ import annotations

import pandas as pd
import pytest

from coldchain_kit import excursions
from coldchain_kit.excursions import episodes
from coldchain_kit.model import Probe, Trace
from coldchain_kit.model.conditions import Condition
from tests.conftest import open_data

UTC = pd.Timestamp("2026-03-01", tz="UTC")


def run(key, start_min, end_min, *, probe="A", direction="above", open_start=False, open_end=False, end_latest_min=None, first_out_min=None):
    at = lambda minutes: UTC + pd.Timedelta(minutes=minutes)  # noqa: E731
    return {
        "id": key, "probe": probe, "direction": direction, "start": at(start_min), "end": at(end_min), "open_start": open_start, "open_end": open_end,
        "end_latest": at(end_min if end_latest_min is None else end_latest_min), "first_out": at(start_min if first_out_min is None else first_out_min),
    }  # fmt: skip


def test_runs_less_than_join_min_apart_are_one_episode_and_just_that_far_apart_are_two():
    near = episodes.group(pd.DataFrame([run("a", 0, 10), run("b", 129.9, 140)]), join_min=120)
    far = episodes.group(pd.DataFrame([run("a", 0, 10), run("b", 130, 140)]), join_min=120)
    assert [e["excursions"] for e in near] == [["a", "b"]]
    assert [e["excursions"] for e in far] == [["a"], ["b"]]


def test_directions_are_never_joined():
    both = episodes.group(pd.DataFrame([run("a", 0, 10), run("b", 20, 30, direction="below")]), join_min=120)
    assert [e["direction"] for e in both] == ["above", "below"]


def test_runs_parted_by_a_gap_only_are_one_episode_however_long_the_gap():
    rows = [run("a", 0, 10, open_end=True, end_latest_min=3000), run("b", 3000, 3100, open_start=True, first_out_min=3000)]
    assert [e["excursions"] for e in episodes.group(pd.DataFrame(rows), join_min=120)] == [["a", "b"]]


def test_four_runs_by_the_clock_are_recurrent_and_three_are_not():
    four = pd.DataFrame([run(f"r{k}", k * 360, k * 360 + 20) for k in range(4)])
    found = episodes.group(four, join_min=120)
    assert found[0]["recurrent"] == {"count": 4, "longest_min": 20.0, "total_min": 80.0, "period_hours": pytest.approx(6.0)}
    assert all(e["recurrent"] is None for e in episodes.group(four.iloc[:3], join_min=120))


def test_irregular_runs_are_not_recurrent():
    odd = pd.DataFrame([run(f"r{k}", start, start + 20) for k, start in enumerate((0, 500, 777, 1900, 2300, 4100))])
    assert all(e["recurrent"] is None for e in episodes.group(odd, join_min=120))


@pytest.mark.open_data
def test_store_freezer_has_twenty_runs_by_the_clock_and_one_off_it():
    """open_data/README.md: periodicity 6.0 h (Lomb-Scargle 6.01), 20 on the clock, one off it on 2018-06-03 at 01:20Z."""
    table = pd.read_csv(open_data("store_walkin_freezer/measurements.csv"), parse_dates=["Time"]).set_index("Time")
    found = excursions.find(Trace.of(table["Tfre"], probe=Probe("Tfre"), u_c=0.25), Condition("freezer", "Freezer", -40.0, -18.0))
    found["id"] = [f"E{n}" for n in range(len(found))]
    regular, single = episodes.group(found, join_min=120)
    assert (regular["recurrent"]["count"], len(single["excursions"])) == (20, 1)
    assert regular["recurrent"]["period_hours"] == pytest.approx(6.0, abs=0.02)
    assert single["start"].floor("10min") == pd.Timestamp("2018-06-03T01:10Z")
