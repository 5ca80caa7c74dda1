"""Readings that say a side and no number (CONTRACTS rule 9): judged by their bound, never turned into a temperature."""

from __future__ import annotations

import json
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldchain_kit import assessment, excursions, quality
from coldchain_kit.assessment import results
from coldchain_kit.excursions import bounds
from coldchain_kit.model import Condition, Trace, one_sided
from coldchain_kit.show import charts, enquiry, front, narrative, preliminary, tables
from tests import invented, sites
from tests.conftest import TRAPS

FRIDGE = Condition("own", "Own", 2.0, 8.0)
STOCK = "lot,product,quantity,moved_in,moved_out,earlier_out_hours\nL1,Example vaccine,10,2026-03-02T00:00:00,,0\n"
ALLOWED = "lot,from_c,to_c,hours,counting,source\nL1,8,15,72,total,letter\nL1,2,0,1,total,letter\n"
TRAP = {  # file: bounds with their words, figures that were once made up, the file's own text, direction
    "hi": ({}, {8.1, 9.4}, "HI", "above"),
    "lo": ({}, {1.9, 1.2}, "LO", "below"),
    "above": ({27.3: "at least"}, {8.1, 9.4}, "> 27.3", "above"),
    "below": ({-41.7: "at most"}, {1.9, 1.2}, "<-41.7", "below"),
}


def trace(values, side, **more) -> Trace:
    times = pd.date_range("2026-03-01", periods=len(values), freq="5min", tz="UTC")
    return Trace.of(
        pd.Series(values, index=times, dtype="float64"), one_sided=np.asarray(side), u_c=0.25, interval_min=5, **more
    )


def assess(folder, name: str, **more) -> assessment.Assessment:
    more = {
        "unit": '[units.U.probes.A]\nrole = "buffered"\n',
        "papers": {"stock.csv": STOCK, "allowances.csv": ALLOWED},
    } | more
    found = assessment.assess(sites.write(folder, [TRAPS / f"one_sided_{name}.csv"], **more))
    assert results.faults(found.results) == []
    return found


@pytest.fixture(scope="module")
def cases(tmp_path_factory):
    return {name: assess(tmp_path_factory.mktemp(name), name) for name in [*TRAP, "inside"]}


# ---- the rule ----------------------------------------------------------------------------------------------------

limits = st.none() | st.integers(-30, 30)


@given(low=limits, high=limits, side=st.sampled_from([1, -1]), bound=st.integers(-40, 40))
def test_a_bound_says_something_only_where_all_temperatures_it_allows_are_alike(low, high, side, bound):
    if (low is None and high is None) or (low is not None and high is not None and low > high):
        return
    condition = Condition("own", "Own", low, high)
    allowed = bound + side * np.arange(0.0, 200.0, 0.5)
    alike = {
        (bool(above), bool(below))
        for above, below in zip(condition.outside(allowed, "above"), condition.outside(allowed, "below"), strict=True)
    }
    readings = trace([bound], [side]).readings
    assert bool(one_sided.unknown(readings, condition)[0]) == (len(alike) > 1)


