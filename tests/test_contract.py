"""CONTRACTS "How the numbers are made", rule by rule, on whole files: a download goes in, the result row is worked out by hand beside it."""

from __future__ import annotations

import pandas as pd
import pytest

from coldchain_kit import assessment
from coldchain_kit.assessment import results
from coldchain_kit.base import KitError
from tests import sites

CERTIFIED = (
    '[units.U.probes.A]\nrole = "buffered"\nresolution_c = 0.1\n'
    'certificate = { number = "C", date = 2026-01-05, due = 2028-01-05, expanded_uncertainty_c = 0.3, points = [[0.0, 0.2], [10.0, 10.2]] }\n'
)
STATED = "[units.U.logger]\ninterval_min = 10\n"


def at(minute: int, *, day: int = 1) -> str:
    return f"2026-03-{day + minute // 1440:02d}T{minute % 1440 // 60:02d}:{minute % 60:02d}:00"


def even(values, *, step: int = 10) -> list[tuple[str, object]]:
    return [(at(k * step), value) for k, value in enumerate(values)]


def run(tmp_path, rows, *, header="time,A (°C)", **more):
    found = assessment.assess(sites.write(tmp_path, [sites.series(tmp_path, rows, header=header)], **more)).results
    assert results.faults(found) == []
    return found


def calm(count: int) -> list[float]:
    return [5.0 + 0.1 * (k % 3) for k in range(count)]


def test_rule_1_values_are_corrected_then_rounded(tmp_path):
    found = run(tmp_path, even([*calm(30), 8.1, 8.2, 8.3, *calm(30)]), unit=CERTIFIED)
    probe = found["probes"][0]
    assert (probe["as_read_max_c"], probe["max_c"]) == (8.3, 8.1)  # the certificate indicates 0.2 too high everywhere
    # as read 8.1, 8.2, 8.3 are outside; corrected 7.9, 8.0, 8.1: the one further outside rules
    run_ = found["excursions"][0]
    assert (run_["readings"], run_["extreme_c"], run_["basis"]) == (3, 8.3, "both")
    assert probe["u_c"] == pytest.approx((0.15**2 + (0.05**2) / 3) ** 0.5)  # U/2 and half a step, rectangular (GUM 4.3.7)
    assert probe["u_from"] == "certificate"


def test_rule_1_fahrenheit_limits_are_exact(tmp_path):
    found = run(tmp_path, even([41.0, 46.4, 46.4, 41.5, 46.5, 41.2, 41.0, 41.4]), header="time,A (°F)")
    assert [(row["readings"], row["extreme_c"]) for row in found["excursions"]] == [(1, 8.055556)]
    assert found["sources"][0]["layout"]["unit_from"] in ("header", {"A": "header"}) or "header" in str(found["sources"][0]["layout"])


def test_rule_2_a_unit_nobody_states_is_assumed_and_said(tmp_path):
    found = run(tmp_path, even(calm(20)), header="time,A")
    assert found["sources"][0]["layout"]["unit_from"] == "assumed"


def test_rule_2_file_and_register_at_odds(tmp_path):
    found = run(tmp_path, even(calm(20)), unit='[units.U.logger]\ntemperature_unit = "F"\n')
    assert "unit_mixup" in [row["kind"] for row in found["faults"]]
    assert found["probes"][0]["max_c"] == 5.2


def test_rule_2_values_that_fit_only_in_the_other_unit_are_a_fault_and_no_conversion(tmp_path):
    found = run(tmp_path, even([40.0 + 0.2 * (k % 4) for k in range(200)]), header="time,A")
    assert "unit_mixup" in [row["kind"] for row in found["faults"]]
    assert found["probes"][0]["min_c"] == 40.0
    assert found["cause"]["cause"] == "record_error"


def test_rule_3_neighbouring_runs_are_never_merged(tmp_path):
    found = run(tmp_path, even([*calm(10), 9.0, 7.9, 9.0, *calm(10)]))
    assert [row["readings"] for row in found["excursions"]] == [1, 1]
    assert len(found["episodes"]) == 1


