"""The front page: the same figures as the results, in one order, words for verdicts, nothing that judges product."""

from __future__ import annotations

import re
from dataclasses import replace

import pandas as pd
import pytest

from coldchain_kit.register import entries
from coldchain_kit.register.people import Notify
from coldchain_kit.show import front, wording
from coldchain_kit.show.front import said
from coldchain_kit.show.front.times import Times, long
from tests.assessed import assessed

ORDER = ["Stock now", "Freezing", "What", "Units", "Lots", "Given", "Told", "Record", "Cause", "Root cause", "Open", "Limits"]


def told(case, label: str) -> str:
    return str(front.page(case).line(label))


def with_results(case, **rows):
    return replace(case, results={**case.results, **rows})


def with_site(case, **more):
    return replace(case, case=replace(case.case, site=replace(case.site, **more)))


def test_the_lines_stand_in_their_order_and_the_status_first(tmp_path):
    case = assessed(tmp_path)
    page = front.page(case)
    assert [line.label for line in page.lines] == ORDER
    assert "PRELIMINARY" in page.status and "INTERIM" in front.page(case, frozen=True).status and "CLOSED only when signed" in front.page(case, frozen=True).status
    assert str(page).index("Freezing:") < str(page).index("What:") < str(page).index(page.pictures[0].title) < str(page).index("Units:")


def test_what_how_far_how_long_and_for_whom(tmp_path):
    """Worst value, at least and at most against the row of the results."""
    case = assessed(tmp_path)
    row = case.results["excursions"][0]
    held = next(probe for probe in case.results["probes"] if probe["decides"])["outside"]["above"]
    units = told(case, "Units")
    for text in (wording.celsius(row["extreme_c"]), long(held["minutes_least"]), long(held["minutes_most"]), "one run", "inside"):
        assert text in units
    assert f"F2 above {wording.celsius(row['limit_c'])} from " in told(case, "What") and "back inside" in told(case, "What")
    assert "L-7731" in told(case, "Lots") and "no decision yet" in told(case, "Lots") and "L-7731" in told(case, "Open") and "NOT SET" in told(case, "Open")
    assert "NOT MARKED" in told(case, "Stock now") and front.page(case).line("Stock now").loud


def test_what_people_entered_takes_its_place(tmp_path):
    case = assessed(tmp_path)
    entries.append(tmp_path, who="I. Lopes", field="cause.root", new="Plug pulled <by> a cleaner")
    entries.append(tmp_path, who="I. Lopes", field="decision.L-7731", new={"outcome": "kept apart", "by": "R. Vaz", "role": "pharmacist", "time": "2026-03-08 10:00"})
    entries.append(tmp_path, who="I. Lopes", field="immediate.marked", new="Yes, at 08:50")
    page = front.page(case)
    assert "Plug pulled <by> a cleaner" in str(page.line("Root cause")) and "kept apart (by R. Vaz)" in str(page.line("Lots")) and "Marked: Yes, at 08:50." in str(page.line("Stock now"))
    assert "<by>" not in page._repr_html_() and "Decision on" not in str(page.line("Open")) and not page.line("Stock now").loud


def test_undecided_faulty_and_open_ends_are_said_in_words(tmp_path):
    case = assessed(tmp_path)
    row = {**case.results["excursions"][0], "verdict": "undecided", "faulty": True, "open_end": True, "first_back": None}
    gap = told(with_results(case, excursions=[row]), "What")
    assert "handle as an excursion" in gap and "look impossible" in gap and "then no readings" in gap and "back inside" not in gap
    still = with_results(case, excursions=[{**row, "end_latest": row["end"]}])
    assert "STILL OUT" in told(still, "What") and "STILL OUT" in told(still, "Units")


def test_runs_of_one_unit_and_side_are_one_sentence(tmp_path):
    case = assessed(tmp_path)
    first = case.results["excursions"][0]
    text = told(with_results(case, excursions=[{**first, "id": f"F2-E{n}", "degree_minutes": float(n)} for n in range(1, 8)]), "What")
    assert text.count("F2 above") == 1 and "in 7 runs" in text


def test_no_reading_outside_is_no_good_news_where_readings_are_missing(tmp_path):
    case = assessed(tmp_path, warm=False)
    assert "does not show that the product stayed inside" in told(case, "What") and "NO READING OUTSIDE" in front.page(case, frozen=True).status
    assert "no release" in told(with_results(case, probes=[{**row, "gaps": [], "unknown_minutes": 0.0} for row in case.results["probes"]]), "What")


def test_a_probe_that_does_not_decide_is_not_overlooked(tmp_path):
    case = assessed(tmp_path, warm=False)
    outside = {"above": {"minutes": 842.0, "minutes_least": 330.0, "minutes_most": 1150.0}}
    probes = [row if row["decides"] else {**row, "outside": outside} for row in case.results["probes"]]
    assert "does not decide): above the limit at least 5 h 30 min, at most 19 h 10 min" in told(with_results(case, probes=probes), "Units")


