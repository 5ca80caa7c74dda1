"""Mean kinetic temperature with a product's own activation energy, against a published stability example."""

from __future__ import annotations

import numpy as np
import pytest

from coldchain_kit.model import physics
from tests.conftest import published

CASES = published("accelerated_stability_cases.json")  # CRAN AccelStab 2.3.2 vignette, READ; FACTS section a
EXCURSION = CASES["excursion"]
KELVIN = 273.15  # ITS-90 (MEMORY, FACTS D10)


def phases():
    ends = [0.0, *(phase["until"] for phase in EXCURSION["phases"])]
    return [(phase["temp_c"], end - start) for phase, start, end in zip(EXCURSION["phases"], ends[:-1], ends[1:], strict=True)]


def test_mkt_with_the_products_own_energy_is_the_published_one():
    stated, k2 = CASES["mkt_equivalence"], EXCURSION["published_fit"]["k2"]
    temps, durations = zip(*phases(), strict=True)
    own = physics.mean_kinetic_temperature_c(temps, durations, ea_kj_mol=k2 * physics.GAS_CONSTANT_KJ_MOL_K)
    assert own == pytest.approx(stated["mkt_with_Ea_over_R_eq_k2_c"], abs=5e-6)
    default = physics.mean_kinetic_temperature_c(temps, durations)
    assert default == pytest.approx(stated["mkt_with_83_144_c"], abs=5e-7)
    assert default < own  # the default energy makes this excursion look smaller


def test_a_stay_at_the_mkt_loses_what_the_phases_lose():
    # Arrhenius: the loss of any order rests on the sum of rate x time, so that sum is compared (k2 = Ea / R)
    k2 = EXCURSION["published_fit"]["k2"]
    temps, durations = map(np.array, zip(*phases(), strict=True))
    mkt = physics.mean_kinetic_temperature_c(temps, durations, ea_kj_mol=k2 * physics.GAS_CONSTANT_KJ_MOL_K)
    lost = np.sum(np.exp(-k2 / (temps + KELVIN)) * durations)
    assert np.exp(-k2 / (mkt + KELVIN)) * durations.sum() == pytest.approx(lost, rel=1e-9)
