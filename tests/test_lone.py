"""Readings that stand alone, stretches that jump away and back, noise against the record's own range."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from coldchain_kit import quality
from coldchain_kit.model import GOOD, NOT_EVALUATED, SUSPECT, Probe, Trace, Unit, conditions
from coldchain_kit.quality import lone, series, steps

FRIDGE = conditions.get("refrigerated")


def record(readings=600, *, minutes=15, level=5.0, noise=0.2, resolution=0.1):
    rng = np.random.default_rng(8)
    values = level + np.sin(np.arange(readings) / 5.0) + rng.normal(0, noise, readings)
    index = pd.date_range("2026-03-01", periods=readings, freq=f"{minutes}min", tz="UTC")
    return pd.Series(np.round(values / resolution) * resolution, index=index).round(6)


def flags(data, column, role="unknown"):
    return quality.run(Trace.of(data, probe=Probe("A", role))).flags[column].to_numpy()


# ---- alone ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("value", "found"), [(45.0, True), (20.0, False), (-6.0, True), (-2.0, False)])
def test_alone_counts_where_no_door_heater_or_cooling_explains_it(value, found):
    data = record()
    assert (quality.lone_reading(data)["flag"].isin([GOOD, NOT_EVALUATED])).all()
    data.iloc[300] = value
    flag = quality.lone_reading(data)["flag"].to_numpy()
    assert (flag[300] == SUSPECT) == found
    assert (flag == SUSPECT).sum() == found


def test_a_tail_is_evidence_and_so_is_anything_longer():
    tailed, long = record(), record()
    tailed.iloc[300:306] = [45.0, 35.0, 27.0, 20.0, 14.0, 10.0]
    long.iloc[300:305] = 45.0
    for data in (tailed, long):
        assert (quality.lone_reading(data)["flag"] != SUSPECT).all()


def test_what_the_record_often_does_is_usual():
    data = record()
    data.iloc[20:580:9] = 45.0  # more than every twentieth
    assert (quality.lone_reading(data)["flag"] != SUSPECT).all()
    graded = (5 + (record() - 5) / 10).round(1)
    graded.iloc[[100, 200, 300, 400]] = [7.5, 12.0, 23.0, 45.0]  # each less than three times as far as the one before
    assert (quality.lone_reading(graded)["flag"] != SUSPECT).all()
    graded.iloc[300] = 12.0
    assert np.flatnonzero(quality.lone_reading(graded)["flag"] == SUSPECT).tolist() == [400]


def test_one_value_from_different_levels_is_a_placeholder():
    data = record(noise=0.02, resolution=0.01)
    data += pd.Series(np.linspace(0, 6, len(data)), index=data.index)
    twice, thrice = data.copy(), data.copy()
    twice.iloc[[100, 500]] = 0.0
    thrice.iloc[[100, 300, 500]] = 0.0
    assert (quality.lone_reading(twice)["flag"] != SUSPECT).all()
    assert np.flatnonzero(quality.lone_reading(thrice)["flag"] == SUSPECT).tolist() == [100, 300, 500]
    same = record(noise=0.02, resolution=0.01)  # from one level only: a door may do that
    same.iloc[[100, 300, 500]] = 0.0
    assert (quality.lone_reading(same)["flag"] != SUSPECT).all()


def test_a_defrost_that_ends_at_one_temperature_is_no_placeholder():
    data = record(level=-20.0, resolution=0.1) + pd.Series(np.repeat([0.0, 2.5, 0.0], 200), index=record().index)
    for place in range(30, 590, 32):
        data.iloc[place : place + 5] = [-13.7, -4.6, -1.4, -1.4, -13.2]
    assert (quality.lone_reading(data)["flag"] != SUSPECT).all()


def test_readings_without_neighbours_are_not_judged():
    flag = quality.lone_reading(record())["flag"].to_numpy()
    assert (flag[: lone.SIDE] == NOT_EVALUATED).all()
    assert (flag[lone.SIDE : -lone.SIDE] == GOOD).all()
    assert (quality.lone_reading(record(10))["flag"] == NOT_EVALUATED).all()


def test_a_lone_reading_stands_in_the_faults_with_its_level():
    data = record()
    data.iloc[300] = 45.0
    done = quality.run(Trace.of(data, probe=Probe("A", "air")))
    assert not quality.impossible(done)[301]
    rows = [row for row in quality.faults(Unit("U", {"A": done}), condition=FRIDGE) if row["kind"] == "spike"]
    assert any("45.0 °C" in row["text"] for row in rows)


def test_a_reading_at_the_end_of_the_range_and_a_drop_in_a_hot_record_say_nothing():
    data = record()
    data.iloc[300] = 45.0
    side = np.zeros(len(data), "int8")
    side[300] = 1
    trace = Trace.of(data, one_sided=side)
    assert (quality.run(trace).flags["lone"] != SUSPECT).all()
    hot = record(level=70.0)
    hot.iloc[300] = 62.0
    assert (quality.lone_reading(hot)["flag"] != SUSPECT).all()


# ---- shifts -----------------------------------------------------------------------------------------------------


def shifted(by, *, readings=30):
    data = record()
    data.iloc[300 : 300 + readings] += by
    return data


@pytest.mark.parametrize(("by", "found"), [(-16.0, True), (40.0, True), (12.0, False), (-6.0, False)])
def test_a_level_that_nothing_explains_counts_and_one_of_the_room_does_not(by, found):
    flag = flags(shifted(by), "shift")
    assert np.flatnonzero(flag == SUSPECT).tolist() == (list(range(300, 330)) if found else [])


def test_only_a_jump_at_both_ends_counts():
    data = shifted(-16.0)
    assert (flags(data, "shift") == SUSPECT).sum() == 30
    slow = data.copy()
    slow.iloc[325:331] = np.linspace(-11, 5, 6)
    assert (flags(slow, "shift") != SUSPECT).all()
    assert (flags(shifted(-16.0, readings=120), "shift") != SUSPECT).all()  # longer than a day


def test_a_shift_stands_in_the_faults_with_its_jumps():
    done = quality.run(Trace.of(shifted(-16.0), probe=Probe("A", "unknown")))
    texts = [row["text"] for row in quality.faults(Unit("U", {"A": done}), condition=FRIDGE)]
    assert any("at another level" in text and "30 readings" in text for text in texts)
    assert not quality.impossible(done).any()


# ---- spikes and noise -------------------------------------------------------------------------------------------


def test_a_sound_reading_between_two_spikes_is_no_spike():
    data = record(minutes=1)
    data.iloc[[300, 302]] = 70.0
    flag = flags(data, "spike", "buffered")
    assert flag[300] > SUSPECT
    assert flag[302] > SUSPECT
    assert flag[301] < SUSPECT


def test_noise_is_marked_where_it_is_and_not_beside_it():
    rng = np.random.default_rng(2)
    index = pd.date_range("2026-03-01", periods=2000, freq="min", tz="UTC")
    data = pd.Series(5 + 0.8 * np.sin(np.arange(2000) / 20.0), index=index).round(1)
    data.iloc[1000:1100] += rng.normal(0, 2.0, 100).round(1)
    found = np.flatnonzero(flags(data, "noise") == SUSPECT)
    assert 995 <= found.min() <= 1005
    assert 1095 <= found.max() <= 1104
    assert len(found) >= 95


def test_a_rhythm_that_beats_with_the_interval_is_no_noise():
    minutes = np.arange(0, 20_000, 15.0)
    data = pd.Series(
        np.round(5 + np.sin(2 * np.pi * minutes / (15.4 * 2)), 1),
        index=pd.date_range("2026-03-01", periods=len(minutes), freq="15min", tz="UTC"),
    )
    assert (flags(data, "noise") != SUSPECT).all()
    line = series.course(data)
    assert (series.noise_codes(line, floor_c=steps.LEAST_C)[0] != SUSPECT).all()
