"""Storage conditions: every figure with its document, limits judged in the unit they were given in."""

from __future__ import annotations

from importlib import resources

import numpy as np
import pytest

from coldchain_kit.base import KitError
from coldchain_kit.model import conditions

# FACTS section b and a: id -> (low, high, MKT limit, window h, status). B1, B5, A7, A8 READ-2; B4, H7 MEMORY; B19 READ-2.
STATED = {
    "refrigerated": (2, 8, None, None, "READ-2"), "controlled_cold": (2, 8, 8, 24, "READ-2"), "frozen": (-50, -15, None, None, "READ-2"),
    "frozen_pharmacopoeia": (-25, -10, None, None, "READ-2"), "deep_frozen": (None, -15, None, None, "MEMORY"),
    "ultra_cold": (-90, -60, None, None, "MEMORY"), "cool": (8, 15, None, None, "READ-2"), "room": (15, 25, None, None, "MEMORY"),
    "not_above_25": (None, 25, None, None, "MEMORY"), "not_above_30": (None, 30, None, None, "MEMORY"),
    "controlled_room": (20, 25, 25, 720, "READ-2"), "do_not_freeze": (0, None, None, None, "READ-2"),
}  # fmt: skip


def test_built_in_conditions_are_the_stated_ones():
    found = {
        name: (c.low, c.high, c.mkt and c.mkt.limit_c, c.mkt and c.mkt.window_hours, c.status) for name, c in conditions.built_in().items()
    }
    assert found == STATED


@pytest.mark.parametrize("name", STATED)
def test_each_names_a_document_and_its_fact(name):
    condition = conditions.get(name)
    assert condition.source and condition.status in ("READ", "READ-2", "MEMORY")
    assert condition.mkt is None or condition.mkt.source and condition.mkt.status in ("READ", "READ-2", "MEMORY")
    assert condition.frozen == (condition.high is not None and condition.high < 0)
    assert not (condition.frozen and condition.do_not_freeze)


def test_every_source_has_its_fact_beside_it_in_the_file():
    lines = resources.files("coldchain_kit.model").joinpath("conditions.toml").read_text("utf-8").splitlines()
    assert all(before.startswith("# FACTS ") for before, line in zip(lines, lines[1:], strict=False) if line.startswith("source"))


def test_limits_are_inclusive_but_below_minus_15_is_not():
    assert conditions.get("refrigerated").outside([2.0, 8.0, 8.000001, 1.999999, np.nan], "above").tolist() == [False, False, True, False, False]
    assert conditions.get("refrigerated").outside([2.0, 1.999999], "below").tolist() == [False, True]
    assert conditions.get("deep_frozen").outside([-15.0, -15.000001], "above").tolist() == [True, False]
    assert not conditions.get("not_above_25").outside([-40.0], "below").any()


def test_fahrenheit_limits_are_judged_in_fahrenheit():
    # FACTS B30 (COMPUTED): 46 °F = 7.78 °C, 36 °F = 2.22 °C; 8.0 °C = 46.4 °F.
    local = conditions.from_table("local", {"low_f": 36.0, "high_f": 46.0})
    assert local.unit == "F" and not local.frozen
    assert local.outside([7.777778, 7.78, 8.0, 7.7], "above").tolist() == [False, True, True, False]
    assert local.outside([2.222222, 2.22], "below").tolist() == [False, True]
    assert local.limit_c("above") == pytest.approx(7.7777778) and local.bands()[0] == ("above", local.limit_c("above"))


def test_an_own_condition_wins_and_a_wrong_name_is_answered():
    own = conditions.from_table("refrigerated", {"low_c": 3.0, "high_c": 7.0})
    assert conditions.get("refrigerated", {"refrigerated": own}).low == 3.0
    with pytest.raises(KitError, match="Did you mean 'refrigerated'"):
        conditions.get("refridgerated")


def test_bands_lie_beyond_the_limits_only():
    for condition in conditions.built_in().values():
        for direction, cut in condition.bands():
            own = condition.limit_c(direction)
            assert own is None or (cut >= own if direction == "above" else cut <= own)
    assert [cut for d, cut in conditions.get("frozen").bands() if d == "above"] == [-15, -10, 0, 8, 15, 25, 30, 40]
    assert ("below", 0.0) in conditions.get("not_above_25").bands()
