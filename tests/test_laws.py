"""Less of a record never makes it look better: the kit, on random sites damaged in every way of tests/laws.py."""

from __future__ import annotations

import pytest

from coldchain_kit import assessment
from coldchain_kit.base import KitError
from tests import laws, random_sites
from tests.site_dice import roll


def _assess(path) -> dict:
    return assessment.assess(path).results


def _breaches(seed: int, folder) -> list[str]:
    if any(dice.interleave for dices in roll(seed) for dice in dices):
        return []  # what is taken out of one download is in the other, at another time
    path, _ = random_sites.make(seed, folder / "site")
    return laws.check(path, folder / "work", _assess, seed=seed, refused=(KitError,))


@pytest.mark.parametrize("seed", [0, 7, 13])
def test_less_never_looks_better(tmp_path, seed):
    assert _breaches(seed, tmp_path) == []


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(20, 60))
def test_less_never_looks_better_on_many_sites(tmp_path, seed):
    assert _breaches(seed, tmp_path) == []
