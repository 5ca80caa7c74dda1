"""Heat kinetics against the printed figures of a published stability example."""

from __future__ import annotations

import numpy as np
import pytest

from coldchain_kit import kinetics, physics
from coldchain_kit.errors import KitError
from tests.conftest import published

CASES = published("accelerated_stability_cases.json")  # CRAN AccelStab 2.3.2 vignette, READ; FACTS section a
EXCURSION, POTENCY = CASES["excursion"], CASES["potency"]


def phases():
    ends = [0.0, *(phase["until"] for phase in EXCURSION["phases"])]
    return [(phase["temp_c"], end - start) for phase, start, end in zip(EXCURSION["phases"], ends[:-1], ends[1:], strict=True)]


def constants(fit):
    return {"k1": fit["k1"], "k2": fit["k2"], "order": fit["k3"], "start": fit["c0"]}


def test_three_phases_end_at_the_published_figure():
    got = kinetics.remaining(phases(), **constants(EXCURSION["full_precision_refit"]))
    assert got == pytest.approx(list(EXCURSION["recomputed"].values()), rel=1e-7)
    assert got[-1] == pytest.approx(EXCURSION["published_final"], abs=5e-5)  # printed 61.71256, recomputed 61.712555 (FACTS)


def test_degradation_of_the_first_days_is_the_published_one():
    (left,) = kinetics.remaining([(5.0, 0.01115068)], **{**constants(EXCURSION["full_precision_refit"]), "start": 1.0})
    stated = EXCURSION["degradation_at_5C_t_0_01115068"]
    assert 1 - left == pytest.approx(stated["recomputed"], rel=1e-6) and 1 - left == pytest.approx(stated["published"], rel=2e-5)


def test_mkt_with_the_products_own_energy_ends_where_the_phases_do():
    fit, stated = EXCURSION["published_fit"], CASES["mkt_equivalence"]
    temps, durations = zip(*phases(), strict=True)
    mkt = physics.mean_kinetic_temperature_c(temps, durations, ea_kj_mol=kinetics.activation_energy_kj_mol(fit["k2"]))
    assert mkt == pytest.approx(stated["mkt_with_Ea_over_R_eq_k2_c"], abs=5e-6)
    assert physics.mean_kinetic_temperature_c(temps, durations) == pytest.approx(stated["mkt_with_83_144_c"], abs=5e-7)
    for order in (0.0, 1.0, 2.0, fit["k3"]):
        phased = kinetics.remaining(phases(), **{**constants(fit), "order": order})[-1]
        assert kinetics.remaining([(mkt, sum(durations))], **{**constants(fit), "order": order})[-1] == pytest.approx(phased, rel=1e-9)
    default = kinetics.remaining([(stated["mkt_with_83_144_c"], sum(durations))], **constants(fit))[-1]
    assert default > kinetics.remaining(phases(), **constants(fit))[-1] + 1  # the default energy makes this excursion look smaller


def test_potency_figures():
    refit, stated = POTENCY["refit"], POTENCY["published"]
    constants_ = {"k1": refit["k1"], "k2": refit["k2"]}
    per_month = float(kinetics.rate(5.0, **constants_))
    assert per_month == pytest.approx(refit["rate_5C_per_month"], rel=1e-5)
    assert 1 - kinetics.remaining([(5.0, 0.36)], order=0, **constants_)[0] == pytest.approx(stated["degradation_at_0_36_month_5C"], rel=1e-4)
    assert kinetics.activation_energy_kj_mol(refit["k2"]) == pytest.approx(POTENCY["Ea_kJ_mol"], abs=2e-3)
    months = (1 - 9.0 / refit["c0"]) / per_month
    assert months == pytest.approx(refit["months_to_9_0_point"], rel=1e-6)


def test_nothing_goes_below_zero_and_time_does_not_run_back():
    assert kinetics.remaining([(60.0, 1e9), (5.0, 1.0)], k1=40, k2=12000, order=0.5) == [0.0, 0.0]
    with pytest.raises(KitError, match="below zero"):
        kinetics.remaining([(5.0, -1.0)], k1=40, k2=12000, order=1)
    assert np.isclose(kinetics.remaining([(5.0, 2.0)], k1=40, k2=12000, order=1 + 1e-9)[0], kinetics.remaining([(5.0, 2.0)], k1=40, k2=12000, order=1)[0], rtol=1e-6)