def test_rule_3_only_deciding_probes_have_excursions(tmp_path):
    rows = [(time, f"{value},9.5") for time, value in even(calm(20))]
    unit = '[units.U.probes.A]\nrole = "buffered"\n[units.U.probes.B]\nrole = "air"\n'
    found = run(tmp_path, rows, header="time,A (°C),B (°C)", unit=unit)
    assert found["excursions"] == []
    assert next(row for row in found["probes"] if row["probe"] == "B")["outside"]["above"]["minutes"] == 190.0


@pytest.mark.parametrize("lost", ["absent", "no value", "refused"])
def test_rule_4_a_gap_is_a_gap_whatever_made_it(tmp_path, lost):
    rows = even([*calm(10), 9.0, 9.1, *[9.2] * 6, 9.0, 8.5, *calm(10)])
    kept = {"absent": [row for k, row in enumerate(rows) if not 12 <= k < 18], "no value": [(t, "---" if 12 <= k < 18 else v) for k, (t, v) in enumerate(rows)],
            "refused": [("2026-13-99T00:00:00" if 12 <= k < 18 else t, v) for k, (t, v) in enumerate(rows)]}[lost]  # fmt: skip
    found = run(tmp_path, kept)
    first, second = found["excursions"]
    assert (first["open_end"], second["open_start"]) == (True, True)
    assert (first["end"], first["end_latest"]) == ("2026-03-01T01:50:00Z", "2026-03-01T03:00:00Z")
    assert (second["start"], second["start_earliest"]) == ("2026-03-01T03:00:00Z", "2026-03-01T01:50:00Z")
    assert [row["excursions"] for row in found["episodes"]] == [[first["id"], second["id"]]]
    probe = found["probes"][0]
    assert [(gap["start"], gap["end"], gap["minutes"]) for gap in probe["gaps"]] == [("2026-03-01T01:50:00Z", "2026-03-01T03:00:00Z", 70.0)]
    assert probe["missing_readings"] == 6
    source = found["sources"][0]
    assert source["rows"] == source["read"] + source["rejected"] == len(kept)
    assert source["rejected"] == (6 if lost == "refused" else 0)
    # no time of the gap in "minutes"; all of it in "at most"
    assert probe["outside"]["above"]["minutes"] == pytest.approx(first["minutes"] + second["minutes"])
    assert probe["outside"]["above"]["minutes_most"] >= 70 + first["minutes"]
    assert probe["unknown_minutes"] == 0.0
    assert "gap" in [row["kind"] for row in found["faults"]] or lost == "no value"


def test_rule_4_a_gap_inside_the_range_is_unknown_time(tmp_path):
    rows = [row for k, row in enumerate(even(calm(60))) if not 20 <= k < 32]
    probe = run(tmp_path, rows)["probes"][0]
    assert probe["unknown_minutes"] == 130.0
    assert probe["covered_share"] == pytest.approx(1 - 120 / 590)


def test_rule_6_without_a_certificate_the_uncertainty_is_assumed(tmp_path):
    found = run(tmp_path, even([*calm(10), 8.3, 8.6, 8.4, *calm(10)]))
    assert (found["probes"][0]["u_c"], found["probes"][0]["u_from"]) == (0.25, "assumed")
    assert found["excursions"][0]["verdict"] == "outside"  # 8.6 is beyond 8 by more than 0.5
    assert found["excursions"][0]["minutes_least"] == 0.0


def test_rule_9_means_weigh_by_half_the_steps(tmp_path):
    rows = [(at(0), 4.0), (at(10), 6.0), (at(20), 4.0), (at(30), 4.0), (at(40), 4.0), (at(120), 7.0), (at(130), 7.0)]
    probe = run(tmp_path, rows, unit=STATED)["probes"][0]
    # weights 5, 10, 10, 10, 5, 5, 5: nothing from the gap of 80 min
    assert probe["mean_c"] == pytest.approx((4 * 5 + 6 * 10 + 4 * 10 + 4 * 10 + 4 * 5 + 7 * 5 + 7 * 5) / 50)