@pytest.mark.parametrize(("low", "high"), [(2.0, 8.0), (None, -15.0), (0.0, None)])
@pytest.mark.parametrize("side", [1, -1])
def test_without_a_bound_it_is_outside_on_its_side_where_there_is_a_limit(low, high, side):
    condition = Condition("own", "Own", low, high)
    here = trace([np.nan] * 3, [0, side, 0])
    rows = excursions.find(here, condition)
    direction = "above" if side > 0 else "below"
    assert rows["direction"].tolist() == ([direction] if condition.limit_c(direction) is not None else [])
    assert not one_sided.unknown(here.readings, condition).any()


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000))
def test_a_bound_never_claims_more_than_the_truth_behind_it(seed):
    """Readings beyond what a logger can show: every figure of what it shows bounds the figure of the true ones."""
    rng = np.random.default_rng(seed)
    true = np.round(5 + 6 * np.sin(np.arange(120) / rng.uniform(4, 12)) + rng.normal(0, 0.3, 120), 2)
    top, bottom = rng.uniform(8.1, 10), rng.uniform(0, 1.9)
    side = np.where(true > top, 1, np.where(true < bottom, -1, 0))
    shown = np.where(side > 0, round(top, 2), np.where(side < 0, round(bottom, 2), true))
    whole, cut = (excursions.find(one, FRIDGE) for one in (trace(true, np.zeros(120)), trace(shown, side)))
    assert cut[["direction", "first_out", "last_out", "readings"]].equals(
        whole[["direction", "first_out", "last_out", "readings"]]
    )
    for mine, full in zip(cut.to_dict("records"), whole.to_dict("records"), strict=True):
        sign = 1 if full["direction"] == "above" else -1
        held = side[
            (trace(true, side).readings.index >= full["first_out"])
            & (trace(true, side).readings.index <= full["last_out"])
        ]
        assert mine["extreme_bound"] == mine["degree_minutes_bound"] == bool((held != 0).any())
        assert sign * mine["extreme_c"] <= sign * full["extreme_c"] + 1e-9
        assert mine["degree_minutes"] <= full["degree_minutes"] + 1e-6
        assert mine["minutes_least"] <= full["minutes_least"] + 1e-6
        assert mine["minutes"] <= full["minutes"] + 1e-6


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000))
def test_nothing_that_takes_numbers_ever_sees_one_of_a_one_sided_reading(seed):
    rng = np.random.default_rng(seed)
    side = rng.choice([0, 0, 0, 1, -1], 60)
    bound = np.where(rng.random(60) < 0.5, np.nan, rng.uniform(-40, 60, 60).round(1))
    here = trace(np.where(side == 0, 5.0 + rng.normal(0, 0.2, 60).round(1), bound), side)
    assert here.check() == []
    assert here.celsius.isna().tolist() == here.as_read_c.isna().tolist() == (side != 0).tolist()
    assert here.heard.notna().all()
    flagged = quality.run(here)
    assert (quality.rolled(flagged)[side != 0] == 2).all()
    assert not quality.impossible(flagged)[side != 0].any()


def test_a_trace_that_gives_it_a_number_is_refused():
    readings = trace([5.0, 25.0], [0, 1]).readings
    wrong = trace([5.0, 25.0], [0, 1]).__class__(
        trace([5.0], [0]).probe, readings.assign(celsius=[5.0, 25.0]), pd.DataFrame(index=readings.index)
    )
    assert [said[0] for said in wrong.check()] == ["8"]


def test_times_beside_a_reading_without_a_number_are_its_own():
    here = trace([5.0, 7.0, np.nan, np.nan, 7.0, 5.0], [0, 0, 1, 1, 0, 0])
    (row,) = excursions.find(here, FRIDGE).to_dict("records")
    times = here.readings.index
    assert (row["start"], row["end"], row["minutes"]) == (times[2], times[3], 5.0)
    assert (row["start_earliest"], row["end_latest"], row["first_back"]) == (times[1], times[4], times[4])
    assert (row["verdict"], row["minutes_least"], row["minutes_most"]) == ("outside", 5.0, 15.0)
    assert all(pd.isna(row[name]) for name in ("extreme_c", "degree_minutes", "p_outside"))
    assert not row["open_start"] and not row["open_end"]  # a one-sided reading is no gap


def test_a_bound_inside_the_limits_is_unknown_like_a_gap():
    here = trace([5.0, 5.0, 5.0, 5.0, 5.0], [0, 0, 1, 0, 0])
    assert len(excursions.find(here, FRIDGE)) == 0
    times = here.readings.index
    assert bounds.unknown_min(here, FRIDGE, start=times[0], end=times[-1]) == 10.0
    warm = trace([5.0, 8.4, 5.0, 5.0, 5.0], [0, 0, 1, 0, 0])
    (row,) = excursions.find(warm, FRIDGE).to_dict("records")
    assert row["open_end"] and row["end_latest"] == times[3] and row["end"] == times[1]


@pytest.mark.parametrize(("limit", "most"), [(8.0, 10.0), (12.0, 10.0), (26.0, 10.0)])
def test_minutes_beyond_a_temperature_that_a_bound_does_not_reach_cannot_be_ruled_out(limit, most):
    here = trace([5.0, 5.0, 10.0, 5.0, 5.0], [0, 0, 1, 0, 0])
    steps = bounds.trace_steps(here, limit_c=limit, direction="above", condition=FRIDGE)
    assert float(((steps.end_us - steps.start_us) / 60e6)[steps.most].sum()) == most


