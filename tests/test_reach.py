"""Missing readings within reach of a limit (CONTRACTS rule 14)."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldchain_kit import lots
from coldchain_kit.lots import reach, stays
from coldchain_kit.model import Probe, Trace, Unit, conditions
from coldchain_kit.register import stock
from tests.benchmarks import bench_losses

START = pd.Timestamp("2026-03-01", tz="UTC")
FRIDGE = conditions.get("refrigerated")


def losses(values, gone=(), *, every: float = 10.0) -> reach.Losses:
    """Of a stay as long as the record, with these readings taken out."""
    index = pd.date_range(START, periods=len(values), freq=f"{every}min")
    series = pd.Series(np.asarray(values, float), index=index).drop(index[list(gone)])
    trace = Trace.of(series, probe=Probe("A", "buffered"), u_c=0.25, interval_min=every)
    stay = stock.Stay("F2", index[0], index[-1], "5", 2, FRIDGE)
    here = stays.place(stay, Unit("F2", {"A": trace}), opens=index[0], closes=index[-1])
    return reach.losses(trace, here, stays.Steps())


def wave(count: int = 400, *, level: float = 5.0, swing: float = 0.5) -> np.ndarray:
    return level + swing * np.sin(2 * np.pi * np.arange(count) / 6)


def test_an_isolated_loss_far_from_the_limits_is_counted_and_no_reason():
    found = losses(wave(), [200])
    assert (found.count, found.isolated, found.crossed) == (1, 1, ())
    assert found.share < reach.SHARE


def test_a_loss_near_a_limit_is_within_reach():
    found = losses(wave(level=7.6), [200])
    assert [(one.direction, one.start) for one in found.crossed] == [("above", START + pd.Timedelta("1990min"))]


def test_a_record_that_jumps_reaches_further():
    values = wave()
    values[199], values[201] = 6.8, 6.8
    assert losses(values, [200]).crossed == ()
    values[100] = 6.7  # out and back within two intervals, inside the limits
    assert len(losses(values, [200]).crossed) == 1


def test_without_a_sound_pace_every_loss_is_within_reach():
    assert losses([5.0, 5.0, 5.0, 5.0, 5.0], [1, 3]).crossed


def test_one_percent_of_the_stay_is_a_share():
    assert losses(wave(), [50, 150, 250, 350, 351][:4]).share == pytest.approx(0.01, abs=2e-3)


@given(st.integers(0, 2**31), st.integers(2, 8))
@settings(max_examples=60, deadline=None)
def test_the_peak_is_never_beyond_the_fastest_pace_and_never_below_the_usual_one(seed, intervals):
    rng = np.random.default_rng(seed)
    values = np.cumsum(rng.normal(0, 0.3, 80))
    steps = np.abs(np.diff(values))
    found = reach.Pace(values, np.ones(79, bool), float(steps.max()), float(np.quantile(steps, 0.75)))
    for sign in (1.0, -1.0):
        rise = reach.peak_c(found, sign=sign, intervals=intervals)
        assert found.usual_c * intervals / 2 - 1e-9 <= rise <= found.fastest_c * intervals / 2 + 1e-9


def test_losses_alone_seldom_flag_a_sound_record():
    """A few of the stays of tests/benchmarks/bench_losses.py; all 200 and more are measured there."""
    found = [row for seed in (7001, 7006, 7008, 7014) for row in bench_losses.one(seed, days=7)]
    assert len(found) == 12
    assert sum(row.flagged for row in found if not row.outside) <= 1


def test_lots_carry_what_is_missing():
    assert {"missing_readings", "missing_share"} <= set(lots.assess.__doc__.replace("(", " ").replace(",", " ").split())