def test_rule_9_mkt_is_null_where_it_would_flatter(tmp_path):
    assert run(tmp_path, even([*calm(10), 1.5, *calm(10)]))["probes"][0]["mkt_c"] is None
    assert run(tmp_path / "b", even(calm(20)))["probes"][0]["mkt_c"] is not None
    assert run(tmp_path / "c", even([-20.0 + 0.1 * (k % 3) for k in range(20)]), kind="freezer")["probes"][0]["mkt_c"] is None


def test_rule_10_the_window_is_half_open_and_excursions_are_unclipped(tmp_path):
    values = [5.0] * 6 + [9.0] * 12 + [5.0] * 30
    case = "start = 2026-03-01T02:00:00\nend = 2026-03-01T05:00:00\n"
    found = run(tmp_path, even(values), case=case)
    row = found["excursions"][0]
    assert row["first_out"] == "2026-03-01T01:00:00Z"
    assert row["minutes"] == pytest.approx(115.0)  # crossings at 00:57:30 and 02:52:30
    assert row["minutes_in_window"] == pytest.approx(52.5)
    probe = found["probes"][0]
    assert probe["readings"] == 18
    assert found["case"]["window"] == ["2026-03-01T02:00:00Z", "2026-03-01T05:00:00Z"]
    edge = run(tmp_path / "b", even(values), case="start = 2026-03-01T05:00:00\n")
    assert edge["excursions"] == []


def test_rule_11_no_excursion_and_only_a_gap_is_none(tmp_path):
    rows = [row for k, row in enumerate(even(calm(300))) if not 20 <= k < 32]
    assert run(tmp_path, rows)["cause"] == {"cause": "none", "support": pytest.approx(1.0, abs=1.0)}


def test_rule_11_less_than_95_per_cent_known_is_undetermined_in_place_of_none(tmp_path):
    rows = [row for k, row in enumerate(even(calm(60))) if not 20 <= k < 32]
    assert run(tmp_path, rows)["cause"]["cause"] == "undetermined"


def test_rule_12_readings_at_odds_keep_the_one_further_outside(tmp_path):
    a = sites.series(tmp_path, even([*calm(30), 5.0, *calm(10)]), name="a.csv")
    b = sites.series(tmp_path, even([*calm(30), 9.0, *calm(10)]), name="b.csv")
    found = assessment.assess(sites.write(tmp_path, [a, b])).results
    assert [row["value_c"] for row in found["conflicts"] if row["kept"]] == [9.0]
    assert [row["value_c"] for row in found["conflicts"] if not row["kept"]] == [5.0]
    assert [row["extreme_c"] for row in found["excursions"]] == [9.0]
    assert found["probes"][0]["readings"] == 41
    assert found["probes"][0]["flags"]["suspect"] == 1, "the kept reading is suspect (DESIGN)"


def test_rule_13_rows_and_cells(tmp_path):
    path = tmp_path / "U" / "a.csv"
    path.parent.mkdir(parents=True)
    lines = ["Report of a logger", "", "time,A (°C),B (°C)"] + [f"{at(k * 10)},{5 + k % 2 / 10},{4 + k % 3 / 10}" for k in range(30)]
    lines[10] = lines[10].split(",")[0] + ",5.1,ERR"
    lines.insert(20, "")
    lines.insert(25, "# a comment")
    path.write_text("\n".join(lines) + "\n", "utf-8")
    found = assessment.assess(sites.write(tmp_path, [path])).results
    source = found["sources"][0]
    assert (source["rows"], source["read"], source["rejected"]) == (30, 30, 0)
    assert [row["readings"] for row in found["probes"]] == [30, 29]
    assert source["no_value"] == [{"line": 11, "column": "B (°C)", "text": "ERR"}]


