"""Charts: every extreme is drawn, gaps stay open, times stand in the site's zone, and words stand beside every colour."""

from __future__ import annotations

import csv
import io
import json
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from coldchain_kit.model import Probe, Trace
from coldchain_kit.register.logbook import LogEntry
from coldchain_kit.show import charts, wording
from coldchain_kit.show.charts import common, drawing, layers
from coldchain_kit.show.charts.drawing import Clock, Drawing, Gallery
from tests import timing
from tests.assessed import assessed

ALL = ("overview", "episodes", "flags", "causes", "cycles", "channels", "month")


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    return with_door(assessed(tmp_path_factory.mktemp("case")))


def with_door(assessment):
    """The same with a door channel and a room's trace."""
    unit = assessment.units["F2"]
    index = unit.traces["A"].readings.index
    door = pd.Series((np.arange(len(index)) % 200 < 3).astype(float), index=index)
    door.attrs["kind"] = "door"
    room = Trace.of(pd.Series(21.0, index=index), probe=Probe("R", "room", False))
    return replace(assessment, units={"F2": replace(unit, channels={"Door": door})}, room=room)


@pytest.fixture(scope="module")
def pictures(case) -> dict[str, list[Drawing]]:
    """Every chart of the case, drawn once."""
    return {name: drawn(getattr(charts, name)(case)) for name in ALL}


def drawn(found) -> list[Drawing]:
    return [found] if isinstance(found, Drawing) else list(found)


def inline(spec: dict) -> list[dict]:
    """Every row of the data that a spec carries, as texts."""
    texts = [held for held in spec["datasets"].values() if isinstance(held, str)]
    return [row for text in texts for row in csv.DictReader(io.StringIO(text))]


