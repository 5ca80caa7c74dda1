"""Lots: stays, exposure, allowances with their ceiling, and why a decision is needed."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldchain_kit import excursions, lots, register
from coldchain_kit.lots import stays
from coldchain_kit.model import Probe, Trace, Unit, conditions
from coldchain_kit.register import stock
from tests.test_stock import SITE

START = pd.Timestamp("2026-03-01T00:00Z")  # Lisbon is on UTC then


@pytest.fixture
def site(tmp_path):
    (tmp_path / "site.toml").write_text(SITE, "utf-8")
    return register.load_site(tmp_path / "site.toml")


def at(hours):
    return START + pd.Timedelta(seconds=round(hours * 3600))


def flat(hours=48.0, *, step_min=10, value=5.0, **patches):
    """A steady record; ``patches``: from_to="h1_h2" -> value, given as h1_h2=value."""
    index = pd.date_range(START, periods=int(hours * 60 / step_min) + 1, freq=f"{step_min}min").as_unit("us")
    series = pd.Series(float(value), index=index)
    for span, level in patches.items():
        first, last = (float(part) for part in span.strip("h").split("_"))
        series[(index >= at(first)) & (index <= at(last))] = level
    return series


def unit_of(series, name="F2", *, u_c=0.25, **other):
    every = {"u_c": u_c, "interval_min": 10}
    traces = {"A": Trace.of(series.dropna(), probe=Probe("A", "buffered"), **every)}
    for key, extra in other.items():
        traces[key] = Trace.of(extra.dropna(), probe=Probe(key, "air", decides=False), **every)
    return Unit(name, traces)


def a_lot(site, *spans, unit="F2", allowances=(), **rest):
    """A lot with stays given as (hours in, hours out or None[, unit]); never out before, unless ``rest`` says otherwise."""
    rest = {"earlier_out_hours": 0.0, **rest}
    rows = tuple(
        stock.Stay(span[2] if len(span) > 2 else unit, at(span[0]), None if span[1] is None else at(span[1]), "5", 2, site.units[unit].condition, **rest) for span in spans
    )
    return stock.Lot("L1", "Vaccine", rows)


def allow(from_c=8.0, to_c=15.0, hours=10.0, counting="total"):
    return stock.Allowance("L1", from_c, to_c, hours, counting, "Letter", None, 2)


def assess(site, lot, unit, *allowances, window=None, declared=False, **rest):
    units = {unit.name: unit} if isinstance(unit, Unit) else unit
    traces = [(name, trace) for name, one in units.items() for trace in one.traces.values() if trace.probe.decides]
    last = max(trace.readings.index[-1] for _, trace in traces)
    first = min(trace.readings.index[0] for _, trace in traces)
    start, end = window or (first, last)
    found = []
    for name, trace in traces:
        table = excursions.find(trace, site.units[name].condition)
        found += [{"id": f"{name}-E{n}", "unit": name, **row} for n, row in enumerate(table.to_dict("records"), 1)]
    stop = end if declared or window else end + pd.Timedelta(1, "us")
    span = SimpleNamespace(start=start, end=end, stop=stop, declared_start=start if window else None)
    (row,) = lots.assess([lot], allowances, units, excursions=found, faults=rest.pop("faults", []), site=site, window=span, **rest)
    return row


def test_nothing_found_in_a_complete_record_needs_no_decision(site):
    row = assess(site, a_lot(site, (1, 40)), unit_of(flat()))
    assert row["needs_decision"] is False and row["why"] == [] and row["possible_freezing"] is False
    assert row["outside"]["above"]["minutes_most"] == 0 and row["without_readings_min"] == 0
    assert {(e["direction"], e["limit_c"]) for e in row["exposures"]} == {("above", 8.0), ("below", 2.0)}


def test_a_warm_night_counts_for_the_lot_that_was_there(site):
    unit = unit_of(flat(h10_12=12.0))
    there, gone = assess(site, a_lot(site, (1, 40)), unit, allow()), assess(site, a_lot(site, (20, 40)), unit, allow())
    # 5 -> 12 -> 5 in steps of 10 min: crosses 8 at 3/7 of a step: 120 + 2 * 10 * 4/7 min; most: two whole steps more.
    (above,) = [e for e in there["exposures"] if e["direction"] == "above"]
    assert above["minutes"] == pytest.approx(120 + 20 * 4 / 7) and (above["minutes_least"], above["minutes_most"]) == (120, 140)
    assert (above["first_out"], above["last_out"], above["first_back"]) == (at(10), at(12), at(12 + 1 / 6))
    assert above["excursions"] == ["F2-E1"] and above["max_c"] == 12
    (used,) = there["allowances"]
    assert used["applicable"] and used["used_least"] == pytest.approx(2) and used["used_most"] == pytest.approx(140 / 60)
    assert used["share_most"] == pytest.approx(140 / 600)
    assert there["needs_decision"] and "F2-E1 above 8 °C" in there["why"][0] and "2026-03-01 10:00 +00:00" in there["why"][0]
    assert not gone["needs_decision"] and gone["allowances"][0]["used_most"] == 0


def test_a_stay_cuts_an_excursion(site):
    row = assess(site, a_lot(site, (11, 40)), unit_of(flat(h10_12=12.0)), allow())
    assert row["outside"]["above"]["minutes_least"] == 60 and row["outside"]["above"]["minutes_most"] == 70


def test_beyond_the_ceiling_an_allowance_does_not_apply(site):
    row = assess(site, a_lot(site, (1, 40)), unit_of(flat(h10_12=16.0)), allow(), allow(to_c=25.0), allow(to_c=16.0))
    first, second, third = row["allowances"]
    assert not first["applicable"] and first["share_least"] is None and first["share_most"] is None and "16 °C" in first["why"]
    assert second["applicable"] and third["applicable"]  # at the end itself is not beyond it
    assert first["used_most"] == second["used_most"]  # bands are never added, each counts by itself


def test_time_without_readings_counts_as_used_and_needs_a_decision(site):
    series = flat()
    series = series[(series.index <= at(20)) | (series.index >= at(23))]
    row = assess(site, a_lot(site, (1, 40)), unit_of(series), allow())
    used = row["allowances"][0]
    assert (used["used_least"], used["used_most"]) == (0, pytest.approx(3)) and "without readings" in used["why"]
    assert row["needs_decision"] and "without readings" in row["why"][0] and row["without_readings_min"] == 180
    assert row["outside"]["above"]["minutes_most"] == 0


def test_single_and_total_count_differently(site):
    unit = unit_of(flat(h10_12=12.0, h20_21=12.0))
    row = assess(site, a_lot(site, (1, 40)), unit, allow(), allow(counting="single"))
    total, single = row["allowances"]
    assert total["used_most"] == pytest.approx((140 + 80) / 60) and single["used_most"] == pytest.approx(140 / 60)
    assert total["used_least"] == pytest.approx(3) and single["used_least"] == pytest.approx(2)


def test_a_gap_joins_the_runs_beside_it_in_the_longest_single_run(site):
    series = flat(h10_12=12.0, h15_16=12.0)
    series = series[(series.index <= at(12)) | (series.index >= at(15))]
    single = assess(site, a_lot(site, (1, 40)), unit_of(series), allow(counting="single"))["allowances"][0]
    assert single["used_most"] == pytest.approx(6 + 2 / 6) and single["used_least"] == pytest.approx(2)


def test_the_way_between_two_units_is_time_without_readings(site):
    units = {"F2": unit_of(flat()), "F3": unit_of(flat(h25_26=12.0), "F3")}
    row = assess(site, a_lot(site, (1, 20), (24, 40, "F3")), units, allow(), allow(counting="single"))
    assert [stay["unit"] for stay in row["stays"]] == ["F2", "F3"]
    assert row["without_readings_min"] == 240 and any("Between two stays" in text for text in row["why"])
    assert row["allowances"][0]["used_most"] == pytest.approx(4 + 80 / 60)  # 1 h outside and a step on either side
    assert row["allowances"][1]["used_most"] == pytest.approx(4)
    assert any("F3-E1" in text for text in row["why"])


def test_a_run_that_goes_on_through_the_way_is_one_run(site):
    units = {"F2": unit_of(flat(h18_48=12.0)), "F3": unit_of(flat(h0_26=12.0), "F3")}
    row = assess(site, a_lot(site, (1, 20), (24, 40, "F3")), units, allow(counting="single"))
    assert row["allowances"][0]["used_most"] == pytest.approx(8 + 2 / 6)  # from a step before 18 h to a step after 26 h
    assert row["allowances"][0]["used_least"] == pytest.approx(2)


def test_a_unit_that_is_not_part_of_the_case_is_not_known(site):
    row = assess(site, a_lot(site, (1, 20), (20, 30, "F3")), unit_of(flat()), allow())
    assert row["allowances"][0]["used_most"] == pytest.approx(10) and any("No probe of F3" in text for text in row["why"])


def test_earlier_hours_count(site):
    lot = a_lot(site, (1, 40), earlier_out_hours=3.0)
    row = assess(site, lot, unit_of(flat(h10_12=12.0)), allow(), allow(counting="single"))
    assert row["earlier_out_hours"] == 3 and row["allowances"][0]["used_least"] == pytest.approx(5) and row["allowances"][0]["used_most"] == pytest.approx(3 + 140 / 60)
    assert row["allowances"][1]["used_most"] == pytest.approx(3)


def test_an_earlier_case_counts_and_its_freezing_is_not_forgotten(site):
    frozen = {"case": {"id": "2026-001", "window": ["2026-02-01T00:00:00Z", "2026-02-02T00:00:00Z"]}, "lots": [assess(site, a_lot(site, (1, 40)), unit_of(flat(h10_12=12.0)))]}
    frozen["lots"][0]["possible_freezing"] = True
    row = assess(site, a_lot(site, (1, 40)), unit_of(flat()), allow(), earlier=lots.earlier(frozen))
    assert row["allowances"][0]["used_most"] == pytest.approx(140 / 60) and row["allowances"][0]["used_least"] == pytest.approx(2)
    assert row["why"] == ["Case 2026-001 found possible freezing of this lot before."] and row["needs_decision"]


def test_a_cold_band_counts_downwards(site):
    row = assess(site, a_lot(site, (1, 40)), unit_of(flat(h10_12=1.0)), allow(2.0, 0.0), allow(0.0, 2.0), allow(2.0, 1.5))
    for used in row["allowances"][:2]:
        assert used["direction"] == "below" and used["applicable"] and used["used_least"] == pytest.approx(2)
    assert not row["allowances"][2]["applicable"]


def test_possible_freezing_is_seen_by_any_probe_and_any_time(site):
    # CONTRACTS: the lowest reading of any probe less U at or below 0.0 °C for any time; U = 0.5 °C here.
    clear = assess(site, a_lot(site, (1, 40)), unit_of(flat(h10_10=0.51), air=flat()))
    assert clear["possible_freezing"] is False and clear["freezing"]["lowest_c"] == 0.51
    by_air = assess(site, a_lot(site, (1, 40)), unit_of(flat(), air=flat(h10_10=0.5)))
    assert by_air["possible_freezing"] is True and by_air["freezing"]["probe"] == "air" and any("Possible freezing" in text for text in by_air["why"])
    may_freeze = assess(site, a_lot(site, (1, 40), do_not_freeze=False), unit_of(flat(), air=flat(h10_10=0.5)))
    assert may_freeze["possible_freezing"] is False and not may_freeze["needs_decision"]


def test_a_move_within_the_clocks_doubt_counts_as_exposed(site):
    unit = unit_of(flat(h10_12=12.0))
    lot = a_lot(site, (12.5, 40))
    assert not assess(site, lot, unit)["needs_decision"]
    trace = unit.traces["A"]
    doubtful = replace(trace, readings=trace.readings.assign(clock_doubt_s=3600.0))
    row = assess(site, lot, Unit("F2", {"A": doubtful}), allow())
    assert row["needs_decision"] and row["allowances"][0]["used_most"] == pytest.approx(40 / 60)  # from 11.5 h to a step after 12 h
    assert row["allowances"][0]["used_least"] == 0


def test_a_reading_at_the_end_of_the_range_needs_a_decision(site):
    unit = unit_of(flat(h10_10=7.9))
    readings = unit.traces["A"].readings
    end = (readings["celsius"] == 7.9).to_numpy()
    readings = readings.assign(one_sided=end.astype("int8"), text=np.where(end, "HI", ""), **{name: readings[name].mask(end) for name in ("celsius", "as_read_c")})
    row = assess(site, a_lot(site, (1, 40)), Unit("F2", {"A": replace(unit.traces["A"], readings=readings)}), allow())
    assert any("“HI”" in said for said in row["why"]) and not row["allowances"][0]["applicable"]


def test_open_faults_and_overdue_certificates_need_a_decision(site):
    fault = {"unit": "F2", "probe": "A", "start": at(5), "end": at(6), "kind": "flat_line", "readings": 6, "text": "no change for 1 h"}
    assert "a flat line: no change" in assess(site, a_lot(site, (1, 40)), unit_of(flat()), faults=[fault])["why"][0]
    assert not assess(site, a_lot(site, (10, 40)), unit_of(flat()), faults=[fault])["needs_decision"]
    due = {"probe": "A", "due": "2026-03-01", "as_found_out": False}
    assert "was due on 2026-03-01" in assess(site, a_lot(site, (1, 40)), unit_of(flat()), calibration=[due])["why"][0]
    assert not assess(site, a_lot(site, (1, 20)), unit_of(flat()), calibration=[due])["needs_decision"]  # it ended on the due day


def test_a_declared_window_cuts_the_stay_and_says_what_it_leaves_out(site):
    row = assess(site, a_lot(site, (1, None)), unit_of(flat(h10_12=12.0)), allow(), window=(at(20), at(40)))
    assert row["stays"][0]["judged_from"] == at(20) and row["stays"][0]["judged_to"] == at(40)
    assert row["allowances"][0]["used_most"] == 0 and row["exposures"][0]["max_c"] == 5
    assert row["needs_decision"] and "outside the window" in row["why"][-1]


def test_without_a_declared_window_the_whole_stay_counts(site):
    row = assess(site, a_lot(site, (-10, 50)), unit_of(flat()), allow())
    assert row["allowances"][0]["used_most"] == pytest.approx(12) and row["without_readings_min"] == 720


def test_a_stay_outside_the_window_is_not_called_fine(site):
    row = assess(site, a_lot(site, (1, 5)), unit_of(flat()), allow(), window=(at(20), at(40)))
    assert not row["allowances"][0]["applicable"] and row["allowances"][0]["share_most"] is None
    assert row["needs_decision"] and "nothing was judged" in row["why"][0] and row["possible_freezing"] is None


def test_the_products_own_condition_is_judged(site):
    own = site.units["F2"].condition
    lot = a_lot(site, (1, 40))
    lot = replace(lot, stays=(replace(lot.stays[0], condition=replace(own, id="narrow", high=4.0)),))
    row = assess(site, lot, unit_of(flat()))
    assert row["needs_decision"] and any("own limit of 4 °C" in said for said in row["why"])


def test_one_lot_in_two_rows_of_one_unit_is_counted_once(site):
    row = assess(site, a_lot(site, (1, 40), (1, 40)), unit_of(flat(h10_12=12.0)), allow())
    assert row["allowances"][0]["used_most"] == pytest.approx(140 / 60) and len(row["stays"]) == 2


def test_frozen_product_has_no_mkt_and_says_why(site):
    index = flat(24, value=-20.0)
    lot = a_lot(site, (1, 20), unit="Z1")
    probe = assess(site, lot, unit_of(index, "Z1"))["stays"][0]["probes"][0]
    assert probe["mkt_c"] is None and "frozen" in probe["mkt_why_not"] and probe["mean_c"] == pytest.approx(-20)


@given(st.lists(st.sampled_from([5.0, 7.7, 8.2, 12.0, np.nan]), min_size=60, max_size=64), st.integers(0, 5), st.integers(1, 9))
@settings(max_examples=60, deadline=None)
def test_least_is_never_more_than_most_and_cutting_a_stay_in_two_changes_no_total(values, opens, middle):
    values = [5.0, *values, 5.0]
    index = pd.date_range(START, periods=len(values), freq="10min").as_unit("us")
    trace = Trace.of(pd.Series(values, index=index), probe=Probe("A", "buffered"), u_c=0.25)
    unit = Unit("F2", {"A": trace})
    stay = stock.Stay("F2", START, None, "5", 2, conditions.get("refrigerated"))
    whole = stays.place(stay, unit, opens=at(opens / 6), closes=at(opens / 6 + 9))
    cut = [stays.place(stay, unit, opens=at(opens / 6), closes=at((opens + middle) / 6)), stays.place(stay, unit, opens=at((opens + middle) / 6), closes=at(opens / 6 + 9))]
    for unknown in (False, True):
        one, two = (stays.spent(places, stays.Steps(), limit_c=8.0, direction="above", unknown_counts=unknown) for places in ([whole], cut))
        assert one.total_least <= one.total_most + 1e-9 and one.single_most <= one.total_most + 1e-9
        assert (one.total_least, one.total_most) == pytest.approx((two.total_least, two.total_most))
        assert (one.single_least, one.single_most) == pytest.approx((two.single_least, two.single_most))


def test_an_exclusive_limit_counts_from_the_limit_itself(site):
    # "below -15": -15.0 is outside (FACTS B4, MEMORY), so an allowance from -15 counts it.
    lot = a_lot(site, (1, 20), unit="Z1")
    lot = replace(lot, stays=(replace(lot.stays[0], condition=conditions.get("deep_frozen")),))
    row = assess(site, lot, unit_of(flat(24, value=-20.0, h10_11=-15.0), "Z1", u_c=0.0), allow(-15.0, -5.0))
    assert row["allowances"][0]["used_least"] == pytest.approx(1) and row["needs_decision"]


def test_many_excursions_are_one_sentence(site):
    row = assess(site, a_lot(site, (1, 40)), unit_of(flat(**{f"h{h}_{h}": 9.0 for h in range(5, 25, 2)})))
    assert row["why"] == ["10 excursions (F2-E1 to F2-E10) above 8 °C in F2, probe A, the first from 2026-03-01 05:00 +00:00, the last until 2026-03-01 23:00 +00:00."]
    (above,) = [one for one in row["exposures"] if one["direction"] == "above"]
    assert len(above["excursions"]) == 10
