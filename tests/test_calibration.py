"""Calibration: GUM H.3 to the printed digits, decision rules, corrections, due dates."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pandas as pd
import pytest

from coldchain_kit.base import KitError
from coldchain_kit.excursions import bounds
from coldchain_kit.model import Probe, Trace, conditions
from coldchain_kit.quality import calibration, calibration_line, decision, uncertainty
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
    # FACTS B9, READ: +-0.5 °C, or the display step's part where that is more
    coarse = calibration.correct(trace([5.0], probe=Probe("A", resolution_c=2.0)), [])
    assert coarse.readings["u_c"].tolist() == pytest.approx([1.0 / math.sqrt(3)])
    done = calibration.correct(trace([5.0], probe=Probe("A", resolution_c=0.5)), [certificate] if certificate else [])
    assert done.readings["u_c"].tolist() == [0.25]
    assert done.celsius.tolist() == [4.8 if certificate else 5.0]


def test_each_reading_takes_the_certificate_in_force_in_the_sites_own_day():
    newer = Certificate("C2", dt.date(2026, 7, 1), expanded_uncertainty_c=0.2, valid_from=dt.date(2026, 7, 2))
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


def test_budget_shows_the_parts_of_u_and_the_lag_beside_them():
    drifting = Certificate("C", dt.date(2025, 1, 1), expanded_uncertainty_c=0.3, drift_c_per_year=0.1)
    probe = Probe("A", role="buffered", resolution_c=0.1, time_constant_min=12.0)
    done = calibration.correct(trace([5.0, 5.1], start="2027-01-01", probe=probe), [drifting])
    rows = {row["component"]: row for row in calibration.budget(done, [drifting], at=done.readings.index[0], rate_c_per_min=0.05)}
    assert rows["drift"]["u_c"] == pytest.approx(0.1 * 730 / 365.25 / math.sqrt(3))
    assert [name for name, row in rows.items() if row["in_u"]] == ["certificate", "resolution", "drift"]
    assert sum(row["u_c"] ** 2 for row in rows.values() if row["in_u"]) == pytest.approx(done.readings["u_c"].iloc[0] ** 2)
    none = calibration.budget(trace([5.0]), [], at=pd.Timestamp("2026-03-01", tz="UTC"))
    assert [(row["component"], row["u_c"]) for row in none] == [("assumed", 0.25)]


# ---- the parts of U (CONTRACTS rule 6) ----


def expanded(value, certificate, **more):
    done = calibration.correct(trace([value], **more), [certificate])
    return 2 * float(done.readings["u_c"].iloc[0])


def test_one_point_far_away_leaves_half_a_degree():
    # a certificate at 25 °C says next to nothing at 8: it once gave a chance of 6e-16 that 8.2 °C was inside
    room = Certificate("C", dt.date(2026, 2, 1), expanded_uncertainty_c=0.05, points=((25.0, 25.0),))
    assert expanded(8.2, room) == pytest.approx(0.5)
    assert float(decision.probability_outside(8.2, 8.0, expanded(8.2, room) / 2, "above")) < 0.8


@pytest.mark.parametrize(("value", "share", "floor"), [(0.0, 0.0, 0), (2.5, 0.0, 0), (5.0, 0.0, 0), (7.5, 0.5, 0), (10.0, 1.0, 0), (10.1, 1.02, 1), (25.0, 2.0, 1), (-2.0, 0.4, 0)])
def test_going_on_beyond_the_points_grows_to_twice_their_largest_difference(value, share, floor):
    points = Certificate("C", dt.date(2026, 3, 1), expanded_uncertainty_c=0.2, points=((0.0, 0.0), (5.0, 4.7)))
    # corrections 0.0 and 0.3 at indicated 0.0 and 4.7: their difference 0.3 / sqrt 3 by distance over spacing, at most twice (rule 6)
    indicated = value * 4.7 / 5.0
    u = math.hypot(0.1, share * 0.3 / math.sqrt(3))
    assert expanded(indicated, points) == pytest.approx(max(2 * u, 0.5 if floor else 0.0), rel=1e-6)


def test_two_certificates_give_a_rate_of_drift():
    old = Certificate("C1", dt.date(2024, 3, 1), expanded_uncertainty_c=0.2, points=((0.0, 0.0), (5.0, 5.0)))
    new = Certificate("C2", dt.date(2026, 3, 1), expanded_uncertainty_c=0.2, points=((0.0, 0.0), (5.0, 5.4)))
    done = calibration.correct(trace([5.0], start="2028-03-01"), [old, new])
    moved = 0.4 * 731 / 730  # the correction at 5 °C moved by 0.4 °C in 730 days; the record is 731 days after the second
    assert float(done.readings["u_c"].iloc[0]) == pytest.approx(math.hypot(0.1, moved / math.sqrt(3)), rel=1e-6)


@pytest.mark.parametrize(("step", "unit"), [(0.1, "C"), (0.5, "C"), (1.0, "F"), (0.5, "F"), (0.1, "F")])
def test_the_display_step_is_seen_in_the_readings(step, unit):
    rng = np.random.default_rng(7)
    shown = np.round(np.round(rng.uniform(40 if unit == "F" else 3, 46 if unit == "F" else 7, 200) / step) * step, 3)
    celsius = (shown - 32) / 1.8 if unit == "F" else shown
    in_c = step / (1.8 if unit == "F" else 1.0)
    data = trace(np.round(celsius, 6))
    assert uncertainty.display_step_c(data) == pytest.approx(in_c)
    known = Certificate("C", dt.date(2026, 1, 1), expanded_uncertainty_c=0.2)
    assert float(calibration.correct(data, [known]).readings["u_c"].max()) == pytest.approx(math.hypot(0.1, in_c / 2 / math.sqrt(3)), rel=1e-6)


def test_full_figures_show_no_step():
    rng = np.random.default_rng(7)
    assert uncertainty.display_step_c(trace(rng.uniform(3, 7, 50))) is None
    assert uncertainty.display_step_c(trace([5.0, 5.5] * 20)) is None  # two numbers only


def test_a_display_in_whole_degrees_fahrenheit_holds_the_true_minutes():
    # true course over 46.5 °F for 150 min, shown in whole °F with U 0.2 °C: "at least" and "at most" once were 20 and 70
    times = np.arange(0, 600, 10.0)
    true_c = 6.0 + 2.6 * np.exp(-(((times - 300) / 130.0) ** 2))
    limit = 8.0
    fine = np.arange(0, 600, 0.1)
    minutes = float((6.0 + 2.6 * np.exp(-(((fine - 300) / 130.0) ** 2)) > limit).sum() * 0.1)
    shown = np.round((np.round(true_c * 1.8 + 32) - 32) / 1.8, 6)
    known = Certificate("C", dt.date(2026, 1, 1), expanded_uncertainty_c=0.2)
    data = Trace.of(pd.Series(shown, index=pd.date_range("2026-03-01", periods=60, freq="10min", tz="UTC")), interval_min=10)
    found = bounds.totals(calibration.correct(data, [known]), conditions.get("refrigerated"), "above", start=data.readings.index[0], end=data.readings.index[-1])
    assert found["minutes_least"] <= minutes <= found["minutes_most"]


def test_a_line_needs_three_points():
    with pytest.raises(KitError, match="three pairs"):
        calibration_line.fit_line([1.0, 2.0], [1.0, 2.0])
