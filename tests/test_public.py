"""The public calls: any Series of one's own, and a refusal in a sentence where its times could make an excursion smaller."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import coldchain_kit as ck

CALLS = {
    "gaps": ck.gaps, "coverage": ck.coverage, "minutes_beyond": lambda s: ck.minutes_beyond(s, limit_c=8.0),
    "degree_minutes": lambda s: ck.degree_minutes(s, limit_c=8.0), "mean_kinetic_temperature": ck.mean_kinetic_temperature,
}  # fmt: skip
TIMES = pd.date_range("2026-03-01", periods=5, freq="5min", tz="UTC")
RISE = pd.Series([7.0, 9.0, 11.0, 9.0, 7.0], TIMES)


@pytest.mark.parametrize("name", CALLS)
@pytest.mark.parametrize(
    ("series", "told"),
    [
        (RISE[::-1], "not in order"),
        (RISE.iloc[[0, 2, 1, 3, 4]], "not in order"),
        (RISE.set_axis([*TIMES[:4], TIMES[3]]), "not in order, or one stands twice"),
        (RISE.set_axis(TIMES.tz_localize(None)), "no times with a zone"),
        (RISE.reset_index(drop=True), "no times with a zone"),
        (RISE.iloc[:0], "no reading"),
    ],
    ids=["newest first", "shuffled", "twice", "naive", "numbers", "empty"],
)
def test_times_that_no_rule_can_rest_on_are_refused_in_a_sentence(name, series, told):
    with pytest.raises(ck.KitError, match=told):
        CALLS[name](series)


@given(st.lists(st.floats(-20, 40), min_size=2, max_size=40))
def test_minutes_beyond_are_in_order_and_within_the_record(values):
    series = pd.Series(values, pd.date_range("2026-03-01", periods=len(values), freq="5min", tz="UTC"))
    found = ck.minutes_beyond(series, limit_c=8.0, u_c=0.25)
    assert 0.0 <= found.least <= found.minutes <= found.most <= 5.0 * (len(values) - 1)
    # the area by numpy on a fine grid of the straight lines, independent of the kit
    grid = np.linspace(0, len(values) - 1, 2000 * (len(values) - 1) + 1)
    beyond = np.clip(np.interp(grid, np.arange(len(values)), values) - 8.0, 0, None)
    assert ck.degree_minutes(series, limit_c=8.0) == pytest.approx(float(np.trapezoid(beyond, grid) * 5.0), abs=0.05)


@pytest.mark.parametrize("given", [{"u_c": float("nan")}, {"u_c": -1.0}, {"u_c": float("inf")}, {"limit_c": float("nan")}])
def test_figures_that_cannot_be_are_refused_and_never_make_a_bound_narrower(given):
    """Of an uncertainty that is not known, "at most" came out below "minutes"."""
    own = pd.Series([7.0, 9.0, 11.0, 9.0, 7.0], pd.date_range("2026-03-01", periods=5, freq="5min", tz="UTC"))
    with pytest.raises(ck.KitError, match=next(iter(given))):
        ck.minutes_beyond(own, **{"limit_c": 8.0, **given})
    with pytest.raises(ck.KitError, match="ea_kj_mol is nan"):
        ck.mean_kinetic_temperature(own, ea_kj_mol=float("nan"))
