"""Do "at least" and "at most" enclose the truth, and are they as narrow as the record allows? 1,000 simulated traces."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from coldchain_kit import simulate
from coldchain_kit.excursions import bounds
from coldchain_kit.model import Trace, conditions

START = pd.Timestamp("2026-03-01", tz="UTC")
FRIDGE = conditions.get("refrigerated")
KINDS = ("power_loss", "door_open", "cooling_failure", "overcooling", "warm_load", "defrost")


def one(seed: int) -> dict[str, dict[str, float | bool]]:
    """A random cabinet, event, interval and uncertainty: truth and bounds on both sides."""
    rng = np.random.default_rng([seed, 99])
    cabinet = simulate.draw(seed)
    event = simulate.Event(str(rng.choice(KINDS)), float(rng.uniform(60, 300)), float(rng.uniform(10, 240)))
    made = simulate.run(cabinet, [event], start=START, hours=12, seed=seed)
    interval = int(rng.integers(1, 31))
    probe = str(rng.choice(["A", "B"]))
    series = made.sampled(interval)[probe]
    truth = made.truth[f"probe_{probe}"]
    expanded = float(rng.uniform(0.2, 0.8))
    trace = Trace.of(series, u_c=expanded / 2)
    end = series.index[-1]
    course = truth[truth.index <= end].to_numpy()
    each = interval * 6
    ends = course[::each]
    off = float(np.abs(ends - series.to_numpy()[: len(ends)]).max())
    pieces = course[: (len(course) - 1) // each * each].reshape(-1, each)
    read = np.interp(np.arange(len(course)), np.arange(len(series)) * each, series.to_numpy())
    rows = {}
    for side in ("above", "below"):
        total = bounds.totals(trace, FRIDGE, side, start=START, end=end)
        sign, limit = (1, 8.0) if side == "above" else (-1, 2.0)
        out_ends, out_pieces, outside = sign * (ends - limit) > 0, sign * (pieces - limit) > 0, sign * (course - limit) > 0
        same = out_ends[:-1] == out_ends[1:]
        # All that "the truth stays between neighbouring readings" is needed for: it does not cross the limit and come back unseen.
        holds = off <= expanded and bool((out_pieces == out_ends[:-1, None])[same].all())
        near = np.abs(read - limit) <= expanded
        turns = int(np.abs(np.diff((sign * (read - limit) > 0).astype(int))).sum()) + int(np.abs(np.diff(near.astype(int))).sum())
        rows[side] = {
            **total, "truth": float(outside.sum()) / 6, "holds": holds, "allowed": 1.5 * ((turns + 2) * interval + float(near.sum()) / 6),
        }  # fmt: skip
    return rows


@pytest.mark.slow
def test_bounds_enclose_the_truth_of_a_thousand_traces_and_are_not_idle(capsys):
    tried = held = inside_elsewhere = 0
    for seed in range(1000):
        for row in one(seed).values():
            tried += 1
            enclosed = row["minutes_least"] - 0.35 <= row["truth"] <= row["minutes_most"] + 0.35  # the truth is stepped: 10 s at each edge
            if row["holds"]:
                held += 1
                assert enclosed, (seed, row)
            else:
                inside_elsewhere += enclosed
            assert row["minutes_most"] - row["minutes_least"] <= row["allowed"], (seed, row)
    with capsys.disabled():
        print(f"\nbounds: enclosed in all {held} cases where the truth stays between readings; elsewhere in {inside_elsewhere} of {tried - held}")
    assert held > 200


def test_a_bound_that_is_too_narrow_would_be_seen():
    """The trap of the check above: minutes on the straight line alone do not enclose the truth."""
    rows = [row for seed in range(40) for row in one(seed).values() if row["holds"] and row["truth"] > 0]
    assert any(abs(row["minutes"] - row["truth"]) > 0.35 for row in rows)
