"""Two probes of one unit against their own history in spread and lag: planted changes are found and named, everyday life and events are not."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

from coldchain_kit import assessment, quality, register, simulate
from coldchain_kit.model import GOOD, NOT_EVALUATED, SUSPECT, Probe, Trace, Unit, conditions
from coldchain_kit.quality import pairs, response
from coldchain_kit.quality.series import course
from tests.conftest import CHECKOUT, open_data

START = pd.Timestamp("2026-03-02", tz="UTC")
DAYS, CHANGE = 20, 12  # length of the records, and the day of the change
FRIDGE = conditions.get("refrigerated")
SEEDS = [("refrigerator", 1), ("refrigerator", 4), ("refrigerator", 6), ("refrigerator", 10), ("freezer", 0), ("freezer", 4)]


@cache
def made(kind: str, seed: int, *events: simulate.Event) -> simulate.Simulation:
    cabinet = simulate.draw(seed, kind)
    a, b, room = cabinet.probes
    probes = (a, b, replace(a, name="bottle", tau_min=12.0), replace(a, name="bare", tau_min=2.0))
    return simulate.run(replace(cabinet, probes=probes), events, start=START, hours=24 * DAYS, seed=seed)


def spliced(data: pd.DataFrame, before: str, after: str) -> pd.Series:
    return data[before].where(data.index < START + pd.Timedelta(days=CHANGE), data[after])


def run(**series) -> dict[str, Trace]:
    return quality.run_all({name: Trace.of(values, probe=Probe(name, "buffered" if name == "P" else "air")) for name, values in series.items()}, condition=FRIDGE)


def suspect(trace: Trace) -> np.ndarray:
    return trace.flags["disagreement"].to_numpy() == SUSPECT


@pytest.mark.parametrize("interval_min", [1, 5, 10])
@pytest.mark.parametrize(("before", "after"), [("bottle", "bare"), ("bare", "bottle")])
@pytest.mark.parametrize(("kind", "seed"), SEEDS)
def test_a_probe_out_of_its_bottle_or_into_one_is_found_from_that_day_on(kind, seed, before, after, interval_min):
    data = made(kind, seed).sampled(interval_min)
    done = run(P=spliced(data, before, after), B=data["B"])
    day = (data.index - START) / pd.Timedelta(days=1)
    found = suspect(done["P"])
    assert found[day > CHANGE + 0.75].mean() > 0.95  # a day with an event in it is not judged
    assert not found[day < CHANGE - 0.75].any()
    assert not suspect(done["B"]).any()
    assert not quality.impossible(done["P"]).any()


@pytest.mark.parametrize("interval_min", [1, 5, 15])
@pytest.mark.parametrize(("kind", "seed"), [*SEEDS, ("refrigerator", 0), ("refrigerator", 2), ("refrigerator", 8), ("freezer", 1)])
def test_everyday_life_is_no_disagreement(kind, seed, interval_min):
    data = made(kind, seed).sampled(interval_min)
    assert not any(suspect(one).any() for one in run(P=data["A"], B=data["B"]).values())


LONG = {
    "ambient_heat": simulate.Event("ambient_heat", 10 * 1440, 8 * 1440, 5), "setpoint_change": simulate.Event("setpoint_change", 10 * 1440, 10 * 1440, -2),
    "cooling_failure": simulate.Event("cooling_failure", 10 * 1440, 3 * 1440, 0.7), "power_loss": simulate.Event("power_loss", 10 * 1440, 900),
    "door_open": simulate.Event("door_open", 10 * 1440, 900, 0.3), "airflow_blocked": simulate.Event("airflow_blocked", 10 * 1440, 5 * 1440, 0.5),
}  # fmt: skip


@pytest.mark.parametrize("event", LONG)
@pytest.mark.parametrize(("kind", "seed"), [("refrigerator", 2), ("freezer", 3)])
def test_a_long_event_is_evidence(kind, seed, event):
    for interval_min in (1, 5):
        data = made(kind, seed, LONG[event]).sampled(interval_min)
        for name, one in run(P=data["A"], B=data["B"]).items():
            told = {row["how"] for row in one.steps[-1].arguments.get("apart", ())}
            assert not told & {"spread", "lag"}, (name, told)


def test_real_units_beside_each_other_raise_nothing():
    store = pd.read_csv(open_data("store_walkin_freezer/measurements.csv"), parse_dates=["Time"], index_col="Time")
    for a, b in (("Tref", "Tfre"), ("Tref", "Trtu"), ("Tfre", "Trtu")):
        assert not any(suspect(one).any() for one in run(P=store[a], B=store[b]).values())
    house = pd.read_csv(open_data("household_fridge/sensor_data_July25_8am_to_Aug1.csv"))
    house.index = pd.DatetimeIndex(pd.to_datetime(house["time"], utc=True)).floor("us")
    house = house[~house.index.duplicated()].sort_index()
    assert not any(suspect(one).any() for one in run(P=house["temperature_1"], B=house["temperature_2"], C=house["temperature_3"]).values())


def test_the_sample_site_has_no_disagreement():
    site = register.load_site(CHECKOUT / "sample_data" / "tern_bay" / "site.toml")
    for name, entry in site.units.items():
        files = register.find_files(site.path.parent, entry.readings, site.path.name)
        unit = assessment.load_unit(site, name, files, folder=site.path.parent)
        assert not any(suspect(trace).any() for trace in unit.traces.values() if "disagreement" in trace.flags)


# ---- the lag by itself ------------------------------------------------------------------------------------------


def test_a_daily_lag_equals_a_delay_put_in_by_hand():
    rng = np.random.default_rng(1)
    slow = pd.Series(np.convolve(rng.standard_normal(1440 * 3 + 60), np.ones(30) / 6, "same"))
    index = pd.date_range(START, periods=1440 * 3, freq="min")
    other = pd.Series(slow.to_numpy()[60:], index=index)
    own = pd.Series(slow.to_numpy()[60 - 7 : -7], index=index)  # seven minutes late
    first, lag = response.daily_lag_min(*(response.days(course(x), 1.0) for x in (own, other)))
    assert first == (START - pd.Timestamp(0, tz="UTC")).days
    assert lag == pytest.approx([7.0] * 3, abs=0.1)
    _, back = response.daily_lag_min(*(response.days(course(x), 1.0) for x in (other, own)))
    assert back == pytest.approx([-7.0] * 3, abs=0.1)


def test_a_steady_rhythm_tells_no_lag():
    wave = pd.Series(5 + np.sin(np.arange(1440 * 2) * 2 * np.pi / 40), index=pd.date_range(START, periods=2880, freq="min"))
    one = response.days(course(wave), 1.0)
    assert np.isnan(response.daily_lag_min(one, one)[1]).all()


def test_a_clock_that_slips_moves_the_lag_of_both():
    # nothing in the numbers says whose clock it was: both are told, and the scatter of neither has moved
    data = made("refrigerator", 2).sampled(1)
    late = data["A"].shift(25).where(data.index >= START + pd.Timedelta(days=CHANGE), data["A"]).dropna()
    done = run(P=late, B=data["B"])
    assert [{row["how"] for row in one.steps[-1].arguments["apart"]} for one in done.values()] == [{"lag"}, {"lag"}]
    texts = [row["text"] for row in quality.faults(Unit("F2", done), condition=FRIDGE) if row["kind"] == "disagreement"]
    assert all("a clock that was set" in text and "a change of 2" in text for text in texts)
    assert "min before P, usually" in texts[0]


def test_gaps_and_short_records_are_not_judged():
    data = made("refrigerator", 6).sampled(5)
    short = data[data.index < START + pd.Timedelta(days=4)]
    hours = [pairs.hourly(short[name]) for name in "AB"]
    assert response.spread_apart(*hours) is None
    assert response.lag_apart(*hours, *(response.days(course(short[name]), 5.0) for name in "AB")) is None
    assert response.days(course(short["A"]), 15.0) is None
    thin = data.iloc[::6]  # a reading each half hour: no scatter within the hour
    assert np.isnan(pairs.hourly(thin["A"]).swing).all()
    holes = data[(data.index.hour < 3) | (data.index.hour > 11)]
    assert not any(suspect(one).any() for one in run(P=holes["A"], B=holes["B"]).values())
    empty = data.iloc[:0]
    assert len(run(P=empty["A"], B=empty["B"])["P"].flags) == 0


# ---- in words and as a leaf -------------------------------------------------------------------------------------


def test_the_fault_names_what_it_rests_on_with_number_threshold_and_unit():
    data = made("refrigerator", 10).sampled(1)
    done = run(P=spliced(data, "bottle", "bare"), B=data["B"])
    rows = [row for row in quality.faults(Unit("F2", done), condition=FRIDGE) if row["kind"] == "disagreement"]
    assert [row["probe"] for row in rows] == ["P"]
    for part in ("Spread: beside B", "times as much as usual (threshold 1.4 times)", "Lag: it moves", "a change of", "min (threshold 2.0 min)", "taken out of its bottle"):
        assert part in rows[0]["text"]
    assert "Level" not in rows[0]["text"] and "wrong" not in rows[0]["text"]
    answer, reasons = quality.believable(Unit("F2", {"P": done["P"]}, clock={"state": "declared"}), faults=rows, start=START, end=data.index[-1])
    assert answer == "usable with limits"  # it still shows a true temperature, only another one than the bottle's
    assert rows[0]["text"] in reasons
    # 1.4 °C: six times the pair's usual scatter, which is more than a degree
    higher = (data["A"] + np.where(data.index >= START + pd.Timedelta(days=CHANGE + 3), 3.0, 0.0)).round(1)
    text = next(row["text"] for row in quality.faults(Unit("F2", run(P=higher, B=data["B"])), condition=FRIDGE) if row["kind"] == "disagreement")
    for part in ("Level: the difference to B is 3.", "°C above its usual", "(threshold 1.4 °C)", "One of them may be wrong"):
        assert part in text


def test_the_leaf_function_tells_all_four():
    data = made("refrigerator", 10).sampled(5)
    found = quality.disagreement(spliced(data, "bottle", "bare"), data["B"], resolution_c=0.1)
    assert (found["flag"] == SUSPECT).mean() == pytest.approx((DAYS - CHANGE) / DAYS, abs=0.03)
    assert found["judged"].iloc[-500] > 1.4
    assert (quality.disagreement(data["A"], data["B"])["flag"] == GOOD).all()
    assert (quality.disagreement(data["A"].iloc[:288], data["B"])["flag"] == NOT_EVALUATED).all()
