"""combine: downloads of a unit put together. Expected rows are worked out by hand or by plain pandas in the test."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldchain_kit.base import KitError, RegisterError
from coldchain_kit.downloads import Column, clock
from coldchain_kit.downloads.joining import combine
from coldchain_kit.model import Probe
from coldchain_kit.register import Logger
from tests import timing
from tests.conftest import open_data
from tests.downloads import download, entry, every

ZONE = "Europe/Lisbon"
DAY = every(5, "2026-03-06", "2026-03-07")


def unit(known, *files, zone=ZONE):
    return combine.join(known, [clock.place(file, known, zone=zone) for file in files], zone=zone)


def wide(*headers, times=DAY, kinds=None, values=None):
    labels = [header.split(" (")[0].removeprefix("T_") for header in headers]
    kinds = kinds or ["temperature"] * len(headers)
    values = values if values is not None else [np.arange(len(times)) * 0.001 + number for number in range(len(headers))]
    return tuple(Column(header, label, kind, np.asarray(v, "float64")) for header, label, kind, v in zip(headers, labels, kinds, values, strict=True))


# ---- which column is which probe ----


@pytest.mark.parametrize(
    ("probe", "headers", "taken"),
    [
        (Probe("A", column="Upper shelf"), ("Upper shelf", "A"), "Upper shelf"),
        (Probe("A"), ("B (°C)", "A (°C)"), "A (°C)"),
        (Probe("A"), ("A (°C)", "A"), "A"),  # the full header before the plain label
        (Probe("T_A"), ("A (°C)", "T_A"), "T_A"),
    ],
)
def test_a_probe_takes_the_column_the_contract_says(probe, headers, taken):
    columns = wide(*headers)
    trace = unit(entry(probe), download(DAY, columns=columns)).traces[probe.name]
    assert trace.as_read_c.iloc[0] == headers.index(taken)
    assert trace.probe == probe


def test_a_registered_column_is_matched_by_its_full_header_only():
    with pytest.raises(RegisterError, match=r"probe 'A' takes column 'Upper', which no download has.*'Upper \(°C\)' \(temperature\).*Did you mean 'Upper \(°C\)'"):
        unit(entry(Probe("A", column="Upper")), download(DAY, columns=wide("Upper (°C)", "Lower (°C)")))


def test_every_missing_probe_and_channel_is_told_at_once():
    with pytest.raises(RegisterError) as told:
        unit(entry(Probe("C"), Probe("D"), channels={"door": ("Door", "door")}), download(DAY, columns=wide("A (°C)")))
    assert len(told.value.faults) == 3


def test_without_probes_every_temperature_column_decides_under_its_plain_label():
    made = unit(entry(), download(DAY, columns=wide("A (°C)", "T_B", "RH (%)", kinds=["temperature", "temperature", "humidity"])))
    assert [(name, trace.probe.role, trace.probe.decides) for name, trace in made.traces.items()] == [("A", "unknown", True), ("B", "unknown", True)]
    assert made.channels["RH"].attrs == {"kind": "humidity"}
    assert "not_registered" not in made.sources[0].layout


def test_a_column_nobody_registered_is_kept_and_told_and_decides_nothing():
    made = unit(entry(Probe("A", "buffered")), download(DAY, columns=wide("A (°C)", "B (°C)")))
    stranger = made.traces["B"].probe
    assert (stranger.registered, stranger.decides, stranger.role) == (False, False, "unknown")
    assert made.sources[0].layout["not_registered"] == ["B (°C)"]


def test_two_columns_of_one_label_stay_two_probes():
    made = unit(entry(), download(DAY, columns=wide("A (°C)", "A (°F)")))
    assert list(made.traces) == ["A", "A (°F)"]


def test_a_column_named_twice_is_refused():
    with pytest.raises(RegisterError, match="named by probe A and by probe X"):
        unit(entry(Probe("A"), Probe("X", column="A (°C)")), download(DAY, columns=wide("A (°C)")))


def test_probes_may_come_from_files_of_two_loggers():
    made = unit(entry(Probe("A"), Probe("B")), download(DAY, file="a.csv"), download(DAY, file="b.csv", header="B (°C)", label="B"))
    assert [len(trace.readings) for trace in made.traces.values()] == [288, 288]
    assert made.traces["B"].readings["source"].unique().tolist() == [1]


def test_each_sensor_of_a_long_layout_takes_its_rows():
    both = np.repeat(DAY, 2)
    rows = [np.arange(0, 576, 2), np.arange(1, 576, 2)]
    columns = tuple(Column(name, name, "temperature", np.full(288, value), rows=at) for name, at, value in zip("AB", rows, (4.0, 5.0), strict=True))
    made = unit(entry(), download(both, columns=columns))
    assert made.traces["B"].as_read_c.tolist() == [5.0] * 288
    assert made.traces["B"].readings["line"].iloc[1] == 5
    assert made.sources[0].interval_min == 5.0
    assert made.conflicts == ()


def test_no_file_at_all_is_an_error():
    with pytest.raises(KitError, match="no download"):
        combine.join(entry(), [])


# ---- overlaps ----


def test_a_download_read_again_counts_once_and_the_first_file_stays_the_source():
    values = np.linspace(4, 6, 288)
    made = unit(entry(), download(DAY[:200], values[:200], file="1.csv"), download(DAY[100:], values[100:], file="2.csv"))
    readings = made.traces["A"].readings
    assert readings["as_read_c"].tolist() == values.tolist()
    assert (readings["source"] == (np.arange(288) >= 200)).all()
    assert readings["line"].iloc[[0, 199, 200]].tolist() == [2, 201, 102]
    assert made.conflicts == ()
    assert made.traces["A"].steps[0].rows_changed == 100


@pytest.mark.parametrize(("first", "second", "kept"), [(5.0, 8.5, 8.5), (5.0, 1.5, 1.5), (9.0, 0.5, 0.5), (9.0, 1.0, 9.0), (4.0, 3.0, 3.0), (5.0, 5.5, 5.5), (-3.0, 20.0, 20.0), (np.nan, 5.0, 5.0)])
def test_of_readings_at_odds_the_one_further_outside_counts(first, second, kept):
    """2 to 8 °C; distance beyond the nearer limit: 9.0 is 1.0 above, 0.5 is 1.5 below, 1.0 ties with 9.0 and came later."""
    values = np.full(288, 5.0)
    other = values.copy()
    values[7], other[7] = first, second
    made = unit(entry(), download(DAY, values, file="1.csv"), download(DAY, other, file="2.csv"))
    assert made.traces["A"].as_read_c.iloc[7] == kept
    assert [(row["file"], row["kept"], row["line"], row["unit"], row["probe"], row["time"]) for row in sorted(made.conflicts, key=lambda row: row["file"])] == [
        (name, value == kept, 9, "F2", "A", pd.Timestamp("2026-03-06 00:35", tz="UTC")) for name, value in (("1.csv", first), ("2.csv", second))
    ]
    assert all(row["why"] for row in made.conflicts)
    assert [row["value_c"] for row in made.conflicts][0] == kept


def test_three_files_at_odds_show_each_value_once():
    files = [download(DAY[:1], [value], file=f"{number}.csv") for number, value in enumerate((5.0, 9.0, 5.0, 9.5))]
    made = unit(entry(), *files)
    assert [(row["value_c"], row["file"], row["kept"]) for row in made.conflicts] == [(9.5, "3.csv", True), (9.0, "1.csv", False), (5.0, "0.csv", False)]


def test_a_condition_with_one_limit_judges_by_that_limit():
    room = entry(condition="frozen")
    made = unit(room, download(DAY[:1], [-60.0], file="1.csv"), download(DAY[:1], [-14.0], file="2.csv"))
    assert made.traces["A"].as_read_c.tolist() == [-60.0]


def test_readings_without_a_sure_instant_stand_in_the_conflicts_and_count_once():
    shown = every(5, "2026-03-28", "2026-03-30")
    made = unit(entry(clock="local"), download(shown), zone="Europe/Berlin")
    assert len(made.traces["A"].readings) == len(shown) - 12
    assert len(made.conflicts) == 12
    assert {(row["kept"], row["time"]) for row in made.conflicts} == {(True, None)}  # each at the instant of a clock that did not go forward, where an equal reading stands
    assert "2026-03-29 02:00:00" in made.conflicts[0]["why"]
    assert made.clock["state"] == "not_verified"


def test_a_cell_without_value_stays_as_a_row():
    values = np.full(288, 5.0)
    values[3] = np.nan
    readings = unit(entry(), download(DAY, values)).traces["A"].readings
    assert len(readings) == 288
    assert readings["as_read_c"].isna().sum() == 1
    assert readings["u_c"].isna().all()
    assert (readings["celsius"].dropna() == 5.0).all()


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_any_overlapping_split_in_any_order_combines_to_the_same_trace(data):
    n = 60
    times = every(5, "2026-03-28T22:00", "2026-03-29T03:00")  # over Lisbon's spring change, in UTC
    values = np.array(data.draw(st.lists(st.sampled_from([1.0, 4.0, 5.5, 8.0, 9.5, np.nan]), min_size=n, max_size=n)))
    edges = sorted(data.draw(st.sets(st.integers(1, n - 1), max_size=5)))
    spans = [(max(0, a - data.draw(st.integers(0, 10))), min(n, b + data.draw(st.integers(0, 10)))) for a, b in zip([0, *edges], [*edges, n], strict=True)]
    files = [download(times[a:b][::step], values[a:b][::step], file=f"{number}.csv", time_kind="utc") for number, ((a, b), step) in
             enumerate(zip(spans, data.draw(st.lists(st.sampled_from([1, -1]), min_size=len(spans), max_size=len(spans))), strict=True))]  # fmt: skip
    made = unit(entry(), *data.draw(st.permutations(files)))
    readings = made.traces["A"].readings
    assert (readings.index.tz_localize(None).to_numpy() == times).all()
    np.testing.assert_array_equal(readings["as_read_c"], values)
    assert made.conflicts == ()
    again = unit(entry(), *files)
    pd.testing.assert_frame_equal(again.traces["A"].readings, readings)
    assert again.sources == made.sources


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 5), st.lists(st.sampled_from([0.5, 1.0, 5.0, 9.0, 9.5]), min_size=1, max_size=12)), min_size=1, max_size=5), st.randoms())
def test_readings_at_odds_agree_with_a_plain_loop(rows, random):
    """Independent: for each instant, the largest distance beyond 2 or 8 °C, first file first. Every minute stands in a file, so that none interleave."""
    files = {file: {first + k: value for k, value in enumerate(values)} for file, (first, values) in enumerate(rows)}
    loads = [download([np.datetime64("2026-03-06T00:00") + np.timedelta64(minute, "m") for minute in sorted(part)], [part[minute] for minute in sorted(part)], file=f"{file}.csv", time_kind="utc") for file, part in files.items()]
    random.shuffle(loads)
    made = unit(entry(), *loads)
    expected, odds = [], 0
    for minute in sorted({minute for part in files.values() for minute in part}):
        values = list(dict.fromkeys(files[file][minute] for file in sorted(files) if minute in files[file]))
        expected.append(max(values, key=lambda value: max(value - 8, 2 - value)))
        odds += len(values) if len(values) > 1 else 0
    assert made.traces["A"].as_read_c.tolist() == expected
    assert len(made.conflicts) == odds
    assert sum(row["kept"] for row in made.conflicts) == len({row["time"] for row in made.conflicts})


# ---- ends of range ----


def test_values_held_at_the_end_of_the_range_are_one_sided():
    values = np.full(288, 5.0)
    values[[1, 2]], values[3] = 85.0, -40.0
    known = entry(range_c=(-40.0, 85.0))
    readings = unit(known, download(DAY, values)).traces["A"].readings
    assert readings["one_sided"].iloc[:5].tolist() == [0, 1, 1, -1, 0]


@pytest.mark.parametrize(("known", "expected"), [({"range_c": (-40.0, 85.0)}, [85.0, -40.0]), ({}, [70.0, -30.0])])
def test_words_for_the_end_of_range_take_its_value_as_a_bound(known, expected):
    column = Column("A (°C)", "A", "temperature", np.array([5.0, np.nan, np.nan, np.nan]), one_sided=np.array([0, 1, -1, 0], "int8"))
    made = unit(entry(Probe("A", span_c=(-30.0, 70.0)), **known), download(DAY[:4], columns=(column,)))
    readings = made.traces["A"].readings
    assert readings["bound_c"].iloc[1:3].tolist() == expected
    assert readings["one_sided"].tolist() == [0, 1, -1, 0]
    assert readings["as_read_c"].isna().tolist() == [False, True, True, True]


def test_the_range_follows_dated_settings():
    known = entry(range_c=(-40.0, 85.0), settings=((dt.datetime(2026, 3, 6, 12), Logger(range_c=(-40.0, 60.0))),))
    readings = unit(known, download(DAY, np.full(288, 60.0))).traces["A"].readings
    assert readings["one_sided"].sum() == 144


# ---- channels, events, sources, notices ----


def test_channels_named_by_the_register_take_any_column():
    columns = wide("A (°C)", "In 1", "Battery (V)", kinds=["temperature", "other", "battery"])
    made = unit(entry(channels={"door": ("In 1", "door")}), download(DAY, columns=columns, file="1.csv"), download(DAY, columns=columns, file="2.csv"))
    assert made.channels["door"].attrs["kind"] == "door"
    assert {name: len(series) for name, series in made.channels.items()} == {"door": 288, "Battery": 288}
    assert made.channels["door"].index.tz is not None


def test_events_get_their_instant_file_and_line_and_stand_once():
    events = ({"time": "2026-07-06 22:40:00", "kind": "alarm", "text": "High", "line": 3}, {"time": None, "kind": "note", "text": "x", "line": 4})
    times = every(5, "2026-07-06", "2026-07-07")
    made = unit(entry(clock="local"), download(times, events=events, file="1.csv"), download(times, events=events[:1], file="2.csv"))
    assert [(row["time"], row["file"], row["line"]) for row in made.events] == [(pd.Timestamp("2026-07-06 21:40", tz="UTC"), "1.csv", 3), (None, "1.csv", 4)]


def test_sources_span_their_instants():
    made = unit(entry(clock="+01:00"), download(DAY))
    source = made.sources[0]
    assert (source.first, source.last, source.interval_min) == (pd.Timestamp("2026-03-05 23:00", tz="UTC"), pd.Timestamp("2026-03-06 22:55", tz="UTC"), 5.0)
    assert made.traces["A"].sources == made.sources


def test_another_serial_is_told():
    made = unit(entry(serial="S-1"), download(DAY, serial="S-2"))
    (notice,) = made.notices
    assert notice["kind"] == "clock"
    assert "'S-2'" in notice["text"] and "'S-1'" in notice["text"]
    assert unit(entry(serial="S-1"), download(DAY, serial="S-1")).notices == ()


def test_loggers_side_by_side_are_two_probes_and_one_after_the_other_is_one():
    later = DAY + np.timedelta64(2, "m")
    made = unit(entry(), download(DAY, file="1.csv", serial="S-1"), download(later, file="2.csv", serial="S-2"))
    assert list(made.traces) == ["A (S-1)", "A (S-2)"]
    made = unit(entry(), download(DAY, file="1.csv", serial="S-1"), download(DAY + np.timedelta64(1, "D"), file="2.csv", serial="S-2"))
    assert list(made.traces) == ["A"]
    made = unit(entry(Probe("A")), download(DAY, file="1.csv", serial="S-1"), download(later, file="2.csv", serial="S-2"))
    (notice,) = [notice for notice in made.notices if notice["kind"] == "disagreement"]
    assert "'S-1' and 'S-2'" in notice["text"]


@pytest.mark.parametrize(("hours", "said"), [(1, "1 h later"), (-2, "2 h earlier"), (5.5, "5.5 h later")])
def test_a_copy_moved_by_whole_hours_is_a_clock_fault(hours, said):
    values = np.round(5 + np.sin(np.arange(288) / 20) + np.random.default_rng(1).normal(0, 0.2, 288), 1)
    moved = DAY + np.timedelta64(int(hours * 60), "m")
    made = unit(entry(clock="utc"), download(DAY, values, file="1.csv"), download(moved, values, file="2.csv"))
    (notice,) = made.notices
    assert notice["kind"] == "clock"
    assert said in notice["text"]


def test_another_years_clock_is_told():
    spans = [("2026-01-01", "2026-02-01"), ("2025-02-01", "2025-03-01"), ("2026-03-01", "2026-04-01")]
    files = [download(every(60, *span), file=f"{number}.csv", time_kind="utc") for number, span in enumerate(spans)]
    (notice,) = unit(entry(), *files).notices
    assert notice["text"].startswith("1.csv runs in 2025")
    assert "with the year 2026" in notice["text"]
    whole = [download(every(60, f"2026-{month:02d}-01", f"2026-{month:02d}-28"), file=f"{month}.csv", time_kind="utc") for month in range(1, 12)]
    assert unit(entry(), *whole).notices == ()


def test_the_clocks_and_the_readers_findings_become_notices_of_the_unit():
    found = {"kind": "unit_mixup", "start": np.datetime64("2026-03-06T00:05"), "end": DAY[-1], "readings": 288, "text": "The file says degF."}
    made = unit(entry(clock="+01:00"), download(DAY, notices=(found,)))
    (notice,) = made.notices
    assert (notice["kind"], notice["probe"], notice["start"]) == ("unit_mixup", None, pd.Timestamp("2026-03-05 23:05", tz="UTC"))
    assert notice["text"].startswith("F2.csv: ")


@pytest.mark.open_data
def test_the_machine_files_hour_told_twice_keeps_both_readings():
    """open_data README: 12 times stand twice with different values; here judged against 2 to 8 °C, so the warmer one counts."""
    frame = pd.read_csv(open_data("nab_temperature/machine_temperature_system_failure.csv"), parse_dates=["timestamp"])
    made = unit(entry(), download(frame["timestamp"].to_numpy(), frame["value"], header="value", label="value"), zone="America/New_York")
    assert len(made.conflicts) == 24
    assert sum(row["kept"] for row in made.conflicts) == 12
    night = frame[frame["timestamp"].duplicated(keep=False)].groupby("timestamp")["value"].max()
    readings = made.traces["value"].readings
    kept = {row["time"]: row["value_c"] for row in made.conflicts if row["kept"]}
    assert list(kept.values()) == night.tolist()
    assert (readings.loc[list(kept), "as_read_c"] == night.to_numpy()).all()
    assert len(readings) == 22695 - 12
    assert any("jumps back by 1 h" in notice["text"] for notice in made.notices)


def test_a_year_of_minutes_in_three_overlapping_files_costs_little_more_than_plain_pandas():
    """A ratio in one process: pandas puts the same columns together, sorts them and drops what is there twice. Alone: 0.09 s."""
    n = 525_600
    times = every(1, "2026-01-01", "2027-01-01")
    values = [np.round(5 + np.sin(np.arange(n) / 700) + offset, 2) for offset in (0.0, 0.3)]
    known = entry(Probe("A"), Probe("B"), clock="utc")
    files, frames = [], []
    for number, (a, b) in enumerate([(0, 300_000), (200_000, 450_000), (0, n)]):
        columns = wide("A (°C)", "B (°C)", times=times[a:b], values=[v[a:b] for v in values])
        files.append(clock.place(download(times[a:b], columns=columns, file=f"{number}.csv"), known, zone=ZONE))
        frames.append(pd.DataFrame({"A": values[0][a:b], "B": values[1][a:b], "line": np.arange(b - a)}, index=times[a:b]))

    def plain() -> list[pd.DataFrame]:
        both = [pd.concat([frame[[name, "line"]] for frame in frames]).sort_index(kind="stable") for name in "AB"]
        return [frame[~frame.index.duplicated()] for frame in both]

    assert len(combine.join(known, files, zone=ZONE).traces["B"].readings) == len(plain()[1]) == n
    assert timing.ratio(lambda: combine.join(known, files, zone=ZONE), plain) < 3