# ---- the files ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["hi", "lo"])
def test_without_a_number_the_figures_are_null_with_the_reason(cases, name):
    found, side = cases[name].results, "max" if name == "hi" else "min"
    (probe,), (row,) = found["probes"], found["excursions"]
    assert (row["extreme_c"], row["degree_minutes"], row["p_outside"]) == (None, None, None)
    assert (row["verdict"], row["readings"], row["extreme_bound"], row["extreme_text"]) == (
        "outside",
        8,
        False,
        TRAP[name][2],
    )
    assert (
        probe[f"{side}_c"] is None
        and probe[f"{side}_text"] == TRAP[name][2]
        and probe["readings"] == 98 - 4 * (name == "lo") + 2 * (name == "lo")
    )
    assert (probe["mean_c"], probe["mkt_c"]) == (None, None) and TRAP[name][2] in probe["mean_why_not"]
    assert probe["gaps"] == [] and probe["missing_readings"] == 0
    assert {kind["kind"] for kind in found["faults"]} == {"one_sided"}
    assert probe["flags"]["not_evaluated"] >= 6 and probe["flags"]["missing"] == probe["flags"]["fail"] == 0


@pytest.mark.parametrize("name", ["above", "below"])
def test_with_a_number_the_figures_are_bounds(cases, name):
    found, (bound,) = cases[name].results, TRAP[name][0]
    (probe,), (row,) = found["probes"], found["excursions"]
    side = "max" if name == "above" else "min"
    assert (row["extreme_c"], row["extreme_bound"], row["degree_minutes_bound"]) == (bound, True, True)
    assert (probe[f"{side}_c"], probe[f"{side}_bound"], probe[f"{side}_one_sided"]) == (
        bound,
        True,
        TRAP[name][0][bound],
    )
    assert probe["mean_c"] is None and probe["mkt_c"] is None


@pytest.mark.parametrize("name", TRAP)
def test_an_allowance_on_its_side_does_not_apply_and_used_most_still_counts(cases, name):
    (lot,) = cases[name].results["lots"]
    own, other = sorted(lot["allowances"], key=lambda row: row["direction"] != TRAP[name][3])
    assert not own["applicable"] and own["share_most"] is None and own["used_most"] >= 35 / 60 and own["why"]
    assert other["applicable"]
    assert lot["needs_decision"] and any(TRAP[name][2] in said for said in lot["why"])
    assert lot["possible_freezing"] == (TRAP[name][3] == "below")


def test_a_bound_inside_asks_for_a_decision_and_is_no_gap(cases):
    found = cases["inside"].results
    (probe,), (lot,) = found["probes"], found["lots"]
    assert found["excursions"] == [] and probe["gaps"] == [] and found["mkt"] == []
    assert probe["unknown_minutes"] == 35.0 and probe["covered_share"] < 1
    assert lot["needs_decision"] and any("> 5" in said for said in lot["why"])
    assert all(
        row["used_most"] >= 35 / 60 and row["applicable"] for row in lot["allowances"]
    )  # like time without readings
    assert probe["mean_c"] is None


def test_a_number_held_at_a_declared_end_is_a_bound(tmp_path):
    rows = [
        (f"2026-03-02T{k // 12:02d}:{k % 12 * 5:02d}:00", value)
        for k, value in enumerate([5.0, 5.1] * 20 + [60.0] * 4 + [5.2, 5.0] * 20)
    ]
    for told in (
        "[units.U.logger]\nrange_c = [-40.0, 60.0]\n",
        '[units.U.probes.A]\nrole = "buffered"\nspan_c = [-40.0, 60.0]\n',
    ):
        folder = tmp_path / str(len(told))
        found = assessment.assess(sites.write(folder, [sites.series(folder, rows)], unit=told)).results
        (row,) = found["excursions"]
        assert (row["extreme_c"], row["extreme_bound"], row["extreme_text"]) == (60.0, True, None)
        assert found["probes"][0]["as_read_max_c"] == 60.0 and found["probes"][0]["max_bound"]


@pytest.mark.parametrize("name", TRAP)
def test_what_is_in_a_download_gives_no_such_number_either(name):
    from coldchain_kit import downloads
    from coldchain_kit.assessment import inspection

    (load,) = downloads.read(TRAPS / f"one_sided_{name}.csv")
    (probe,) = inspection.row(load)["probes"]
    assert (probe["one_sided"], probe["one_sided_texts"], probe["gaps"]) == (6, [TRAP[name][2]], [])
    assert not set(TRAP[name][0]) & {probe["min_c"], probe["max_c"]}
    assert f"6 that say a side and no number of their own ({TRAP[name][2]})" in inspection.text(load)