def test_the_highest_and_lowest_reading_of_a_year_of_minutes_are_drawn():
    times = pd.date_range("2026-01-01", periods=525_600, freq="min", tz="UTC")
    rng = np.random.default_rng(3)
    values = pd.Series(5 + rng.normal(0, 0.3, len(times)), index=times)
    spikes = rng.choice(len(times), 6, replace=False)
    values.iloc[spikes[:3]], values.iloc[spikes[3:]] = [31.0, 32.0, 33.0], [-7.0, -8.0, -9.0]
    kept = drawing.reduce(values, gap=np.zeros(len(times) - 1, bool), width_px=700)
    assert timing.seconds(lambda: drawing.reduce(values, gap=np.zeros(len(times) - 1, bool), width_px=700), runs=3) < 0.5
    assert len(kept) <= 4 * 700
    assert (kept["celsius"].max(), kept["celsius"].min()) == (33.0, -9.0)
    # min and max of every bucket survive: compare with a plain pandas group-by over the same columns of time
    us = times.as_unit("us").asi8
    bucket = (us - us[0]) * 700 // (us[-1] - us[0] + 1)
    want = values.groupby(bucket).agg(["min", "max"])
    kept_us = kept.index.as_unit("us").asi8
    have = kept["celsius"].groupby((kept_us - us[0]) * 700 // (us[-1] - us[0] + 1)).agg(["min", "max"])
    assert np.array_equal(want.to_numpy(), have.to_numpy())


def test_a_line_is_broken_at_a_gap_and_never_bridged():
    times = pd.date_range("2026-01-01", periods=40_000, freq="min", tz="UTC")
    values = pd.Series(5.0, index=times).drop(times[10_000:10_300])
    gap = np.diff(values.index.asi8) > 5 * 60e6
    kept = drawing.reduce(values, gap=gap, width_px=100)
    runs = kept.groupby("run")
    assert runs.ngroups == 2
    assert runs.get_group(0).index[-1] == times[9_999] and runs.get_group(1).index[0] == times[10_300]


def test_a_window_shown_in_full_keeps_every_reading():
    times = pd.date_range("2026-01-01", periods=100_000, freq="min", tz="UTC")
    values = pd.Series(np.arange(100_000) % 7.0, index=times)
    window = (times[50_000], times[50_100])
    kept = drawing.reduce(values, gap=np.zeros(99_999, bool), width_px=100, full=(window,))
    assert ((kept.index >= window[0]) & (kept.index <= window[1])).sum() == 101


@pytest.mark.parametrize("count", [0, 1, 2])
def test_few_readings_are_drawn_as_they_are(count):
    times = pd.date_range("2026-01-01", periods=3, freq="min", tz="UTC")
    values = pd.Series([5.0] * count + [np.nan] * (3 - count), index=times)
    kept = drawing.reduce(values, gap=np.zeros(max(count - 1, 0), bool))
    assert kept["celsius"].tolist() == [5.0] * count


@pytest.mark.parametrize(
    ("zone", "instant", "shown"),
    [("Europe/Lisbon", "2026-07-01T12:00Z", "13:00"), ("America/New_York", "2026-01-01T12:00Z", "07:00"), ("Asia/Kathmandu", "2026-01-01T12:00Z", "17:45")],
)
def test_the_axis_is_the_sites_wall_clock(zone, instant, shown):
    at = pd.Timestamp(instant)
    clock = Clock.of(at - pd.Timedelta("1h"), at + pd.Timedelta("1h"), zone)
    assert pd.Timestamp(clock.ms(at), unit="ms").strftime("%H:%M") == shown
    assert clock.ms(pd.DatetimeIndex([at]))[0] == clock.ms(at)
    assert zone in clock.title and "UTC" in clock.title


def test_a_clock_change_moves_the_labels_and_never_draws_an_hour_twice():
    # Europe/Berlin leaves summer time on 2026-10-25 at 01:00 UTC (FACTS G6, computed with tzdata 2026f)
    start, end = pd.Timestamp("2026-10-24T22:00Z"), pd.Timestamp("2026-10-25T06:00Z")
    clock = Clock.of(start, end, "Europe/Berlin")
    assert [(str(at), seconds) for at, seconds in clock.changes] == [("2026-10-25 01:00:00+00:00", -3600)]
    times = pd.date_range(start, end, freq="5min")
    assert (np.diff(clock.ms(times)) == 300_000).all()
    assert "from 25 Oct 02:00 UTC+01:00" in clock.title
    assert f"{clock.ms(pd.Timestamp('2026-10-25T01:00Z'))}" in clock.axis().to_dict()["labelExpr"]


@pytest.mark.parametrize("name", ALL)
def test_every_chart_has_a_title_words_and_the_zone(pictures, name):
    for one in pictures[name]:
        root = ET.fromstring(one.svg)
        ids = {element.get("id"): element for element in root.iter() if element.get("id")}
        title, words = (ids[name].text for name in root.get("aria-labelledby").split())
        assert root.get("role") == "img" and title == one.title and words == one.description and len(words) > 40
        assert "DEMONSTRATION" in title and "DEMONSTRATION: not a real case" in one.svg
        if name != "month":
            assert "Time in Europe/Lisbon, UTC+00:00" in one.svg
        bundle = one._repr_mimebundle_()
        assert set(bundle) == {"application/vnd.vegalite.v5+json", "image/svg+xml", "text/plain"}
        assert "/v5.json" in bundle["application/vnd.vegalite.v5+json"]["$schema"]
        assert one.description in bundle["text/plain"]
        json.dumps(bundle, allow_nan=False)


@pytest.mark.parametrize("name", ALL)
def test_a_chart_asks_for_nothing_from_outside(pictures, name):
    for one in pictures[name]:
        text = one.svg.replace('xmlns="http://www.w3.org/2000/svg"', "").replace('xmlns:xlink="http://www.w3.org/1999/xlink"', "")
        assert "http" not in text and "<script" not in text and "<image" not in text


def test_same_assessment_same_bytes(pictures, tmp_path):
    again = with_door(assessed(tmp_path))
    for name in ALL:
        first, second = ([(one.svg, json.dumps(one.spec)) for one in found] for found in (pictures[name], drawn(getattr(charts, name)(again))))
        assert first == second and first, name


def test_an_exercise_is_marked_and_a_real_site_is_not(tmp_path, case):
    for extra, word in (({"exercise": True, "demonstration": True}, "EXERCISE"), ({}, "")):
        site = replace(case.case.site, extra=extra)
        assert charts.banner(replace(case, case=replace(case.case, site=site))) == word
    plain = drawn(charts.overview(replace(case, case=replace(case.case, site=replace(case.case.site, extra={})))))[0]
    assert "DEMONSTRATION" not in plain.svg and plain.title == "Unit F2: all probes, corrected"


def test_excursions_gaps_and_odd_readings_are_shaded_marked_and_named(pictures):
    svg = pictures["overview"][0].svg
    for words in ("excursion above the limit", "no readings", "readings at odds", "high limit 8 °C", "low limit 2 °C", "E1"):
        assert words in svg
    assert "stroke-dasharray" in svg


def test_the_peak_stands_at_its_hour_and_value(case):
    """A changed reading changes the drawing at that hour."""
    trace = case.units["F2"].traces["A"]
    at = pd.Timestamp("2026-03-08T14:35Z")
    readings = trace.readings.copy()
    readings.loc[at, "celsius"] = 9.87
    unit = replace(case.units["F2"], traces={**case.units["F2"].traces, "A": replace(trace, readings=readings)})
    before, after = (inline(drawn(charts.overview(one))[0].spec) for one in (case, replace(case, units={"F2": unit})))
    new = [row for row in after if row not in before]
    assert [(float(row["t"]), float(row["c"])) for row in new if row.get("c") == "9.87"] == [(at.timestamp() * 1000, 9.87)]


def test_an_undecided_excursion_is_shaded_in_words_of_its_own(case):
    results = {**case.results, "excursions": [{**case.results["excursions"][0], "verdict": "undecided"}]}
    assert "above, within the uncertainty" in drawn(charts.overview(replace(case, results=results)))[0].svg


def test_limits_in_fahrenheit_keep_their_unit(case):
    from coldchain_kit.model.conditions import Condition

    local = Condition("local", "Local", 36.0, 46.0, unit="F")
    assert layers.limit_words(local, "above") == "high limit 46 °F = 7.78 °C"  # FACTS B30, computed: 46 °F = 7.78 °C
    assert layers.limit_words(local, "below") == "low limit 36 °F = 2.22 °C"


def test_a_limit_far_off_is_named_and_does_not_flatten_the_readings():
    from coldchain_kit.model import conditions

    frozen = conditions.get("frozen")  # -50 to -15 °C
    y = layers.y_axis([{"c": -22.0}, {"c": -19.0}], frozen)
    assert y["scale"]["domain"][0] > -30 and y["scale"]["domain"][1] > -15
    texts = [row["label"] for row in inline(drawing.finish(layers.limits(frozen, y), title="t", description="d").spec)]
    assert set(texts) == {"high limit -15 °C", "low limit -50 °C, off this picture"}


def test_two_limits_off_one_edge_are_told_apart():
    from coldchain_kit.model import conditions

    y = layers.y_axis([{"c": 21.0}, {"c": 22.0}], conditions.get("frozen"))
    spec = drawing.finish(layers.limits(conditions.get("frozen"), y), title="t", description="d").spec
    assert sorted(layer["mark"]["dy"] for layer in spec["layer"]) == [-16, -2]
    assert {row["label"] for row in inline(spec)} == {"high limit -15 °C, off this picture", "low limit -50 °C, off this picture"}


def test_ids_above_shaded_stretches_do_not_run_into_each_other():
    clock = Clock.of(pd.Timestamp("2026-03-01T00:00Z"), pd.Timestamp("2026-03-02T00:00Z"), "Europe/Lisbon")
    spans = [
        {"start": clock.start + pd.Timedelta(minutes=20 * n), "end": clock.start + pd.Timedelta(minutes=20 * n + 10), "kind": "no readings", "label": f"E{n}"} for n in range(70)
    ]
    shown = [float(row["t"]) for row in inline(drawing.finish(layers.shade(spans, clock), title="t", description="d").spec) if "t2" not in row]
    assert 5 < len(shown) < 15 and min(np.diff(shown)) >= 86_400_000 * layers.LABEL_PX // drawing.WIDTH_PX


def test_of_many_episodes_the_worst_are_drawn_and_the_rest_counted(case):
    one, episode = case.results["excursions"][0], case.results["episodes"][0]
    many = {
        "excursions": [{**one, "id": f"E{n}", "degree_minutes": float(n % 7)} for n in range(9)],
        "episodes": [{**episode, "id": f"P{n}", "excursions": [f"E{n}"]} for n in range(9)],
    }
    assessment = replace(case, results={**case.results, **many})
    assert common.worst_episodes(assessment, 3) == (["P4", "P5", "P6"], "Drawn are the 3 episodes with the most degree-minutes; 6 more stand in the table of episodes.")
    assert common.worst_episodes(case) == (["EP1"], "")


def test_nothing_to_draw_is_said_in_words(tmp_path):
    clean = assessed(tmp_path, warm=False, gap=False)
    for name in ("episodes", "causes", "cycles", "channels"):
        found = getattr(charts, name)(clean)
        assert isinstance(found, Gallery) and not found and found.empty.endswith(".")
    assert "No excursion was found in the readings that are there" in drawn(charts.overview(clean))[0].description


def test_days_without_readings_are_named_in_the_month(case):
    trace = case.units["F2"].traces["A"]
    kept = (trace.readings.index < pd.Timestamp("2026-03-04T00:00Z")) | (trace.readings.index >= pd.Timestamp("2026-03-05T00:00Z"))
    cut = replace(trace, readings=trace.readings[kept], flags=trace.flags[kept])
    unit = replace(case.units["F2"], traces={"A": cut})
    found = drawn(charts.month(replace(case, units={"F2": unit})))[0]
    assert "Days without readings: 2026-03-04." in found.description and "no readings" in found.svg
    assert "Days with an excursion: 2026-03-06 and 2026-03-07." in found.description


def test_a_local_day_of_a_clock_change_is_one_day():
    times = pd.date_range("2026-03-28T00:00Z", "2026-03-31T00:00Z", freq="5min")
    trace = Trace.of(pd.Series(5.0, index=times))
    table = charts.daily(trace, "Europe/Berlin", start=pd.Timestamp("2026-03-27T23:00Z"), end=pd.Timestamp("2026-03-29T22:00Z"))
    # Berlin 2026-03-29 has 23 h = 276 rows at 5 min (FACTS G6)
    assert table["day"].tolist() == ["2026-03-28", "2026-03-29"] and table["readings"].tolist() == [276, 276]


def test_the_fitted_course_finds_the_time_constant_it_was_made_with():
    minutes = np.arange(0, 600, 5.0)
    values = np.where(minutes < 240, 5.0, 22 - 17 * np.exp(-(minutes - 240) / 180.0))
    index = pd.Timestamp("2026-03-01", tz="UTC") + pd.to_timedelta(minutes, unit="min")
    trace = Trace.of(pd.Series(values, index=index))
    course, words = charts.fitted(trace, start=index[48], peak=index[-1])
    assert "time constant 180 min (3 h)" in words and "towards 22.0 °C" in words
    assert course.iloc[-1] == pytest.approx(values[-1], abs=1e-3)
    assert charts.fitted(trace, start=index[-3], peak=index[-1]) is None


def test_half_a_million_readings_draw_fast(case):
    times = pd.date_range("2026-01-01", periods=525_600, freq="min", tz="UTC")
    trace = Trace.of(pd.Series(5 + np.sin(np.arange(525_600) / 9), index=times))
    clock = Clock.of(times[0], times[-1], "Europe/Lisbon")
    assert len(layers.line_rows(trace, clock, name="A")) <= 2800
    assert timing.seconds(lambda: layers.line_rows(trace, clock, name="A"), runs=3) < 1.0


def test_text_of_people_is_text_in_the_picture(case):
    units = {"F2": replace(case.units["F2"], traces={"A": replace(case.units["F2"].traces["A"], probe=replace(case.units["F2"].traces["A"].probe, name="A<script>&"))})}
    svg = drawn(charts.overview(replace(case, units=units)))[0].svg
    assert "<script>" not in svg
    ET.fromstring(svg)


def test_what_the_logbook_says_is_marked_on_the_episode_at_its_local_time(case):
    row = case.results["episodes"][0]
    start = pd.Timestamp(row["start"])
    book = (
        LogEntry(start, "power", "mains off", until=start + pd.Timedelta(hours=1)),
        LogEntry(start, "door", "of another unit", unit="F9"),
        LogEntry(start + pd.Timedelta(days=30), "note", "long after"),
    )
    found = charts.episode(replace(case, logbook=book), row["id"])
    local = [wording.local(at, case.site.timezone).strftime("%H:%M") for at in (start, start + pd.Timedelta(hours=1))]
    assert f"Marked from the logbook: power cut from {local[0]}, as written and power cut until {local[1]}, as written." in found.description
    assert f"power cut from {local[0]}" in found.svg and "logbook: door" not in found.svg and "logbook: note" not in found.svg
    assert "logbook" not in charts.episode(case, row["id"]).description