def test_rule_14_a_complete_record_without_excursion_needs_no_decision_and_a_gap_does(tmp_path):
    stock = "lot,product,quantity,moved_in,moved_out\nL1,Example,10,2026-03-01T00:30,2026-03-01T09:00\n"
    papers = {"stock.csv": stock}
    whole = run(tmp_path, even(calm(60)), papers=papers, unit=STATED + CERTIFIED)
    assert [(row["needs_decision"], row["why"]) for row in whole["lots"]] == [(False, [])]
    rows = [row for k, row in enumerate(even(calm(60))) if not 20 <= k < 32]
    holed = run(tmp_path / "b", rows, papers=papers, unit=STATED + CERTIFIED)
    assert holed["lots"][0]["needs_decision"]
    assert any("without readings" in text or "gap" in text for text in holed["lots"][0]["why"])
    silent = run(tmp_path / "c", even(calm(60)), papers=papers, unit=CERTIFIED)
    assert [text for row in silent["lots"] for text in row["why"] if "Nothing states how often" in text]


def test_a_reading_at_the_end_of_the_range_is_one_sided_and_counts_as_outside(tmp_path):
    unit = "[units.U.logger]\nrange_c = [-40.0, 60.0]\n"
    found = run(tmp_path, even([*calm(10), "HI", "HI", *calm(10)]), unit=unit)
    assert [(row["readings"], row["extreme_c"], row["extreme_bound"]) for row in found["excursions"]] == [(2, 60.0, True)]
    assert "one_sided" in [row["kind"] for row in found["faults"]]
    assert found["probes"][0]["max_one_sided"] == "at least"


def test_a_one_sided_reading_without_a_known_range_is_never_missing(tmp_path):
    found = run(tmp_path, even([*calm(10), "HI", "HI", "HI", "HI", *calm(10)]))
    assert "one_sided" in [row["kind"] for row in found["faults"]]
    assert [row["direction"] for row in found["excursions"]] == ["above"]
    assert found["excursions"][0]["readings"] == 4 and found["excursions"][0]["extreme_c"] is None


def test_a_probe_the_download_lacks_is_named_with_the_columns_there_are(tmp_path):
    with pytest.raises(KitError, match=r"(?s)B.*A \(°C\)"):
        run(tmp_path, even(calm(20)), unit='[units.U.probes.B]\nrole = "air"\n')


def test_an_unregistered_column_is_kept_and_said(tmp_path):
    rows = [(time, f"{value},9.5") for time, value in even(calm(20))]
    found = run(tmp_path, rows, header="time,A (°C),B (°C)", unit='[units.U.probes.A]\nrole = "buffered"\n')
    row = next(row for row in found["probes"] if row["probe"] == "B")
    assert (row["registered"], row["decides"], row["readings"]) == (False, False, 20)


def test_the_budget_and_the_alarm_settings_rest_on_the_certificate(tmp_path):
    unit = CERTIFIED.replace('role = "buffered"\n', 'role = "buffered"\ntime_constant_min = 12.0\n')
    found = run(tmp_path, even([*calm(10), 8.4, 9.0, 9.4, 8.6, *calm(10)]), unit=unit)
    parts = {row["component"]: row for row in found["uncertainty"]}
    inside = sum(row["u_c"] ** 2 for row in parts.values() if row["in_u"]) ** 0.5
    assert inside == pytest.approx(found["probes"][0]["u_c"])  # the components in U are those of rule 6
    top = found["excursions"][0]
    # the lag of a first-order probe on a ramp: rate x time constant (FACTS G3); rate from the start to the extreme
    minutes = (pd.Timestamp(top["extreme_time"]) - pd.Timestamp(top["start"])) / pd.Timedelta(minutes=1)
    assert parts["lag"]["u_c"] == pytest.approx(12.0 * (top["extreme_c"] - 8.0) / minutes)
    expanded = 2 * found["probes"][0]["u_c"]
    assert {row["direction"]: row["alarm_c"] for row in found["alarm_guard"]} == {"above": pytest.approx(8 - expanded), "below": pytest.approx(2 + expanded)}
