"""Proposed text: from the numbers only, each figure in one sentence, units and zone beside every figure."""

from __future__ import annotations

import copy
import re
from dataclasses import replace

import pandas as pd
import pytest

from coldchain_kit.show import narrative
from tests.assessed import assessed

FIGURE = re.compile(r"\d[\d,.]*\d|\d")


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    return assessed(tmp_path_factory.mktemp("case"))


def told(assessment) -> list[str]:
    return [sentence for part in narrative.sentences(assessment).values() for sentence in part]


def changed(assessment, path: tuple, value):
    results = copy.deepcopy(assessment.results)
    held = results
    for key in path[:-1]:
        held = held[key]
    assert held[path[-1]] != value
    held[path[-1]] = value
    return replace(assessment, results=results)


@pytest.mark.parametrize(
    ("path", "value", "shown"),
    [
        (("excursions", 0, "extreme_c"), 12.75, "12.75 °C"),
        (("excursions", 0, "minutes"), 77.0, "77 min"),
        (("excursions", 0, "minutes_least"), 71.0, "71 min"),
        (("excursions", 0, "minutes_most"), 83.0, "83 min"),
        (("excursions", 0, "degree_minutes"), 456.5, "456 °C·min"),
        (("excursions", 0, "start"), "2026-03-06T17:31:00Z", "17:31 (Europe/Lisbon, UTC+00:00)"),
        (("excursions", 0, "end"), "2026-03-07T01:59:00Z", "01:59 (Europe/Lisbon, UTC+00:00)"),
        (("excursions", 0, "extreme_time"), "2026-03-06T22:22:00Z", "22:22 (Europe/Lisbon, UTC+00:00)"),
        (("excursions", 0, "limit_c"), 7.5, "7.5 °C"),
        (("excursions", 0, "verdict"), "undecided", "handle as an excursion"),
        (("episodes", 0, "causes", 0, "support"), 0.66, "0.66"),
        (("episodes", 0, "causes", 1, "cause"), "door_open", "door open"),
        (("sources", 0, "rows"), 9999, "9,999 data lines"),
        (("probes", 0, "gaps"), [{"start": "2026-03-04T03:00:00Z", "end": "2026-03-04T03:47:00Z", "minutes": 47.0}], "47 min"),
        (("lots", 0, "possible_freezing"), True, "Possible freezing"),
    ],
)
def test_a_changed_figure_changes_the_one_sentence_that_speaks_of_it(case, path, value, shown):
    before, after = told(case), told(changed(case, path, value))
    new = [sentence for sentence in after if sentence not in before]
    assert len(new) == 1 and shown in new[0]
    assert len([sentence for sentence in before if sentence not in after]) <= 1


def moved(value):
    """The results of another case: every number other, every time on another day, hour and minute, every name without its digits."""
    if isinstance(value, dict):
        return {key: moved(held) for key, held in value.items()}
    if isinstance(value, list):
        return [moved(held) for held in value]
    if isinstance(value, bool) or value is None:
        return value
    if isinstance(value, (int, float)):
        return value * 4.3 + 1913.7 if isinstance(value, float) else value * 3 + 77
    if re.fullmatch(r"\d{4}-\d\d-\d\dT[\d:.]+Z", value):
        return f"{pd.Timestamp(value).tz_localize(None) + pd.Timedelta('511 days 05:37:00'):%Y-%m-%dT%H:%M:%S}Z"
    return re.sub(r"\d", "x", value)


def test_two_cases_share_no_number(case):
    results = moved(case.results)
    results["conflicts"] = results["conflicts"] * 47
    other_case = replace(case.case, id="X", title="Y", found=None, site=replace(case.site, timezone="Asia/Kathmandu"))
    other = replace(case, case=other_case, results=results)
    # "(5 h 44 min)" repeats the minutes before it in hours and days: small whole numbers that any two durations may share
    bare = [re.sub(r"\((\d+ (d|h|min) ?)+\)", "", " ".join(told(one))) for one in (case, other)]
    assert set(FIGURE.findall(bare[0])) & set(FIGURE.findall(bare[1])) == set()


def test_static_words_hold_no_figure(tmp_path):
    clean = assessed(tmp_path, warm=False, gap=False)
    for name in ("happened", "how_bad", "why", "lots", "conclusion"):
        text = " ".join(narrative.sentences(clean)[name]).replace("L-7731", "")
        assert not FIGURE.search(text), text


def test_temperatures_durations_and_times_carry_their_unit_and_zone(case):
    parts = narrative.sentences(case)
    for sentence in parts["how_bad"]:
        assert re.search(r"\d (°C|min|°C·min)", sentence), sentence
    for sentence in parts["happened"] + parts["identification"][1:]:
        assert len(re.findall(r"\d\d:\d\d", re.sub(r"UTC.\d\d:\d\d", "", sentence))) == sentence.count("(Europe/Lisbon, UTC"), sentence


def test_same_results_same_words(case, tmp_path):
    assert narrative.sentences(case) == narrative.sentences(assessed(tmp_path))


def test_no_excursion_is_never_told_as_good_news(tmp_path):
    with_gap = " ".join(narrative.sentences(assessed(tmp_path, warm=False))["happened"])
    assert "does not show that the product stayed inside" in with_gap
    whole = " ".join(told(assessed(tmp_path, warm=False, gap=False)))
    assert "about the readings, not about the product" in whole
    for word in ("safe", "usable stock", "discard", "may be used", "no problem"):
        assert word not in whole


def test_open_ends_are_said(case):
    open_start = changed(case, ("excursions", 0, "open_start"), True)
    assert "since when is not known" in " ".join(narrative.sentences(open_start)["happened"])
    open_end = changed(case, ("excursions", 0, "open_end"), True)
    assert "was still out" in " ".join(narrative.sentences(open_end)["happened"])


def test_many_excursions_are_counted_and_the_furthest_told(case):
    results = copy.deepcopy(case.results)
    results["excursions"] = [{**results["excursions"][0], "id": f"E{n}", "degree_minutes": float(n)} for n in range(1, 41)]
    lines = narrative.sentences(replace(case, results=results))["happened"]
    assert "all 40 excursions" in lines[0]
    assert len(lines) == 4 and any("E40" in line for line in lines)


def test_a_section_shows_escaped(tmp_path):
    page = narrative.section(assessed(tmp_path), "identification")._repr_html_()
    assert "&lt;on&gt;" in page and "<on>" not in page
