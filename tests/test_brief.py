"""The facts in short: the same figures as the results, words for verdicts, nothing that judges product."""

from __future__ import annotations

from dataclasses import replace

from coldchain_kit.register import entries
from coldchain_kit.show import first_screen, wording
from tests.assessed import assessed


def told(case) -> dict[str, str]:
    return {row[0]: " ".join(row[1]) if isinstance(row[1], list) else str(row[1]) for row in first_screen.facts(case).rows}


def test_the_first_screen_answers_what_how_long_how_far_and_for_whom(tmp_path):
    case = assessed(tmp_path)
    rows, row = told(case), case.results["excursions"][0]
    assert row["id"] in rows["What happened"] and wording.celsius(row["limit_c"]) in rows["What happened"] and "verdict: outside" in rows["What happened"]
    held = next(probe for probe in case.results["probes"] if probe["decides"])["outside"]["above"]
    for name, word in (("minutes_least", "at least"), ("minutes_most", "at most")):
        assert f"{word} {wording.minutes(held[name])}" in rows["Time outside"]
    assert wording.celsius(row["extreme_c"]) in rows["Furthest out"] and "expanded uncertainty" in rows["Furthest out"]
    assert "L-7731" in rows["Lots that need a decision"] and "Decision on lot L-7731" in rows["Still open"]
    assert rows["Decided on product"] == "nothing yet" and rows['Stock marked "do not use"'] == "not yet answered"


def test_what_people_entered_takes_its_place(tmp_path):
    case = assessed(tmp_path)
    entries.append(tmp_path, who="I. Lopes", field="cause.root", new="Plug pulled <by> a cleaner")
    entries.append(
        tmp_path, who="I. Lopes", field="decision.L-7731", new={"outcome": "kept apart", "by": "R. Vaz", "role": "pharmacist", "time": "2026-03-08 10:00"}
    )
    rows = told(case)
    assert rows["Root cause, by the investigator"] == "Plug pulled <by> a cleaner" and "L-7731: kept apart (by R. Vaz)." in rows["Decided on product"]
    assert "<by>" not in first_screen.facts(case)._repr_html_() and "Decision on lot L-7731" not in rows["Still open"]


def test_undecided_faulty_and_open_ends_are_said_in_words(tmp_path):
    case = assessed(tmp_path)
    row = {**case.results["excursions"][0], "verdict": "undecided", "faulty": True, "open_end": True}
    text = told(replace(case, results={**case.results, "excursions": [row]}))["What happened"]
    assert "handle as an excursion" in text and "its readings look impossible" in text and "or later (no readings beyond)" in text


def test_many_excursions_are_counted_and_the_worst_told(tmp_path):
    case = assessed(tmp_path)
    first = case.results["excursions"][0]
    rows = [{**first, "id": f"F2-E{n}", "degree_minutes": float(n)} for n in range(1, 8)]
    text = told(replace(case, results={**case.results, "excursions": rows}))["What happened"]
    assert all(f"F2-E{n}:" in text for n in (5, 6, 7)) and "F2-E1:" not in text and "And 4 more" in text


def test_no_reading_outside_is_no_good_news_where_readings_are_missing(tmp_path):
    text = told(assessed(tmp_path, warm=False))["What happened"]
    assert "does not show that the product stayed inside" in text


def test_a_probe_that_does_not_decide_is_not_overlooked(tmp_path):
    case = assessed(tmp_path, warm=False)
    outside = {"above": {"minutes": 842.0, "minutes_least": 330.0, "minutes_most": 1150.0}}
    probes = [row if row["decides"] else {**row, "outside": outside} for row in case.results["probes"]]
    text = told(replace(case, results={**case.results, "probes": probes}))["Other probes, evidence only"]
    assert "at least 330 min (5 h 30 min), at most 1,150 min (19 h 10 min)" in text
