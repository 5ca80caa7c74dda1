"""Calibration: GUM H.3 to the printed digits, decision rules, corrections, due dates."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pandas as pd
import pytest

from coldchain_kit.base import KitError
from coldchain_kit.model import Probe, Trace, conditions
from coldchain_kit.quality import calibration, calibration_line, decision
from coldchain_kit.register import Certificate, ProbeEntry, UnitEntry
from tests.conftest import published

GUM = published("gum_h3_thermometer.json")
RULES = published("decision_rule_cases.json")
C1 = Certificate("C1", dt.date(2026, 2, 10), dt.date(2028, 2, 10), 0.3, points=((0.0, 0.1), (5.0, 5.2)))


def trace(values, *, start="2026-03-01", freq="5min", probe=None):
    return Trace.of(pd.Series(values, index=pd.date_range(start, periods=len(values), freq=freq, tz="UTC")), probe=probe or Probe("A"))


def gum_line():
    return calibration_line.fit_line(GUM["indicated_c"], GUM["correction_b_c"], origin=GUM["t0_c"])


@pytest.mark.parametrize(("field", "digits"), [("intercept", 4), ("u_intercept", 4), ("slope", 5), ("u_slope", 5), ("correlation", 3), ("residual_sd", 4)])
def test_gum_h3_is_reproduced_to_the_printed_digits(field, digits):
    # JCGM 100:2008 H.3.3, FACTS D1 READ-2
    assert round(getattr(gum_line(), field), digits) == pytest.approx(GUM["published"][field], abs=1e-12)
    assert getattr(gum_line(), field) == pytest.approx(GUM["recomputed"][field], rel=1e-9)


def test_gum_h3_correction_at_30_with_its_uncertainty():
    value, u = gum_line().at(30.0)
    assert (round(value, 4), round(u, 4)) == (GUM["published"]["correction_at_30"], GUM["published"]["u_correction_at_30"])


@pytest.mark.parametrize("case", GUM["apply"], ids=lambda case: str(case["indicated"]))
def test_gum_h3_applied(case):
    value, u = gum_line().at(case["indicated"])
    assert case["indicated"] + value == pytest.approx(case["corrected"], rel=1e-12)
    assert u == pytest.approx(case["u"], rel=1e-6)


def test_gum_h3_with_a_common_uncertainty():
    expected = GUM["with_systematic_u_0_005"]
    u, dof = calibration_line.combined([(gum_line().u_intercept, gum_line().dof), (0.005, math.inf)])
    assert u == pytest.approx(expected["u_intercept"], rel=1e-9)
    assert dof == pytest.approx(expected["dof_intercept"], rel=1e-9)


@pytest.mark.parametrize("case", RULES["upper_limit_cases"], ids=lambda case: f"{case['U_k2']}-{case['reading_c']}")
def test_decision_rules_at_the_upper_limit(case):
    # ILAC-G8:09/2019 4.2, FACTS D2 READ; risks COMPUTED
    reading, limit, expanded = case["reading_c"], case["limit_c"], case["U_k2"]
    assert round(float(decision.probability_outside(reading, limit, expanded / 2, "above")), 6) == case["prob_true_above_limit"]
    for rule, key in (("simple", "simple"), ("guarded", "binary_guard_w_eq_U"), ("non_binary", "non_binary_w_eq_U")):
        assert decision.decide(reading, limit, expanded, "above", rule=rule) == case[key]


@pytest.mark.parametrize("case", RULES["two_sided_cases"], ids=lambda case: str(case["reading_c"]))
def test_two_sided_conformance(case):
    low, high = case["range_c"]
    u = case["U_k2"] / 2
    outside = decision.probability_outside(case["reading_c"], high, u, "above") + decision.probability_outside(case["reading_c"], low, u, "below")
    assert 1 - float(outside) == pytest.approx(case["conformance_probability"], abs=5e-7)


@pytest.mark.parametrize("row", RULES["guard_band_table"], ids=lambda row: str(row["w_over_U"]))
def test_risk_at_the_acceptance_limit(row):
    assert decision.risk_at_guard(row["w_over_U"]) == pytest.approx(row["risk_at_acceptance_limit"], rel=1e-9)


def test_probability_is_certain_without_uncertainty_and_unknown_without_value():
    assert decision.probability_outside([8.1, 8.0, np.nan], 8.0, 0.0, "above").tolist()[:2] == [1.0, 0.0]
    assert math.isnan(decision.probability_outside([np.nan], 8.0, 0.25, "above")[0])
    with pytest.raises(KitError, match="above or below"):
        decision.probability_outside(1.0, 2.0, 0.1, "up")


def test_correction_follows_the_points_and_keeps_the_ends():
    done = calibration.correct(trace([0.1, 5.2, 2.65, 9.0, np.nan]), [C1])
    # by hand: (0.0 - 0.1), (5.0 - 5.2), half way between them, the end's value carried on
    assert done.celsius.tolist()[:4] == [0.0, 5.0, 2.5, 8.8]
    assert done.flags["calibration"].tolist() == [1, 1, 1, 2, 9]
    assert done.as_read_c.tolist()[:4] == [0.1, 5.2, 2.65, 9.0]
    assert done.check() == []
    assert done.steps[-1].arguments["certificates"][0]["beyond_points"] == 1
    assert done.steps[-1].rows_changed == 4


def test_uncertainty_is_certificate_and_half_a_resolution_step():
    u, source = calibration.uncertainty(Certificate(expanded_uncertainty_c=0.3, coverage=3.0), resolution_c=0.5)
    assert source == "certificate"
    assert u == pytest.approx(math.sqrt(0.1**2 + (0.25 / math.sqrt(3)) ** 2))


@pytest.mark.parametrize("certificate", [None, Certificate("C", dt.date(2026, 1, 1), points=((5.0, 5.2),))])
def test_without_a_stated_uncertainty_half_a_degree_is_assumed(certificate):
    # FACTS B9, READ: +-0.5 °C
    done = calibration.correct(trace([5.0], probe=Probe("A", resolution_c=0.5)), [certificate] if certificate else [])
    assert done.readings["u_c"].tolist() == [0.25]
    assert done.celsius.tolist() == [4.8 if certificate else 5.0]


def test_each_reading_takes_the_certificate_in_force_in_the_sites_own_day():
    newer = Certificate("C2", dt.date(2026, 7, 1), expanded_uncertainty_c=0.2, points=((5.0, 5.5),), valid_from=dt.date(2026, 7, 2))
    data = trace([5.0, 5.0, 5.0], start="2026-07-01 22:30", freq="30min")
    lisbon = calibration.correct(data, [C1, newer], zone="Europe/Lisbon")  # its midnight is 23:00 UTC in summer
    assert lisbon.readings["u_c"].tolist() == [0.15, 0.1, 0.1]
    assert calibration.correct(data, [C1, newer]).readings["u_c"].tolist() == [0.15, 0.15, 0.15]
    before = calibration.correct(trace([5.2], start="2026-01-01"), [C1])
    assert before.celsius.tolist() == [5.2]
    assert before.readings["u_c"].tolist() == [0.25]


def test_stated_says_assumed_as_soon_as_one_instant_has_no_certificate():
    entry = ProbeEntry(Probe("A"), certificates=(C1,))
    span = pd.DatetimeIndex(["2026-01-01", "2026-03-01"], tz="UTC")
    assert calibration.stated(span, entry) == (0.25, "assumed")
    assert calibration.stated(span[1:], entry) == (0.15, "certificate")


def test_state_tells_due_dates_and_as_found_out_of_tolerance():
    newer = Certificate("C2", dt.date(2028, 3, 1), as_found=((5.0, 5.8),), tolerance_c=0.5)
    probe = ProbeEntry(Probe("A"), certificates=(C1, newer))
    entry = UnitEntry("F2", "refrigerator", "", conditions.get("refrigerated"), probes={"A": probe, "B": ProbeEntry(Probe("B"))})
    rows = calibration.state(entry, pd.Timestamp("2028-02-01", tz="UTC"), pd.Timestamp("2028-02-20", tz="UTC"), zone="Europe/Lisbon")
    assert [(row["probe"], row["certificate"], row["overdue"], row["as_found_out"]) for row in rows] == [
        ("A", "C1", True, False), ("A", "C2", False, True), ("B", None, False, False),
    ]  # fmt: skip
    assert "overdue since 2028-02-10 (10 days)" in rows[0]["text"]
    assert rows[1]["doubt_since"] == "2026-02-10"
    assert "since the last good check, 2026-02-10" in rows[1]["text"]
    assert "assumed" in rows[2]["text"]


def test_budget_shows_drift_beside_u():
    drifting = Certificate("C", dt.date(2025, 1, 1), expanded_uncertainty_c=0.3, drift_c_per_year=0.1)
    rows = {row["component"]: row for row in calibration.budget(drifting, resolution_c=0.1, on=dt.date(2027, 1, 1))}
    assert rows["drift"]["u_c"] == pytest.approx(0.1 * 730 / 365.25 / math.sqrt(3))
    assert [name for name, row in rows.items() if row["in_u"]] == ["certificate", "resolution"]
    assert calibration.budget(None)[0]["component"] == "assumed"


def test_a_line_needs_three_points():
    with pytest.raises(KitError, match="three pairs"):
        calibration_line.fit_line([1.0, 2.0], [1.0, 2.0])
