"""Moving the window takes nothing away: what downloads and logbook show of a stay outside it is said, and asks for a decision."""

from __future__ import annotations

import datetime as dt
import random

import pytest

from coldchain_kit import assessment
from tests import sites

START = dt.datetime(2026, 3, 1)
UNIT = '[units.U.logger]\ninterval_min = 5\n'


def results(folder, rows, *, window: tuple[float, float], stay: tuple[float, float | None] = (0, None), book: str = "") -> dict:
    """``rows``: (minutes after the start, value); window and stay in hours."""
    at = lambda hours: (START + dt.timedelta(hours=hours)).isoformat()  # noqa: E731
    path = sites.series(folder, [((START + dt.timedelta(minutes=minute)).isoformat(), value) for minute, value in rows])
    out = "" if stay[1] is None else at(stay[1])
    papers = {"stock.csv": f"lot,product,quantity,moved_in,moved_out\nL,Example,1,{at(stay[0])},{out}\n"}
    papers |= {"logbook.csv": "time,kind,text,until,who,low_c,high_c,reset\n" + book} if book else {}
    return assessment.assess(sites.write(folder, [path], unit=UNIT, case=f"start = {at(window[0])}\nend = {at(window[1])}\n", papers=papers)).results


def sound(hours: int = 96) -> list[tuple[int, float]]:
    rng = random.Random(hours)
    return [(5 * k, round(5.0 + 0.4 * rng.random(), 1)) for k in range(hours * 12)]


def why(found: dict) -> list[str]:
    (lot,) = found["lots"]
    assert lot["needs_decision"] is bool(lot["why"])
    return lot["why"]


@pytest.mark.parametrize("side", ["before", "after"])
def test_a_sound_stay_outside_the_window_asks_nothing(tmp_path, side):
    window = (48, 96) if side == "before" else (0, 48)
    assert why(results(tmp_path, sound(), window=window)) == []


@pytest.mark.parametrize("side", ["before", "after"])
def test_a_display_outside_beside_the_window_is_told(tmp_path, side):
    window, day = ((48, 96), 0) if side == "before" else ((0, 48), 2)
    line = lambda hours, high, reset: f"{(START + dt.timedelta(days=day, hours=hours)).isoformat()},check,shown,,A,4.6,{high},{reset}\n"  # noqa: E731
    told = why(results(tmp_path, sound(), window=window, book=line(8, 5.6, "yes") + line(16, 11.9, "yes")))
    assert any("showed 11.9 °C (logbook line 3), above the limit, during the lot's stay but outside the window" in text for text in told)
    apart = results(tmp_path / "apart", sound(), window=window, stay=(48, None) if side == "before" else (0, 48), book=line(8, 5.6, "yes") + line(16, 11.9, "yes"))
    assert not any("showed 11.9" in text for text in why(apart))


@pytest.mark.parametrize("seed", range(4))
def test_a_gap_a_thinned_stretch_and_a_still_probe_beside_the_window_are_told(tmp_path, seed):
    rng = random.Random(seed)
    first = rng.randrange(60, 300)
    rows = sound()
    gone = rows[:first] + rows[first + 50 :]
    thin = rows[:first] + rows[first : first + 240 : 2] + rows[first + 240 :]
    still = [(minute, 5.2 if first <= k < first + 150 else value) for k, (minute, value) in enumerate(rows)]
    assert any("4.2 h of the lot's stay are without readings" in text or "4.3 h of the lot's stay" in text for text in why(results(tmp_path / "gap", gone, window=(48, 96))))
    assert any("fewer than the logger should have kept" in text for text in why(results(tmp_path / "thin", thin, window=(48, 96))))
    assert any("are doubtful" in text for text in why(results(tmp_path / "still", still, window=(48, 96))))
