"""A clock that does not go forward in spring shows times that never were: what it read then must not vanish with them.

The truth is known by construction: the readings of the hour as this file writes them, 5 min apart.
"""

from __future__ import annotations

import datetime as dt
import random

import pytest

from coldchain_kit import assessment
from tests import sites

CHANGES = {  # zone: the first shown time that never was, in 2026 (tz database 2026)
    "Europe/Lisbon": dt.datetime(2026, 3, 29, 1), "Europe/Berlin": dt.datetime(2026, 3, 29, 2), "America/Toronto": dt.datetime(2026, 3, 8, 2),
    "Australia/Sydney": dt.datetime(2026, 10, 4, 2), "America/Santiago": dt.datetime(2026, 9, 6, 0),
}  # fmt: skip


def results(folder, zone: str, first_min: int, count: int, value: float, *, papers=None) -> dict:
    """A record of three days around the change; ``count`` readings from so many minutes into the hour show ``value``."""
    change = CHANGES[zone]
    times = [change + dt.timedelta(minutes=5 * k) for k in range(-36 * 12, 36 * 12)]
    outside = {change + dt.timedelta(minutes=first_min + 5 * k) for k in range(count)}
    rows = [(time.isoformat(), value if time in outside else 5.0 + 0.1 * (at % 3)) for at, time in enumerate(times)]
    path = sites.series(folder, rows)
    return assessment.assess(sites.write(folder, [path], zone=zone, unit='[units.U.logger]\nclock = "local"\ninterval_min = 5\n', papers=papers)).results


@pytest.mark.parametrize("zone", CHANGES)
@pytest.mark.parametrize("value", [-4.0, 12.0])
def test_what_was_outside_in_the_hour_that_never_was_is_an_excursion(tmp_path, zone, value):
    rng = random.Random(f"{zone}{value}")
    first, count = rng.choice(range(0, 30, 5)), rng.randint(1, 6)
    stock = {"stock.csv": f"lot,product,quantity,moved_in,moved_out\nL,Example,1,{(CHANGES[zone] - dt.timedelta(days=1)).isoformat()},\n"}
    found = results(tmp_path, zone, first, count, value, papers=stock)
    side = "above" if value > 8 else "below"
    (row,) = found["excursions"]
    (probe,) = found["probes"]
    assert (row["direction"], row["extreme_c"], row["readings"]) == (side, value, count)
    assert row["minutes_most"] >= 5 * count and (probe["max_c"] if value > 8 else probe["min_c"]) == value
    never = [one for one in found["conflicts"] if one["time"] is None and one["value_c"] == value]
    assert len(never) == count and all(one["kept"] and "no sure instant" in one["why"] for one in never)
    assert found["lots"][0]["needs_decision"] and found["lots"][0]["possible_freezing"] is (value < 0)
    assert "clock" in {fault["kind"] for fault in found["faults"]}


def test_a_clock_that_follows_has_no_such_hour(tmp_path):
    change = CHANGES["Europe/Lisbon"]
    times = [change + dt.timedelta(minutes=5 * k) for k in [*range(-144, 0), *range(12, 156)]]
    path = sites.series(tmp_path, [(time.isoformat(), 5.0 + 0.1 * (at % 3)) for at, time in enumerate(times)])
    found = assessment.assess(sites.write(tmp_path, [path], zone="Europe/Lisbon", unit='[units.U.logger]\nclock = "local"\ninterval_min = 5\n')).results
    assert found["conflicts"] == [] and found["excursions"] == [] and found["probes"][0]["missing_readings"] == 0