@pytest.mark.parametrize(("name", "cuts"), [("hi", [15.0, 25.0, 30.0, 40.0]), ("lo", [0.0, -0.5])])
def test_it_proves_no_minutes_beyond_a_further_temperature_and_rules_none_out(cases, name, cuts):
    found = cases[name].results
    own = {"hi": 8.0, "lo": 2.0}[name]
    for rows in (found["bands"], found["lots"][0]["bands"]):
        held = {row["limit_c"]: row for row in rows if row["direction"] == TRAP[name][3]}
        assert held[own]["minutes_least"] == 35.0
        assert all(held[cut]["minutes_least"] == 0 and held[cut]["minutes_most"] == 35.0 for cut in cuts if cut in held)
        assert set(cuts) & set(held)


def test_a_day_of_hi_is_neither_a_flat_line_nor_repeated(tmp_path):
    times = pd.date_range("2026-03-02", periods=3000, freq="5min")
    values = (
        [f"{5 + 0.1 * (k % 5):.1f}" for k in range(300)]
        + ["HI"] * 2400
        + [f"{5 + 0.1 * (k % 7):.1f}" for k in range(300)]
    )
    rows = [(f"{time:%Y-%m-%dT%H:%M:%S}", value) for time, value in zip(times, values, strict=True)]
    found = assessment.assess(sites.write(tmp_path, [sites.series(tmp_path, rows)])).results
    assert {row["kind"] for row in found["faults"]} == {"one_sided"}
    (row,) = found["excursions"]
    assert (row["readings"], row["faulty"], row["minutes_least"]) == (2400, False, 2399 * 5.0)
    assert found["cause"]["cause"] != "none"


def test_what_is_not_known_ranks_first():
    rows = [
        {"id": "a", "degree_minutes": 5000.0, "faulty": False},
        {"id": "b", "degree_minutes": None, "faulty": False},
    ]
    groups = [
        {
            "excursions": [row["id"]],
            "start": "2026-03-01T00:00:00Z",
            "end": "2026-03-01T01:00:00Z",
            "causes": [{"cause": row["id"], "support": 1.0}],
        }
        for row in rows
    ]
    from coldchain_kit import causes

    assert causes.case(groups, rows, [])["cause"] == "b"


def test_the_mkt_of_a_window_that_holds_one_is_null_and_says_why(tmp_path):
    rule = 'mkt = { limit_c = 8.0, window_hours = 2.0, direction = "back" }'
    site = f'[conditions.mine]\nlow_c = 2.0\nhigh_c = 8.0\n{rule}\nsource = "Local (example)"\n'
    found = assess(
        tmp_path, "hi", site=site, unit='condition = "mine"\n[units.U.probes.A]\nrole = "buffered"\n'
    ).results
    assert found["mkt"] and all(row["mkt_c"] is None and "“HI”" in row["why_not"] for row in found["mkt"])


# ---- pages, tables, charts ---------------------------------------------------------------------------------------

TABLES = [
    "readings", "excursions", "totals", "mkt", "buffer", "gap_estimates", "bands", "episodes", "near_limit", "faults",
    "conflicts", "gaps", "coverage", "flags",
    "believable", "checks", "exposures", "allowances", "lots", "stays", "causes", "uncertainty", "calibration",
]  # fmt: skip


def _words(found) -> list[str]:
    shown = [str(getattr(tables, name)(found)._repr_mimebundle_()) for name in TABLES]
    shown.append(str(front.page(found)))
    shown += [" ".join(lines) for lines in narrative.sentences(found).values()]
    shown += [enquiry.html(sheet) for sheet in enquiry.sheets(found.results, with_mkt=True)]
    return [*shown, preliminary.html(found)]


@pytest.mark.parametrize("name", TRAP)
def test_no_page_and_no_result_holds_a_number_that_nobody_measured(cases, name):
    found, (known, never, text, _) = cases[name], TRAP[name]
    rules = {"bounds": known, "never": never}
    assert invented.in_results(found.results, **rules) == []
    words = _words(found)
    assert [said for page in words for said in invented.in_text(page, **rules)] == []
    import html

    sheet = html.unescape(enquiry.html(enquiry.sheets(found.results)[0]))
    table = html.unescape(str(tables.readings(found)._repr_mimebundle_()))
    assert f"“{text}”" in sheet and f"“{text}”" in table
    data = tables.csv_tables(found)
    measured = {"readings": {9.4, 1.2}}  # these stand in the file, and readings.csv holds every reading
    assert not any(np.isin(data[frame].select_dtypes("number").to_numpy(), list(never - measured.get(frame, set()))).any() for frame in data)


