"""Excursions by the display: what a check showed outside while the readings were inside (CONTRACTS, logbook.csv)."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldchain_kit import assessment
from coldchain_kit.assessment import results
from coldchain_kit.model import Trace, Unit, conditions
from coldchain_kit.quality import checks
from coldchain_kit.register import LogEntry
from coldchain_kit.show import enquiry, front, narrative, preliminary, tables
from tests import sites

FRIDGE = conditions.get("refrigerated")
START = pd.Timestamp("2026-03-01T00:00:00Z")
NULL = ("probe", "first_out", "last_out", "first_back", "extreme_time", "p_outside", "degree_minutes")
HEAD = "time,kind,text,low_c,high_c,reset\n"
STOCK = "lot,product,quantity,moved_in,moved_out,earlier_out_hours\n"


def steady(hours: int = 96, value: float = 5.0) -> list[tuple[str, float]]:
    first = dt.datetime(2026, 3, 1)
    return [((first + dt.timedelta(minutes=10 * k)).isoformat(), value + 0.1 * (k % 3)) for k in range(hours * 6)]


def found(tmp_path, book: list[str], *, rows=None, papers=None, case="", unit="[units.U.logger]\ninterval_min = 10\n"):
    download = sites.series(tmp_path, steady() if rows is None else rows)
    lines = "".join(f"2026-{line}\n" for line in book)
    return assessment.assess(sites.write(tmp_path, [download], unit=unit, case=case, papers={"logbook.csv": HEAD + lines, **(papers or {})}))


def of_display(result: dict) -> list[dict]:
    return [row for row in result["excursions"] if row["basis"] == "display"]


def test_a_displayed_maximum_outside_is_an_excursion_between_two_checks(tmp_path):
    case = found(tmp_path, ["03-01T09:00,check,,4.0,6.0,yes", "03-02T09:00,check,,4.0,9.5,yes"])
    (row,) = of_display(case.results)
    assert [row[key] for key in NULL] == [None] * len(NULL)
    assert (row["start"], row["end"]) == (row["start_earliest"], row["end_latest"]) == ("2026-03-01T09:00:00Z", "2026-03-02T09:00:00Z")
    assert (row["minutes"], row["minutes_least"], row["minutes_most"], row["readings"]) == (0, 0, 1440, 0)
    assert (row["id"], row["direction"], row["limit_c"], row["extreme_c"], row["verdict"], row["open_start"]) == ("U-E1", "above", 8.0, 9.5, "undecided", False)
    assert case.results["cause"]["cause"] == "undetermined" and [one["excursions"] for one in case.results["episodes"]] == [["U-E1"]]
    assert results.faults(case.results) == []


@pytest.mark.parametrize(
    ("second", "third", "ends"),
    [
        ("9.5,no", "9.5,yes", ["02T09"]),  # not reset, the same figure: the same excursion
        ("9.5,no", "9.9,yes", ["02T09", "03T09"]),  # not reset, but more: something new
        ("9.5,yes", "9.5,yes", ["02T09", "03T09"]),  # reset: it happened again
        ("9.5,", "9.5,", ["02T09", "03T09"]),  # nobody says whether it was reset: both stand
        ("6.0,yes", "6.0,yes", []),
    ],
)
def test_what_was_not_reset_and_shows_the_same_figure_is_the_same_excursion(tmp_path, second, third, ends):
    book = ["03-01T09:00,check,,4.0,6.0,yes", f"03-02T09:00,check,,4.0,{second}", f"03-03T09:00,check,,4.0,{third}"]
    assert [row["end"][8:13] for row in of_display(found(tmp_path, book).results)] == ends


def test_readings_outside_explain_the_display_and_ids_number_on(tmp_path):
    rows = [(time, 9.4 if "03-01T20:00" <= time[5:] < "03-01T22:00" else value) for time, value in steady()]
    book = ["03-01T09:00,check,,4.0,6.0,yes", "03-02T09:00,check,,4.0,9.5,yes", "03-03T09:00,check,,1.0,6.0,yes"]
    case = found(tmp_path, book, rows=rows)
    assert [(row["id"], row["basis"], row["direction"]) for row in case.results["excursions"]] == [("U-E1", "both", "above"), ("U-E2", "display", "below")]
    assert case.results["cause"]["cause"] == case.results["episodes"][0]["causes"][0]["cause"] != "none"  # of the episode that readings show


def test_without_a_reset_before_it_reaches_back_to_the_first_reading(tmp_path):
    (row,) = of_display(found(tmp_path, ["03-02T09:00,check,,4.0,9.5,yes"]).results)
    assert (row["start"], row["open_start"], row["minutes_most"]) == ("2026-03-01T00:00:00Z", True, 33 * 60)


def test_one_within_two_hours_of_another_excursion_joins_its_episode(tmp_path):
    rows = [(time, 9.4 if "03-01T07:00" <= time[5:] < "03-01T08:30" else value) for time, value in steady()]
    book = ["03-01T09:00,check,,4.0,9.5,yes", "03-02T09:00,check,,4.0,9.5,yes"]
    case = found(tmp_path, book, rows=rows)
    assert [one["excursions"] for one in case.results["episodes"]] == [["U-E1", "U-E2"]]
    assert found(tmp_path / "apart", book, rows=rows, case="join_min = 20\n").results["episodes"][1]["excursions"] == ["U-E2"]


def test_it_asks_for_a_decision_counts_as_used_and_may_have_frozen(tmp_path):
    papers = {
        "stock.csv": STOCK + "L,Example,1,2026-03-01T00:00,,0\nLATE,Example,1,2026-03-03T00:00,,0\n",
        "allowances.csv": "lot,from_c,to_c,hours,counting,source\nL,8,25,10,total,Letter\nL,8,9,10,total,Letter\n",
    }
    case = found(tmp_path, ["03-01T09:00,check,,4.0,6.0,yes", "03-02T09:00,check,,0.4,9.5,yes"], papers=papers)
    lot, late = case.results["lots"]
    assert lot["needs_decision"] and any("outside by the display (9.5 °C" in said for said in lot["why"]) and lot["possible_freezing"]
    assert not late["needs_decision"] and late["possible_freezing"] is False
    wide, narrow = lot["allowances"]
    assert (wide["used_least"], wide["used_most"], wide["more_than_stated"]) == (0, 24, "may_be")
    assert not narrow["applicable"] and "showed 9.5 °C" in narrow["why"]
    assert lot["outside"]["above"]["minutes_most"] == 1440 and lot["outside"]["above"]["minutes_least"] == 0
    assert [one["excursions"] for one in lot["exposures"] if one["probe"] is None] == [["U-E1"], ["U-E2"]]


def test_every_screen_says_that_the_time_is_not_known(tmp_path):
    papers = {"stock.csv": STOCK + "L,Example,1,2026-03-01T00:00,,0\n"}
    case = found(tmp_path, ["03-01T09:00,check,,4.0,6.0,yes", "03-02T09:00,check,,4.0,9.5,yes"], papers=papers)
    said = "outside by the display, time not known"
    for screen in (front.page(case), tables.excursions(case), tables.exposures(case), " ".join(narrative.sentences(case)["happened"]), preliminary.html(case)):
        assert said in str(screen)
    assert "by the display" in str(enquiry.sheets(case.results)) and "No reading" not in str(front.page(case).line("What")).replace("No reading shows it", "")


def test_frozen_stock_without_a_low_limit_is_watched_by_the_display_as_well(tmp_path):
    papers = {"stock.csv": STOCK.replace("\n", ",condition\n") + "L,Example,1,2026-03-01T00:00,,0,not_above_25\n"}
    case = found(tmp_path, ["03-01T09:00,check,,4.0,6.0,yes", "03-02T09:00,check,,-0.5,6.0,yes"], papers=papers)
    assert case.results["lots"][0]["possible_freezing"] and "by the display" in " ".join(case.results["lots"][0]["why"])


BOOK = st.lists(st.tuples(st.integers(0, 95), st.sampled_from([5.0, 7.9, 8.0, 8.1, 9.5, 12.0]), st.sampled_from([True, False, None])), min_size=1, max_size=8)


@settings(deadline=None, max_examples=60)
@given(BOOK)
def test_less_said_of_resets_never_makes_an_excursion_smaller(book):
    index = pd.date_range(START, periods=96, freq="1h")
    unit = Unit("F2", {"A": Trace.of(pd.Series(5.0, index=index), u_c=0.25)})
    entries = [LogEntry(index[hour], "check", "", high_c=high, reset=reset, line=2 + k) for k, (hour, high, reset) in enumerate(sorted(book, key=lambda one: one[0]))]
    silent = [LogEntry(one.time, "check", "", high_c=one.high_c, reset=None if one.reset else one.reset, line=one.line) for one in entries]
    said, unsaid = ({row["logbook_line"]: row for row in checks.displays(rows, unit, FRIDGE, start=START, end=index[-1])} for rows in (entries, silent))
    assert said.keys() <= unsaid.keys() and all(unsaid[line]["minutes_most"] >= row["minutes_most"] for line, row in said.items())
    assert all(row["extreme_c"] > 8 and row["minutes_least"] == 0 for row in unsaid.values())


@pytest.mark.parametrize("kind", ["check", "note", "alarm", "download", "call"])
def test_a_figure_in_a_line_of_any_kind_is_a_figure(tmp_path, kind):
    """The word in the column "kind" does not decide whether a displayed maximum outside is seen."""
    papers = {"stock.csv": STOCK + "L,Example,1,2026-03-01T00:00,,0\n"}
    case = found(tmp_path, ["03-01T09:00,check,,4.0,6.0,yes", f"03-02T09:00,{kind},,4.0,9.5,yes"], papers=papers)
    (row,) = case.results["excursions"]
    assert (row["basis"], row["extreme_c"], row["logbook_line"]) == ("display", 9.5, 3) and case.results["lots"][0]["needs_decision"]