def test_more_than_eight_lots_are_counted_and_the_worst_three_told(tmp_path):
    """Cold first, then more than stated; the other lots are numbers, and annex F."""
    case = assessed(tmp_path)
    lot = case.results["lots"][0]
    many = [{**lot, "lot": f"K-{n:02d}", "possible_freezing": n == 11} for n in range(12)]
    text = told(with_results(case, lots=many), "Lots")
    assert "12 lots: 12 need a decision" in text and text.index("K-11") < text.index("K-00") and len(re.findall(r"K-\d\d,", text)) == said.WORST and "annex F" in text
    few = told(with_results(case, lots=many[:8]), "Lots")
    assert len(re.findall(r"K-\d\d,", few)) == 8


def test_a_share_of_an_allowance_is_never_a_percentage(tmp_path):
    case = assessed(tmp_path)
    assert case.results["lots"][0]["allowances"] and "%" not in told(case, "Lots") and "used" not in told(case, "Lots")


def test_possible_freezing_is_loud_and_a_shake_test_releases_nothing(tmp_path):
    case = assessed(tmp_path)
    lot = case.results["lots"][0]
    line = front.page(with_results(case, lots=[{**lot, "possible_freezing": True}])).line("Freezing")
    assert line.loud and line.told[0].startswith("POSSIBLE for L-7731") and "releases nothing" in line.told[-1]


def test_doses_given_are_asked_until_somebody_answers(tmp_path):
    case = assessed(tmp_path)
    assert "NOT ANSWERED" in told(case, "Given") and front.page(case).line("Given").loud
    entries.append(tmp_path, who="I. Lopes", field="given.doses", new="6 doses on Saturday")
    assert "6 doses on Saturday" in told(case, "Given") and "Who looks into it, and by when: NOT ANSWERED" in told(case, "Given")
    entries.append(tmp_path, who="I. Lopes", field="given.doses", new="None", why="counted again")
    assert "NOT ANSWERED" not in told(case, "Given")


def test_who_must_be_told_stands_there_with_its_hour_until_it_was_done(tmp_path):
    """Found at 08:40 and two hours: 10:40, by the contract's [[notify]] table."""
    case = with_site(assessed(tmp_path), notify=(Notify(who="The programme", hours=2.0, source="Local rule 7"),))
    case = replace(case, case=replace(case.case, found={"time": pd.Timestamp("2026-03-09T08:40:00").to_pydatetime(), "by": "R. Vaz"}))
    assert "NOT ENTERED AS TOLD: The programme within 2.0 h, by Mon 9 Mar 10:40 (Local rule 7)." in told(case, "Told")
    entries.append(tmp_path, who="I. Lopes", field="told.1", new={"who": "the  Programme", "time": "2026-03-09 09:10"})
    assert "NOT ENTERED" not in told(case, "Told") and "2026-03-09 09:10" in told(case, "Told")


@pytest.mark.parametrize("per_day, open_days, missed", [(None, None, 0), (1, None, None), (1, (), 0)])
def test_missed_checks_follow_the_sites_own_practice(tmp_path, per_day, open_days, missed):
    """Against a count of the whole local days of the window, done here day by day."""
    case = with_site(assessed(tmp_path), checks_per_day=per_day, open_days=open_days)
    zone = case.site.timezone
    seen = {row.time.tz_convert(zone).date() for row in case.logbook if row.kind == "check"}
    start, end = case.window.start.tz_convert(zone), case.window.end.tz_convert(zone)
    days = [day.date() for day in pd.date_range(start.normalize(), end.normalize(), freq="D") if day >= start and day + pd.DateOffset(days=1) <= end]
    expected = sum(day not in seen for day in days) if missed is None else missed
    from coldchain_kit.show.front import found

    assert len(found.missed_days(case)) == expected


def test_without_a_logbook_nobody_knows_whether_checks_were_made(tmp_path):
    case = with_site(assessed(tmp_path), checks_per_day=1)
    assert "no logbook was given" in told(case, "Record") and "checks missed" not in told(case, "Record")


def test_a_time_is_short_and_says_its_offset_where_that_changed():
    """31 October 2026, 26 h around the autumn change in New York (UTC-04:00 to UTC-05:00): the second 01:30 is told apart."""
    times = Times("America/New_York", "-04:00", 2026)
    assert times.short("2026-11-01T05:30:00Z") == "Sun 1 Nov 01:30" and times.short("2026-11-01T06:30:00Z") == "Sun 1 Nov 01:30 (UTC-05:00)"


def test_a_long_answer_is_cut_on_the_front_page(tmp_path):
    case = assessed(tmp_path)
    entries.append(tmp_path, who="I. Lopes", field="cause.root", new="word " * 300)
    assert len(told(case, "Root cause")) < 300 and "in full below" in told(case, "Root cause")
