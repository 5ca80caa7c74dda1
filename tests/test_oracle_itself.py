"""The oracle against small cases worked by hand from the contract, edition 2 (tests/small_cases.py)."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pytest

from tests import oracle
from tests.oracle import Allowance, Certificate, Check, Choices, Condition, Probe, Refused, Stated, Stay, overlaps
from tests.small_cases import case, download, every, excursions, minutes, moment, row, with_more

STEADY = [5.0] * 30


# --- rule 4: the interval in force, gaps, missing readings --------------------------------------------------


def interval(readings, **more):
    return oracle.assess(case(readings, **more))["sources"][0]["interval_min"]


def test_the_interval_is_the_finest_step_kept_twelve_times_in_a_row():
    # 12 steps of 5, then 40 of 20
    readings = every(5, [5.0] * 13) + every(20, [5.0] * 40, start=80)
    assert oracle.finest_kept(np.diff([at * 60 for at, _ in readings])) == 300.0
    # 11 steps of 5 among 51 are a tenth of all but not twelve: the 20 minutes rule
    readings = every(5, [5.0] * 12) + every(20, [5.0] * 40, start=75)
    assert interval(readings) == 20.0


def test_twelve_steps_and_a_tenth_of_all_need_not_be_in_a_row():
    # steps 5, 20, 5, 20, ...: 15 of each
    times = np.cumsum([0, *[5, 20] * 15]) * 60.0
    assert oracle.finest_kept(np.diff(times)) == 300.0
    # 12 steps of 5, each alone among ten of 20: twelve are no tenth of 132
    times = np.cumsum([0, *([5] + [20] * 10) * 12]) * 60.0
    assert oracle.finest_kept(np.diff(times)) == 1200.0


def test_what_is_stated_rules_where_it_is_finer():
    readings = every(15, STEADY)
    assert (interval(readings, stated=(5,)), interval(readings, stated=(30,)), interval(readings)) == (5.0, 15.0, 15.0)


def test_fewer_than_twelve_steps_and_nothing_stated():
    # 11 readings 6 minutes apart: no interval, ten gaps of 6 minutes, all of the hour unknown
    found = row(every(6, [5.0] * 11), until=60)
    assert (found["nameless"], len(found["gaps"]), found["unknown_minutes"]) == (True, 10, 60.0)
    # 5 minutes apart they are no gaps
    assert row(every(5, [5.0] * 11), until=50)["gaps"] == []
    # stated, the same readings are complete
    assert row(every(6, [5.0] * 11), until=66, stated=(6,))["gaps"] == []


def test_a_thinned_record_with_its_interval_stated():
    # every third of 5 minutes, 15 min x 20 = 300 min: bridged, two missing a step, all unknown, 5 of 15 minutes covered
    found = row(every(15, [5.0] * 21), stated=(5,), until=300)
    assert (found["gaps"], found["missing"], found["unknown_minutes"]) == ([], 40, 300.0)
    assert (found["lost_min"], found["lost_most_min"]) == (200.0, 300.0)


def test_a_coarse_stretch_gives_to_most_and_nothing_to_least():
    # 9, 9 (U = 0.5): sure by far; the line crosses 8 a quarter from 9 towards 5, 15 min x 3/4 = 11.25
    readings = every(15, [5.0] * 10 + [9.0, 9.0] + [5.0] * 10)
    found = excursions(readings, stated=(5,))[0]
    assert (found["start"], found["end"], found["open_start"]) == (150 - 3.75, 165 + 3.75, False)
    assert (found["minutes_least"], found["most_touching"]) == (0.0, 45.0)
    # nothing states 5: the record is complete at 15, the pair 9, 9 is sure
    assert excursions(readings)[0]["minutes_least"] == 15.0


def test_two_stated_steps_are_complete_each_in_its_stretch():
    readings = every(1, [5.0] * 20) + every(15, [5.0] * 14, start=34)
    found = row(readings, stated=(1, 15), until=229)
    assert (found["missing"], found["unknown_minutes"], found["lost_min"]) == (0, 0.0, 0.0)
    # one of them stated: 1 minute is in force, the stretch at 15 is unknown
    assert row(readings, stated=(1,), until=229)["unknown_minutes"] == 14 * 15.0


def test_a_gap_is_more_than_two_and_a_half_steps_or_five_minutes():
    # 10 min: a step of 20 is bridged with one missing, of 30 a gap with two missing
    readings = every(10, [5.0] * 15) + every(10, [5.0] * 15, start=160) + every(10, [5.0] * 15, start=330)
    found = row(readings, until=480)
    assert ([(minutes(a), minutes(b)) for a, b in found["gaps"]], found["missing"]) == ([(300, 330)], 3)
    # 1 min: 5 minutes are bridged, 6 are not
    readings = every(1, [5.0] * 15) + every(1, [5.0] * 15, start=19) + every(1, [5.0] * 15, start=39)
    assert [(minutes(a), minutes(b)) for a, b in row(readings)["gaps"]] == [(33, 39)]


def test_an_excursion_ends_at_a_gap_and_at_the_edge_of_the_record():
    # gap from 140 to 200; outside on both sides of it and to the end
    readings = every(10, [5.0] * 14 + [9.0]) + every(10, [9.0] * 15, start=200)
    first, second = excursions(readings)
    assert (first["open_end"], first["end"], first["end_latest"], first["first_back"]) == (True, 140, 200, None)
    assert (second["open_start"], second["start"], second["start_earliest"]) == (True, 200, 140)
    assert (second["open_end"], second["end"], second["end_latest"], second["first_back"]) == (True, 340, 340, None)
    assert len(oracle.assess(case(readings))["episodes"]) == 1


# --- rule 3: limits are inclusive, in their own unit --------------------------------------------------------


def test_a_limit_is_inside_and_judged_in_its_own_unit():
    fahrenheit = Condition(36.0, 46.0, unit="F")
    assert excursions(every(10, [5.0] * 14 + [8.0] + [5.0] * 5)) == []
    # 46 F is 7.777778 degC: 7.7 inside, 7.8 outside; 36 F is 2.222222
    assert excursions(every(10, [5.0] * 14 + [7.7, 2.3] + [5.0] * 5), condition=fahrenheit) == []
    found = excursions(every(10, [5.0] * 14 + [7.8, 5.0, 2.2] + [5.0] * 5), condition=fahrenheit)
    assert [(one["direction"], one["limit_c"]) for one in found] == [("above", 7.777778), ("below", 2.222222)]


# --- rule 6: uncertainty ------------------------------------------------------------------------------------

CLOSE = ((4.0, 4.1), (6.0, 6.3))  # corrections -0.1 and -0.3, 2.2 apart as indicated


def expanded(values, certificate, resolution=0.0, choices=None):
    found = oracle.series(
        case(every(10, values), probe=Probe("A", "buffered", None, certificate, resolution))["U"],
        Probe("A", "buffered", None, certificate, resolution),
        choices,
    )
    return found.u_exp


def test_a_display_step_is_declared_or_seen():
    plain = Certificate(0.3)
    halves = [5.0, 5.5, 4.5, 6.0] * 5
    # seen 0.5: 2 sqrt(0.15^2 + (0.25/sqrt 3)^2) = 2 sqrt(0.0225 + 0.0208333) = 0.416333
    assert expanded(halves, plain, None)[0] == pytest.approx(0.416333, abs=1e-6)
    # declared 0.1: 2 sqrt(0.0225 + 0.0025/3) = 0.305505
    assert expanded(halves, plain, 0.1)[0] == pytest.approx(0.305505, abs=1e-6)
    # no certificate: 0.5, or the step's part of 1 degC: 2 x 0.5/sqrt 3 = 0.577350
    assert (expanded(halves, None, None)[0], expanded([4.0, 5.0, 6.0, 7.0] * 4, None, None)[0]) == (
        0.5,
        pytest.approx(0.577350, abs=1e-6),
    )


def test_coverage_three_is_divided_out():
    # standard 0.3/3 = 0.1, at k = 2 0.2
    assert expanded(STEADY, Certificate(0.3, coverage=3.0))[0] == pytest.approx(0.2)


def test_away_from_the_points():
    u = expanded([5.0, 7.4, 8.5, 8.6, 20.0] * 4, Certificate(0.3, CLOSE))[:5]
    # between the points nothing is added: 0.3. Neighbouring corrections differ by 0.2: 0.2/sqrt 3 =
    # 0.115470 a spacing of 2.2
    # 7.4: 1.1 away, half a spacing: 2 sqrt(0.0225 + 0.057735^2) = 0.321455
    # 8.5: one whole spacing: 2 sqrt(0.0225 + 0.0133333) = 0.378594; no further than that
    # 8.6: 2.3/2.2 spacings: 0.120719; further, so at least 0.5; 20: at most two spacings: 2 sqrt(0.0225 +
    # 0.0533333) = 0.550757
    assert u == pytest.approx([0.3, 0.321455, 0.378594, 0.5, 0.550757], abs=1e-6)
    # the other reading: 5.0 is 0.9 from 4.1, 0.9/2.2 x 0.115470 = 0.047238; 2 sqrt(0.0225 + 0.0022314) = 0.314524
    other = expanded([5.0] * 12, Certificate(0.3, CLOSE), choices=Choices(between_points=True))
    assert other[0] == pytest.approx(0.314524, abs=1e-6)


def test_one_point_is_never_enough():
    assert expanded([5.0] * 12, Certificate(0.3, ((5.0, 5.0),)))[0] == 0.5
    assert expanded([5.0] * 12, Certificate(0.6, ((5.0, 5.0),)))[0] == pytest.approx(0.6)


def test_two_certificates_give_a_rate_of_drift():
    # corrections at 5 degC go from 0 to -0.1 in 100 days: 0.001 a day; the readings lie 59 days after the second
    first = Certificate(0.3, ((0.0, 0.0), (5.0, 5.0)), date=dt.date(2025, 9, 23))
    second = Certificate(0.3, ((0.0, 0.0), (5.0, 5.1)), date=dt.date(2026, 1, 1))
    probe = Probe("A", "buffered", None, first, 0.0, (dt.datetime(2026, 1, 1), second))
    u = oracle.series(case(every(10, [4.0] * 12), probe=probe)["U"], probe).u_exp
    # 2 sqrt(0.0225 + (0.059/sqrt 3)^2) = 2 sqrt(0.0225 + 0.00116033) = 0.307638
    assert u[0] == pytest.approx(0.307638, abs=1e-6)


def test_bounds_count_pairs():
    # U = 0.5, 10 min: 8.4 within U, 9 sure, 9 sure, 7.6 within U of the limit from inside, 5
    found = excursions(every(10, [5.0] * 13 + [8.4, 9.0, 9.0, 7.6] + [5.0] * 3))[0]
    assert (found["minutes_least"], found["most_touching"], found["most_reach"]) == (10.0, 40.0, 50.0)
    assert (found["verdict"], found["readings"]) == ("outside", 3)
    # start: 8 lies 3/3.4 of the way from 5 to 8.4; end: 1/1.4 of the way from 9 to 7.6
    assert (found["start"], found["end"]) == (pytest.approx(120 + 30 / 3.4), pytest.approx(150 + 10 / 1.4))


# --- rule 9: one-sided readings -----------------------------------------------------------------------------


def test_a_word_without_a_bound_is_outside_and_carries_no_number():
    readings = every(10, [5.0] * 14 + ["HI", "HI"] + [5.0] * 4)
    found = excursions(readings)[0]
    assert (found["start"], found["end"], found["minutes"], found["readings"]) == (140, 150, 10, 2)
    assert (found["extreme_c"], found["degree_minutes"], found["p_outside"]) == (None, None, None)
    assert (found["verdict"], found["minutes_least"], found["most_touching"]) == ("outside", 10.0, 30.0)
    probe = row(readings)
    assert (probe["mean_c"], probe["mkt_c"], probe["gaps"], probe["max_c"], probe["min_c"]) == (
        None,
        None,
        [],
        None,
        5.0,
    )


def test_a_bound_stands_for_the_value_and_is_called_one():
    # >50: the line from 5 to 50 crosses 8 at 3/45 of 10 min
    found = excursions(every(10, [5.0] * 14 + [">50"] + [5.0] * 4))[0]
    assert (found["start"], found["end"]) == (pytest.approx(130 + 10 * 3 / 45), pytest.approx(150 - 10 * 3 / 45))
    assert (found["extreme_c"], found["extreme_bound"], found["degree_minutes_bound"]) == (50.0, True, True)
    # a triangle 42 high over 2 x 10 x 42/45 minutes
    assert found["degree_minutes"] == pytest.approx(42 * 10 * 42 / 45)
    # the declared range gives HI its bound, and a number held at its end is one-sided
    for value in ("HI", 85.0):
        again = excursions(every(10, [5.0] * 14 + [value] + [5.0] * 4), range_c=(-40.0, 85.0))[0]
        assert (again["extreme_c"], again["extreme_bound"]) == (85.0, True)


def test_a_bound_inside_the_limits_is_unknown_like_a_gap():
    # >7 at 140 min: nothing known from 130 to 150
    readings = every(10, [5.0] * 14 + [">7"] + [5.0] * 5)
    found = oracle.assess(case(readings, stays=(Stay("L", moment(0), None),)))
    assert found["excursions"] == []
    assert (found["probes"][0]["unknown_minutes"], found["probes"][0]["gaps"]) == (20.0, [])
    assert "one-sided" in found["lots"][0]["reasons"]
    # beside readings outside it ends the course: 9 | >7 | 9 are two excursions
    first, second = excursions(every(10, [5.0] * 14 + [9.0, ">7", 9.0] + [5.0] * 5))
    assert (first["open_end"], first["end"], second["open_start"], second["start"]) == (True, 140, True, 160)


def test_an_allowance_beside_a_reading_without_a_bound_is_not_applicable():
    stays, allowed = (Stay("L", moment(0), None),), (Allowance("L", 8.0, 25.0, 4.0, "total"),)
    found = oracle.assess(case(every(10, [5.0] * 14 + ["HI", "HI"] + [5.0] * 4), stays=stays, allowances=allowed))[
        "lots"
    ][0]["allowances"][0]
    # 30 minutes may have been above 8, 10 were
    assert (found["applicable"], found["used_most"], found["used_least"]) == (False, 0.5, pytest.approx(1 / 6))


# --- rules 10, 11, 12 ---------------------------------------------------------------------------------------


def test_a_window_without_readings_is_refused_unless_the_case_says_why():
    silent = with_more(
        case(every(10, STEADY)), start=moment(3000), end=moment(4000), stays=(Stay("L", moment(0), None),)
    )
    with pytest.raises(Refused):
        oracle.assess(silent)
    found = oracle.assess(with_more(silent, no_readings="The logger is dead"))
    assert found["cause"]["no_readings"]
    assert "gap" in found["lots"][0]["reasons"]


def test_none_needs_95_per_cent_of_the_window():
    # readings from 0 to 290, a window of 320 (lost 20 of 320, unknown 30) and of 300 (nothing lost: the end is no gap)
    assert oracle.assess(case(every(10, STEADY), until=320))["cause"]["undetermined"]
    assert not oracle.assess(case(every(10, STEADY), until=300))["cause"]["perhaps"]


def test_interleaved_downloads_are_brought_together_by_a_shift():
    values = [5.0 + 0.1 * (k * k % 7) for k in range(40)]
    one, two = case(every(10, values))["U"], download(every(10, values[20:], start=202), "U/1.csv")
    both = with_more({"U": one}, loggers=(type(one.loggers[0])("utc", (one.files[0], two)),))["U"]
    assert [meeting.shift_s for meeting in overlaps.meetings(both, both.probes[0])] == [-120.0]
    joined = oracle.assess({"U": overlaps.together(both, overlaps.meetings(both, both.probes[0])[0])})
    assert (joined["probes"][0]["readings"], joined["conflicts"]) == (40, [])
    # other values: at odds
    other = download(every(10, [value + 0.05 for value in values[20:]], start=202), "U/1.csv")
    both = with_more({"U": one}, loggers=(type(one.loggers[0])("utc", (one.files[0], other)),))["U"]
    assert [meeting.shift_s for meeting in overlaps.meetings(both, both.probes[0])] == [None]


def test_a_reading_after_its_download_is_a_fault_of_the_clock():
    assert ("U", "clock") in oracle.assess(case(every(10, STEADY), downloaded=moment(200)))["faults"]
    assert oracle.assess(case(every(10, STEADY), downloaded=moment(300)))["faults"] == []


# --- rule 14: decisions -------------------------------------------------------------------------------------


def reasons(readings, *, may=False, **more):
    stated = {"stated": (10,)} if may else {}
    found = oracle.assess(case(readings, stays=(Stay("L", moment(0), None),), **stated, **more))["lots"][0]
    return found["may" if may else "reasons"]


def test_a_missing_reading_within_reach_of_the_limit():
    # 6 and 7 in turn: a pace of 1 an interval; from 7 to 7 over two intervals the course peaks at (7 + 7
    # + 2)/2 = 8: inside
    assert oracle.peak(7.0, 7.0, 1.0, 2) == 8.0
    many = [6.0, 7.0] * 150
    lost = [reading for k, reading in enumerate(every(10, many)) if k != 100]  # one of 300: a third of a per cent
    assert reasons(lost) == set()
    # from 7.4 to 7.4 it peaks at (14.8 + 2 x 1.4)/2 = 8.8
    many = [6.0, 7.4] * 150
    assert reasons([reading for k, reading in enumerate(every(10, many)) if k != 100]) == {"missing"}
    # far from it: 5.0 and 5.1
    many = [5.0, 5.1] * 150
    assert reasons([reading for k, reading in enumerate(every(10, many)) if k != 100], may=True) == set()


def test_one_per_cent_of_the_stay_missing():
    many = every(10, [5.0, 5.1] * 150)
    for count, expected in ((2, set()), (4, {"missing"})):
        lost = {50 * (k + 1) for k in range(count)}
        assert reasons([reading for k, reading in enumerate(many) if k not in lost]) == expected


def test_what_the_register_and_the_record_say_asks_for_a_decision():
    assert reasons(every(10, STEADY)) == set()
    assert reasons(every(15, [5.0] * 21), stated=(5,)) >= {"interval"}
    overdue = Certificate(0.3, due=dt.date(2026, 2, 1))
    assert reasons(every(10, STEADY), certificate=overdue) == {"overdue"}


def test_a_probe_said_not_to_decide_is_a_reason_where_it_left_the_limits():
    readings = every(10, [5.0] * 13 + [9.0] + [5.0] * 6)
    for decides, role, must, perhaps in ((False, "buffered", True, True), (None, "room", False, True)):
        aside = case(readings, probe=Probe("A", role, decides), stated=(10,))["U"]
        beside = Probe("B", "buffered", True, logger="LB")
        steady = download(every(10, STEADY[:20]), "U/1.csv")
        steady = type(steady)(steady.name, steady.units, ("B",), steady.lines)
        loggers = (*aside.loggers, type(aside.loggers[0])("utc", (steady,), stated=aside.loggers[0].stated, name="LB"))
        both = with_more(
            {"U": aside}, loggers=loggers, probes=(*aside.probes, beside), stays=(Stay("L", moment(0), None),)
        )
        found = oracle.assess(both)
        assert found["excursions"] == []  # only deciding probes have them
        assert ("aside" in found["lots"][0]["reasons"], "aside" in found["lots"][0]["may"]) == (must, perhaps)


def test_a_setting_states_the_interval_from_its_time_on():
    # 5 minutes to 100 min, then 15; the register says so from 100 on: complete. Said from 300 on: the
    # stretch is unknown
    readings = every(5, [5.0] * 21) + every(15, [5.0] * 15, start=115)
    for since, unknown in ((100, 0.0), (3000, 225.0)):
        one = case(readings)["U"]
        logger = type(one.loggers[0])("utc", one.loggers[0].files, stated=(Stated((5,)), Stated((15,), moment(since))))
        found = oracle.assess(with_more({"U": one}, loggers=(logger,)))
        assert found["probes"][0]["unknown_minutes"] == unknown


def test_a_stay_that_goes_on_outside_the_case():
    stays = (Stay("L", moment(0), moment(100)), Stay("L", moment(110), None, unit="X"))
    found = oracle.assess(case(every(10, STEADY), stays=stays))["lots"][0]
    assert (found["reasons"], found["elsewhere"]) == ({"moved on"}, True)


def test_earlier_hours_that_nobody_knows_are_not_zero():
    readings = every(10, [5.0] * 13 + [9.0, 9.0] + [5.0] * 5)
    allowed = (Allowance("L", 8.0, 25.0, 4.0, "total"), Allowance("L", 8.0, 25.0, 4.0, "single"))
    for earlier, bound, most in ((None, [True, False], [0.5, 0.5]), (1.5, [False, False], [2.0, 1.5])):
        stays = (Stay("L", moment(0), None, earlier),)
        found = oracle.assess(case(readings, stays=stays, allowances=allowed))["lots"][0]["allowances"]
        assert [one["used_bound"] for one in found] == bound
        assert [one["used_most"] for one in found] == pytest.approx(most)


def test_an_allowance_is_for_one_state():
    allowed = (Allowance("L", 8.0, 25.0, 4.0, "total"), Allowance("L", 8.0, 15.0, 4.0, "total", "opened"))
    for state, applicable in (("", [True, False]), ("opened", [False, True])):
        found = oracle.assess(
            case(every(10, STEADY), stays=(Stay("L", moment(0), None, 0.0, "U", state),), allowances=allowed)
        )
        assert [one["applicable"] for one in found["lots"][0]["allowances"]] == applicable


# --- excursions by the display ------------------------------------------------------------------------------


def shown(checks, readings=None):
    return oracle.assess(case(readings or every(10, STEADY), checks=checks, stays=(Stay("L", moment(0), None),)))


def test_a_displayed_maximum_outside_is_an_excursion_between_two_checks():
    found = shown((Check(moment(60), 4.0, 6.0, True), Check(moment(200), 4.0, 9.5, True)))
    one = found["displays"][0]
    assert (minutes(one["start"]), minutes(one["end"]), one["minutes_most"], one["open_start"]) == (60, 200, 140, False)
    assert (one["extreme_c"], one["verdict"], one["minutes"], one["readings"]) == (9.5, "undecided", 0.0, 0)
    assert found["lots"][0]["reasons"] == {"display"}
    assert found["cause"]["never"] == {"none"}


def test_what_was_not_reset_is_the_same_excursion():
    found = shown(
        (Check(moment(60), 1.0, 6.0, False), Check(moment(200), 1.0, 6.0, True), Check(moment(250), 1.0, 6.0, True))
    )
    # the first from the first reading on, then after the reset a new one
    spans = [(minutes(one["start"]), minutes(one["end"]), one["open_start"]) for one in found["displays"]]
    assert spans == [(0, 60, True), (200, 250, False)]


def test_readings_outside_explain_the_display():
    readings = every(10, [5.0] * 10 + [9.0] + [5.0] * 20)
    assert shown((Check(moment(150), 4.0, 9.5, True),), readings)["displays"] == []
    # after that reset the readings are inside
    late = shown((Check(moment(150), 4.0, 9.5, True), Check(moment(250), 4.0, 9.5, True)), readings)
    assert [minutes(one["start"]) for one in late["displays"]] == [150]


def test_one_reading_is_a_record():
    found = row([(30, 5.0)], until=60)
    assert (found["readings"], found["min_c"], found["mean_c"], found["nameless"]) == (1, 5.0, 5.0, True)
    assert found["unknown_minutes"] == 60.0
    assert math.isnan(oracle.series(case([(30, 5.0)])["U"], Probe("A", "buffered")).edges_s[0])