@pytest.mark.parametrize("name", TRAP)
def test_no_chart_draws_it_as_a_point(cases, name):
    found, (known, never, text, direction) = cases[name], TRAP[name]
    drawn = [*charts.overview(found), *charts.episodes(found), *charts.channels(found), *charts.month(found)]
    measured = {9.4, 1.2}  # these stand in the file, as points of the line
    for drawing in drawn:
        assert invented.in_chart(drawing.spec, bounds=known, never=never - measured) == []
        assert "<svg" in drawing.svg
    first = json.dumps(charts.overview(found)[0].spec, ensure_ascii=False)
    assert f"“{text}”" in first and f"{direction} what can be shown: value not known" in first


@pytest.mark.parametrize("name", ["hi", "above"])
def test_the_line_breaks_at_it(cases, name):
    from coldchain_kit.show.charts import layers
    from coldchain_kit.show.charts.common import clock_of

    found = cases[name]
    rows = layers.line_rows(found.units["U"].traces["A"], clock_of(found), name="A")
    assert len(rows) == 92 and len({row["run"] for row in rows}) == 2


def test_the_month_does_not_call_such_a_day_empty_nor_give_its_mean(cases):
    found = cases["hi"]
    table = charts.daily(found.units["U"].traces["A"], "UTC", start=found.window.start, end=found.window.stop)
    assert table["readings"].tolist() == [98] and table["open"].tolist() == [6] and table["mean_c"].isna().all()


def test_the_checks_of_this_file_find_what_they_are_for():
    rules = {"bounds": {25.0: "at least"}, "never": {8.1, 9.4}}
    text = (TRAPS / "invented_page.txt").read_text("utf-8")
    assert invented.in_text(text, **rules) == ["8.1 °C", "25.0 °C", "9.4 °C"]
    assert invented.in_results(json.loads((TRAPS / "invented_results.json").read_text("utf-8")), **rules) == [
        "/probes/0/max_c: 25.0", "/excursions/0/extreme_c: 8.1",
    ]  # fmt: skip
    spec = {"layer": [{"data": {"values": "t,c\n0,25.0\n1,5.0\n"}}]}
    assert invented.in_chart(spec, **rules) == ["drawn at 25.0"]


def test_a_conflict_with_one_shows_its_text_not_a_number(tmp_path):
    times = [f"2026-03-02T{k // 12:02d}:{k % 12 * 5:02d}:00" for k in range(40)]
    one = sites.series(
        tmp_path, [(time, "HI" if k == 20 else 5.0 + k % 3 / 10) for k, time in enumerate(times)], name="a.csv"
    )
    two = sites.series(tmp_path, [(time, 5.0 + k % 3 / 10) for k, time in enumerate(times)], name="b.csv")
    found = assessment.assess(sites.write(tmp_path, [one, two]))
    rows = {row["kept"]: row for row in found.results["conflicts"]}
    assert (rows[True]["value_c"], rows[True]["text"], rows[True]["one_sided"]) == (
        None,
        "HI",
        "at least",
    )  # further outside: it counts
    assert rows[False]["value_c"] == 5.2 and rows[False]["one_sided"] is None
    assert "HI" in str(tables.conflicts(found)._repr_mimebundle_())


def test_freezing_is_possible_below_any_bound():
    from coldchain_kit import exposure

    for bound in (np.nan, 1.5, -40.0):
        here = trace([5.0, bound, 5.0], [0, -1, 0])
        row = exposure.freezing(here, start=here.readings.index[0], end=here.readings.index[-1])
        assert (
            row["possible"]
            and row["lowest_one_sided"] == "at most"
            and row["lowest_c"] == (None if np.isnan(bound) else bound)
        )
    warm = trace([5.0, np.nan, 5.0], [0, 1, 0])
    assert not exposure.freezing(warm, start=warm.readings.index[0], end=warm.readings.index[-1])["possible"]


def test_extremes_beside_a_bound_are_bounds():
    found = one_sided.extremes(trace([5.0, 25.0, 30.0], [0, 1, 0]).readings)
    assert (found["max_c"], found["max_bound"], found["max_one_sided"]) == (
        30.0,
        True,
        "at least",
    )  # the reading "> 25" may have been higher
    assert SimpleNamespace(**found).min_bound is False
