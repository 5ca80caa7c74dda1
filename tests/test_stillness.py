"""Probes that stand still longer than they are used to, straight lines, and downloads that contradict themselves."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from coldchain_kit import assessment, quality
from coldchain_kit.downloads.readers import stated
from coldchain_kit.model import GOOD, NOT_EVALUATED, SUSPECT, Probe, Trace, Unit, conditions
from coldchain_kit.quality import stillness
from tests import sites
from tests.benchmarks import bench_stillness as bench
from tests.conftest import TRAPS

FRIDGE = conditions.get("refrigerated")


def wave(readings=1200, *, minutes=5, period=40.0, swing=1.0, noise=0.15):
    rng = np.random.default_rng(3)
    values = 5 + swing * np.sin(np.arange(readings) * minutes / period * 2 * np.pi) + rng.normal(0, noise, readings)
    return pd.Series(
        values.round(1), index=pd.date_range("2026-03-01", periods=readings, freq=f"{minutes}min", tz="UTC")
    )


def held(data, first, readings):
    """The record with one reading held for so many readings, and others around it."""
    copy = data.copy()
    copy.iloc[first : first + readings] = 5.0
    copy.iloc[[first - 1, first + readings]] = 5.4
    return copy


# ---- standing still ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("readings", "found"), [(45, False), (46, True)])  # 220 and 225 min at five minutes
def test_a_run_counts_from_the_floor_on(readings, found):
    flags = quality.still_habit(held(wave(), 600, readings))["flag"]
    assert ((flags == SUSPECT).sum() == readings) == found
    assert set(flags) <= {GOOD, SUSPECT}


def test_a_longer_habit_takes_a_longer_run():
    usual = held(wave(), 200, 25)  # two hours
    assert (quality.still_habit(held(usual, 600, 60))["flag"] == GOOD).all()  # under 2.8 times as long
    assert (quality.still_habit(held(usual, 600, 70))["flag"] == SUSPECT).sum() == 70


def test_what_happens_every_day_is_a_habit():
    data = wave(3000)
    for day in range(4):
        data = held(data, 200 + 600 * day, 60)
        data.iloc[200 + 600 * day : 260 + 600 * day] = 4.8 + 0.1 * day
    assert (quality.still_habit(data)["flag"] == NOT_EVALUATED).all()


def test_a_value_where_it_rests_again_and_again_is_no_fault_and_another_one_is():
    data = wave(3600)
    for day in range(4):
        data = held(data, 200 + 600 * day, 60)
    assert (quality.still_habit(data)["flag"] == GOOD).all()
    elsewhere, longer = data.copy(), data.copy()
    elsewhere.iloc[2900:2960] = 4.3
    assert (quality.still_habit(elsewhere)["flag"] == SUSPECT).sum() == 60
    longer.iloc[2900:3080] = 5.0  # at that value too, but three times as long
    assert (quality.still_habit(longer)["flag"] == SUSPECT).sum() >= 180


def test_stuck_again_and_again_counts_where_jumps_lead_to_it():
    data = wave(3600)
    for day in range(5):
        data.iloc[200 + 600 * day : 260 + 600 * day] = 15.0 + 0.1 * day
    assert (quality.still_habit(data)["flag"] == SUSPECT).sum() == 300


def test_too_coarse_a_record_is_not_judged():
    coarse = held(wave(swing=0.4, noise=0.02), 600, 60).add(0.25).round(0)
    assert len(set(coarse)) == 2
    assert (quality.still_habit(coarse)["flag"] == NOT_EVALUATED).all()


def test_one_moving_reading_ends_the_run():
    data = held(wave(), 600, 60)
    assert (quality.still_habit(data)["flag"] == SUSPECT).sum() == 60
    data.iloc[630] = 5.1
    assert (quality.still_habit(data)["flag"] == GOOD).all()


def test_a_gap_is_no_standing_still():
    data = held(wave(), 600, 60)
    assert (quality.still_habit(data.drop(data.index[602:658]))["flag"] < SUSPECT).all()


def channel(data, off):
    power = pd.Series(1.0, index=data.index)
    power.iloc[off] = 0.0
    power.attrs["kind"] = "power"
    return {"mains": power}


def test_power_that_was_off_shortens_the_wait_and_stands_in_the_sentence():
    data = held(wave(), 600, 30)  # two and a half hours
    trace = Trace.of(data, probe=Probe("A", "buffered", resolution_c=0.1))
    assert (quality.run(trace).flags["stillness"] < SUSPECT).all()
    assert (quality.run(trace, channels=channel(data, slice(0, 10))).flags["stillness"] < SUSPECT).all()  # another time
    done = quality.run(trace, channels=channel(data, slice(605, 620)))
    assert (done.flags["stillness"] == SUSPECT).sum() == 30
    (row,) = quality.faults(Unit("U", {"A": done}), condition=FRIDGE)
    assert row["kind"] == "flat_line"
    assert "exactly 5 °C for 2.4 h" in row["text"]
    assert "from 2026-03-03 02:00 UTC on" in row["text"]
    assert "longer than 5 min" in row["text"] or "longer than 10 min" in row["text"]
    assert "The power was off meanwhile" in row["text"]


def test_a_room_that_moves_counts_as_something_that_moved():
    data = held(wave(), 600, 40)
    room = pd.Series(20.0, index=data.index).where(np.abs(np.arange(len(data)) - 620) > 20, 32.0)
    traces = {
        "A": Trace.of(data, probe=Probe("A", "buffered", resolution_c=0.1)),
        "R": Trace.of(room, probe=Probe("R", "room", resolution_c=0.1)),
    }
    assert (quality.run(traces["A"]).flags["stillness"] < SUSPECT).all()
    rows = quality.faults(Unit("U", quality.run_all(traces)), condition=FRIDGE)
    assert any("Probe R moved by" in row["text"] for row in rows if row["probe"] == "A")


def test_readings_at_the_end_of_the_range_are_no_still_run():
    data = held(wave(), 600, 60)
    side = np.zeros(len(data), "int8")
    side[600:660] = 1
    assert (quality.run(Trace.of(data, one_sided=side)).flags["stillness"] < SUSPECT).all()


def test_odd_runs_are_judged_from_the_short_ones_up():
    assert stillness.odd_runs(np.array([]), floor_min=200, times=3).tolist() == []
    assert stillness.odd_runs(np.array([100.0, 250.0, 600.0]), floor_min=200, times=3).tolist() == [False, False, False]
    assert stillness.odd_runs(np.array([10.0, 900.0, 1000.0]), floor_min=200, times=3).tolist() == [False, True, True]


# ---- straight lines ---------------------------------------------------------------------------------------------


def ruled(data, first, readings, rise=2.0):
    copy = data.copy()
    copy.iloc[first : first + readings] = np.linspace(4.0, 4.0 + rise, readings).round(1)
    return copy


@pytest.mark.parametrize(("readings", "found"), [(30, False), (60, True)])
def test_a_line_over_hours_is_found(readings, found):
    flags = quality.straight_line(ruled(wave(), 600, readings))["flag"]
    assert ((flags == SUSPECT).sum() >= readings) == found
    assert (flags.iloc[:590] == GOOD).all()


def test_one_reading_off_the_line_breaks_it():
    data = ruled(wave(), 600, 60)
    assert (quality.straight_line(data)["flag"] == SUSPECT).sum() >= 60
    data.iloc[630] += 0.2
    assert (quality.straight_line(data)["flag"] == GOOD).all()


def test_a_level_line_is_left_to_the_other_test():
    assert (quality.straight_line(held(wave(), 600, 60))["flag"] == GOOD).all()


def test_a_record_that_is_usually_straight_is_not_judged():
    slow = pd.Series(np.linspace(4, 9, 1200).round(1), index=wave().index)
    assert (quality.straight_line(slow)["flag"] == NOT_EVALUATED).all()


# ---- the sound fleet, in small ----------------------------------------------------------------------------------


def test_sound_months_raise_nothing_and_a_stuck_probe_is_found_in_time():
    months = [bench.shown(bench.month(900 + k), 5, 0.1) for k in range(4)]
    assert [bench.false_alarms(data) for data in months] == [dict.fromkeys(bench.TESTS, 0)] * 4
    data, true, power, onset, probe = bench.stuck_case(900)
    for channel_of in (None, power):
        found = bench.search(data, true, channel_of, onset, probe, 5, 0.1)
        assert found.judged
        assert found.delay_min <= found.due_min


# ---- statements beside the readings -----------------------------------------------------------------------------

SAID = {
    "Max 12.0": [("above", 12.0, None)],
    "Maximum temperature: 12.0 °C": [("above", 12.0, "C")],
    "Höchstwert: 8,4 °C": [("above", 8.4, "C")],
    "# min: 35.1F": [("below", 35.1, "F")],
    "Min/Max: 2.1 / 12.0": [("below", 2.1, None), ("above", 12.0, None)],
    "Max 12.0 min 2.0": [("above", 12.0, None), ("below", 2.0, None)],
    "Max temp 06.03.2026 22:40 12.0": [("above", 12.0, None)],
} | dict.fromkeys(
    ("High alarm;8", "Interval;5 min", "Max. delay 30 min", "Measuring range max 85", "Max Humidity 80"), []
)


@pytest.mark.parametrize("text", SAID)
def test_statements_are_read_and_settings_are_not(text):
    assert [(row["side"], row["value"], row["unit"]) for row in stated.statements(text, 1)] == SAID[text]


def faults_of(folder, name, old="", new=""):
    folder.mkdir()
    path = folder / f"{name}.csv"
    path.write_text((TRAPS / f"quality_{name}.csv").read_text("utf-8").replace(old, new), "utf-8")
    return assessment.assess(
        sites.write(folder / "site", [path], unit='[units.U.probes.A]\nrole = "buffered"\nresolution_c = 0.1\n')
    ).results["faults"]


def test_a_summary_that_no_reading_bears_out_is_quoted_with_its_line(tmp_path):
    (row,) = faults_of(tmp_path / "a", "summary")
    assert row["kind"] == "disagreement"
    assert 'line 305 states a maximum of 12.0 °C ("Max,12.0")' in row["text"]
    assert faults_of(tmp_path / "b", "summary", "Max,12.0", "Max,6.1") == []
    reading = next(
        line
        for line in (TRAPS / "quality_summary.csv").read_text("utf-8").splitlines()
        if line.startswith("2026-03-03 00:00:00")
    )
    assert "disagreement" not in {
        row["kind"] for row in faults_of(tmp_path / "c", "summary", reading, "2026-03-03 00:00:00,12.0")
    }


def test_an_alarm_that_no_reading_bears_out_is_quoted_with_its_line(tmp_path):
    (row,) = faults_of(tmp_path / "a", "alarm_event")
    assert "line 2 tells of an alarm at 2026-03-03 10:07 UTC" in row["text"]
    assert faults_of(tmp_path / "b", "alarm_event", "High temperature alarm", "Low battery alarm") == []
    assert faults_of(tmp_path / "c", "alarm_event", "High temperature alarm", "High temperature alarm cleared") == []
