"""A probe called "room" that lies in the refrigerator hides nothing; a probe in the room is no probe of the unit."""

from __future__ import annotations

import datetime as dt
import random

import pytest

from coldchain_kit import assessment
from tests import sites

START = dt.datetime(2026, 3, 1)
UNIT = '[units.U.logger]\ninterval_min = 5\n[units.U.probes.P]\nrole = "buffered"\n[units.U.probes.Q]\nrole = "room"\n'


def results(folder, level_c: float, *, hump_c: float = 0.0, seed: int = 1) -> dict:
    """P sound at 5 °C; Q at ``level_c`` with a rise of 80 min on the second day."""
    rng, rows = random.Random(seed), []
    for k in range(3 * 288):
        q = level_c + 0.4 * rng.random() + (hump_c if 400 <= k < 416 else 0.0)
        rows.append(f"{(START + dt.timedelta(minutes=5 * k)).isoformat()},{5.0 + 0.4 * rng.random():.1f},{q:.1f}")
    (folder / "U").mkdir(parents=True)
    path = folder / "U" / "a.csv"
    path.write_text("time,P (°C),Q (°C)\n" + "\n".join(rows) + "\n", "utf-8")
    papers = {"stock.csv": "lot,product,quantity,moved_in,moved_out\nL,Example,1,2026-03-01T00:00,\n"}
    return assessment.assess(sites.write(folder, [path], unit=UNIT, papers=papers)).results


@pytest.mark.parametrize("seed", range(3))
def test_a_probe_inside_that_is_called_room_is_told_when_it_leaves_the_limits(tmp_path, seed):
    (lot,) = results(tmp_path, 5.0, hump_c=6.5, seed=seed)["lots"]
    assert lot["needs_decision"] and any("is called a room probe, but its readings lie inside" in text and "16 readings above 8 °C" in text for text in lot["why"])


@pytest.mark.parametrize("level_c", [18.0, 22.0, 31.0])
def test_a_probe_in_the_room_asks_nothing(tmp_path, level_c):
    (lot,) = results(tmp_path, level_c, hump_c=3.0)["lots"]
    assert not lot["needs_decision"] and lot["why"] == []


def test_a_room_probe_inside_that_stays_inside_asks_nothing(tmp_path):
    (lot,) = results(tmp_path, 5.0)["lots"]
    assert not any("room probe" in text for text in lot["why"])
