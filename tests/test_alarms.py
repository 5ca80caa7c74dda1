"""Alarm rules: published cases, the logger's own alarm, its settings, and the display against the readings."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest

from coldchain_kit import excursions
from coldchain_kit.base import KitError
from coldchain_kit.model import Trace, Unit, conditions
from coldchain_kit.quality import alarms, checks
from coldchain_kit.quality.alarms import Rule
from coldchain_kit.register import Alarm, Logger, UnitEntry
from coldchain_kit.register.logbook import LogEntry
from tests.conftest import published

ZONE = "Europe/Lisbon"
FRIDGE = conditions.get("refrigerated")
CASES = published("alarm_rule_cases.json")
RULES = {
    "HEAT": alarms.REFERENCE["heat_10_h"], "FRZE": alarms.REFERENCE["freeze_60_min"], "FRZE_strict": Rule(-0.5, "below", 60.0),
    "T1_45": alarms.REFERENCE["shipment_45"], "T1_30": alarms.REFERENCE["shipment_30"], "T1_F": alarms.REFERENCE["shipment_freeze"],
    "T2_10": alarms.REFERENCE["shipment_10"],
}  # fmt: skip


def series(values, *, start="2026-03-01", freq="5min"):
    return pd.Series(values, index=pd.date_range(start, periods=len(values), freq=freq, tz="UTC"), dtype="float64")


def entry(alarm=None, *, settings=(), kind="refrigerator", **logger):
    return UnitEntry("F2", kind, "", FRIDGE, logger=Logger(alarm=alarm, **logger), settings=settings)


def unit(values, *, events=(), **kwargs):
    return Unit("F2", {"A": Trace.of(series(values, **kwargs), probe="A")}, events=tuple(events))


def logger_alarm(this, register):
    return alarms.compare(excursions.find(this.traces["A"], FRIDGE), this, register, zone=ZONE)


@pytest.mark.parametrize("case", CASES["cases"], ids=lambda case: case["id"])
def test_published_alarm_cases(case):
    # WHO device rules, FACTS B13 READ-2 and B15 READ; alarm minutes COMPUTED
    values = [temperature for minutes, temperature in case["segments_min_temp"] for _ in range(minutes // 15)]
    data = series(values, freq="15min")
    for name, minute in case["alarm_minute"].items():
        table = alarms.replay(data, RULES[name])
        found = [(at - data.index[0]) / pd.Timedelta(minutes=1) for at in table["at"]]
        assert found == ([] if minute is None else [minute]), name


def test_a_gap_breaks_a_continuous_rule_and_counts_for_one_interval():
    data = series([9.0] * 4, freq="15min")
    far = pd.concat([data, pd.Series([9.0] * 4, index=data.index + pd.Timedelta("6h"))])
    assert alarms.replay(far, Rule(8.0, "above", 90.0)).empty
    assert alarms.replay(far, Rule(8.0, "above", 60.0))["minutes"].tolist() == [60.0, 60.0]
    assert len(alarms.replay(far, Rule(8.0, "above", 120.0, cumulative=True))) == 1
    assert alarms.replay(far, Rule(8.0, "above", 121.0, cumulative=True)).empty


def test_missing_values_and_empty_records():
    assert alarms.replay(series([]), Rule(8.0, "above")).empty
    assert alarms.replay(series([None, None]), Rule(8.0, "above")).empty
    assert len(alarms.replay(series([9.0]), Rule(8.0, "above"))) == 1
    with pytest.raises(KitError, match="above or below"):
        Rule(8.0, "up")


def test_own_alarm_sounds_once_until_back_inside():
    data = unit([5, 9, 9, 9, 5, 9, 9, 5])
    table = alarms.own(data.traces["A"], entry(Alarm(True, 2.0, 8.0, 10.0)), zone=ZONE)
    assert table["alarm"].tolist() == ["yes", "unknown"]
    # first run: outside at 5, 10, 15 min, due at 15; second: due at the instant of the first reading back inside
    assert [stamp.minute for stamp in table["due"]] == [15, 35]


def test_delay_longer_than_the_excursion_gives_no_alarm():
    assert logger_alarm(unit([5, 9, 9, 5]), entry(Alarm(True, 2.0, 8.0, 30.0))) == ["no"]


def test_alarm_off_not_known_and_limits_set_too_wide():
    data = unit([5, 9, 9, 5])
    assert logger_alarm(data, entry(Alarm(False, 2.0, 8.0, 0.0))) == ["no"]
    assert logger_alarm(data, entry(None)) == ["unknown"]
    assert logger_alarm(data, entry(Alarm(True, 2.0, 8.0, None))) == ["unknown"]
    assert logger_alarm(data, entry(Alarm(True, 2.0, 12.0, 0.0))) == ["no"]
    assert logger_alarm(data, entry(Alarm(True, 2.0, 8.0, 0.0))) == ["yes"]


def test_dated_settings_rule_as_of_each_readings_time():
    off = Logger(alarm=Alarm(False, 2.0, 8.0, 0.0))
    register = entry(Alarm(True, 2.0, 8.0, 0.0), settings=((dt.datetime(2026, 3, 1, 0, 20), off),))
    assert logger_alarm(unit([5, 9, 5, 5, 5, 5, 9, 5]), register) == ["yes", "no"]
    rows = alarms.findings(unit([5, 9, 5, 5, 5, 5, 9, 5]), register, zone=ZONE)
    assert [(row["finding"], row["since"]) for row in rows][0] == ("alarm_off", pd.Timestamp("2026-03-01 00:20", tz="UTC"))


def test_event_list_outranks_the_replay_where_it_reaches_back():
    register = entry(Alarm(True, 2.0, 8.0, 0.0))
    day = pd.Timestamp("2026-03-01", tz="UTC")
    high = {"time": day + pd.Timedelta("5min"), "kind": "alarm", "text": "High alarm", "file": "a.csv", "line": 3}
    old = {**high, "time": day - pd.Timedelta("3D")}
    late = {**high, "time": day + pd.Timedelta("2D")}
    values = [5, 9, 9, 5]
    assert logger_alarm(unit(values, events=[high]), entry(None)) == ["yes"]
    assert logger_alarm(unit(values, events=[old]), register) == ["no"]
    assert logger_alarm(unit(values, events=[late]), register) == ["yes"]  # the list may hold the latest few only (FACTS H8)
    assert logger_alarm(unit(values, events=[late]), entry(Alarm(True, 2.0, 8.0, 0.0), events_kept=50)) == ["no"]
    assert logger_alarm(unit(values, events=[{**high, "text": "Alarm acknowledged"}]), entry(None)) == ["unknown"]


def test_an_alarm_that_the_settings_call_for_and_the_event_list_lacks_is_told():
    day = pd.Timestamp("2026-03-01", tz="UTC")
    old = {"time": day - pd.Timedelta("3D"), "kind": "alarm", "text": "High alarm", "file": "a.csv", "line": 3}
    rows = alarms.findings(unit([5, 9, 9, 5], events=[old]), entry(Alarm(True, 2.0, 8.0, 0.0)), zone=ZONE)
    assert [(row["finding"], row["since"]) for row in rows[:-1]] == [("alarm_not_listed", day + pd.Timedelta("5min"))]
    heard = {**old, "time": day + pd.Timedelta("5min")}
    assert len(alarms.findings(unit([5, 9, 9, 5], events=[heard]), entry(Alarm(True, 2.0, 8.0, 0.0)), zone=ZONE)) == 1


@pytest.mark.parametrize(
    ("alarm", "found"),
    [
        (Alarm(True, -2.0, 8.0, 0.0), ["low_alarm_below_freezing"]),
        (Alarm(True, 1.0, 9.0, 0.0), ["low_alarm_too_low", "high_alarm_too_high"]),
        (Alarm(True, 36.0, 46.0, 0.0), ["unit_slip"]),
        (Alarm(True, -16.7, -13.3, 0.0), ["unit_slip"]),
        (Alarm(True, 8.0, 2.0, 0.0), ["limits_crossed"]),
        (Alarm(True, 2.0, 8.0, 120.0), ["long_delay"]),
        (Alarm(True, 2.222222, 7.777778, 0.0), []),
        (None, ["alarm_not_known"]),
        (Alarm(False, 2.0, 8.0, 0.0), ["alarm_off"]),
    ],
)
def test_findings_on_settings(alarm, found):
    rows = alarms.findings(unit([5, 5, 5]), entry(alarm), zone=ZONE)
    assert [row["finding"] for row in rows] == [*found, "last_proof"]


def test_a_freezer_may_have_a_low_alarm_below_freezing():
    register = UnitEntry("F2", "freezer", "", conditions.get("frozen"), logger=Logger(alarm=Alarm(True, -50.0, -15.0, 0.0)))
    assert [row["finding"] for row in alarms.findings(unit([-20, -20]), register, zone=ZONE)] == ["last_proof"]


def at(text, kind="check", **fields):
    return LogEntry(pd.Timestamp(text, tz="UTC"), kind, "", **fields)


def test_look_back_goes_to_the_last_proven_good_check_or_alarm_test():
    book = [at("2026-02-01", "alarm_test", line=2), at("2026-02-20", low_c=3.0, high_c=7.0, line=3), at("2026-02-25", low_c=3.0, high_c=9.0, line=4), at("2026-02-27", line=5)]
    proof = alarms.last_proof(book, unit="F2", condition=FRIDGE, before=pd.Timestamp("2026-03-01", tz="UTC"))
    assert proof.line == 3
    row = alarms.findings(unit([5, 5]), entry(), logbook=book, zone=ZONE)[-1]
    assert (row["finding"], row["since"]) == ("last_proof", proof.time)
    elsewhere = [at("2026-02-20", "alarm_test", unit="F9")]
    assert alarms.last_proof(elsewhere, unit="F2", condition=FRIDGE, before=pd.Timestamp("2026-03-01", tz="UTC")) is None


SPAN = {"start": pd.Timestamp("2026-03-01", tz="UTC"), "end": pd.Timestamp("2026-03-03", tz="UTC")}


def test_display_outside_while_readings_are_inside_is_undecided():
    book = [at("2026-03-01 08:00", low_c=3.0, high_c=7.0, line=2, reset=True), at("2026-03-02 08:00", low_c=3.9, high_c=9.4, line=3)]
    rows = checks.checks(book, unit([4.0, 6.0, 5.0] * 200), entry(), **SPAN)
    undecided = [row for row in rows if row["verdict"] == "undecided"]
    assert [(row["direction"], row["start"], row["end"], row["displayed_c"], row["readings_c"]) for row in undecided] == [
        ("above", book[0].time, book[1].time, 9.4, 6.0),
    ]  # fmt: skip


def test_display_outside_that_the_readings_show_too_is_no_row():
    book = [at("2026-03-01 08:00", low_c=4.0, high_c=6.0), at("2026-03-02 08:00", low_c=4.0, high_c=9.4)]
    data = unit([4.0, 6.0, 5.0] * 50 + [9.3] * 3 + [4.0, 6.0, 5.0] * 150)
    assert checks.checks(book, data, entry(), **SPAN) == []


def test_a_check_that_did_not_reset_the_display_starts_no_new_period():
    first = at("2026-03-01 08:00", low_c=4.0, high_c=6.0, reset=True)
    book = [first, at("2026-03-01 16:00", low_c=4.0, high_c=6.0, reset=False), at("2026-03-02 08:00", low_c=1.0, high_c=6.0)]
    rows = checks.checks(book, unit([4.0, 6.0, 5.0] * 200), entry(), **SPAN)
    assert [(row["direction"], row["verdict"], row["start"]) for row in rows] == [("below", "undecided", first.time)]


def test_display_without_readings_is_undecided_and_far_apart_values_differ():
    book = [at("2026-02-27 08:00", low_c=3.0, high_c=9.0)]
    span = {"start": pd.Timestamp("2026-02-01", tz="UTC"), "end": SPAN["end"]}
    rows = checks.checks(book, unit([5.0] * 10), entry(), **span)
    assert [(row["verdict"], row["readings_c"]) for row in rows] == [("undecided", None)]
    later = [at("2026-03-01 00:10", low_c=2.5, high_c=5.0), at("2026-03-01 00:40", low_c=2.5, high_c=5.0)]
    rows = checks.checks(later, unit([5.0] * 10), entry(), **SPAN)
    assert [(row["verdict"], row["line"], row["direction"]) for row in rows] == [("differs", 0, "below")]
    assert rows[0]["start"] == later[0].time  # the first one's display counted since nobody knows when
