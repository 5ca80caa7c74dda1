"""Less of a record never makes it look better: the kit, on random sites damaged in every way of tests/laws.py.

By default 150 sites with two damages each; ``COLDCHAIN_LAWS=2000 python -m pytest tests/test_laws.py -m slow`` takes so many more,
and 12 sites with every damage.
"""

from __future__ import annotations

import os

import pytest

from coldchain_kit import assessment
from coldchain_kit.base import KitError
from tests import laws, random_sites
from tests.site_dice import roll

MORE = int(os.environ.get("COLDCHAIN_LAWS", "50"))
FIRST = int(os.environ.get("COLDCHAIN_LAWS_FROM", "1000"))


def _assess(path) -> dict:
    return assessment.assess(path).results


def _breaches(seed: int, folder, *, most: int | None = None, judged: list[str] | None = None) -> list[str]:
    if any(dice.interleave for dices in roll(seed) for dice in dices):
        return []  # what is taken out of one download is in the other, at another time
    path, _ = random_sites.make(seed, folder / "site")
    return laws.check(path, folder / "work", _assess, seed=seed, refused=(KitError,), most=most, judged=judged)


def _block(first: int, folder, *, count: int) -> list[str]:
    seeds, judged = range(first, first + count), []
    found = [f"seed {seed}: {said}" for seed in seeds for said in _breaches(seed, folder / str(seed), most=2, judged=judged)]
    assert len(judged) >= count, f"of {count} sites only {len(judged)} damages were held to the law"
    return found


@pytest.mark.parametrize("first", range(0, 150, 10))
def test_less_never_looks_better(tmp_path, first):
    assert _block(first, tmp_path, count=10) == []


@pytest.mark.slow
@pytest.mark.parametrize("first", range(FIRST, FIRST + MORE, 50))
def test_less_never_looks_better_on_many_sites(tmp_path, first):
    assert _block(first, tmp_path, count=50) == []


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(20, 32))
def test_less_never_looks_better_in_any_way(tmp_path, seed):
    assert _breaches(seed, tmp_path) == []
