"""clock: instants of shown times. Expected instants: published/dst_cases.json (COMPUTED from the tz database 2026f, FACTS G6, G7)."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from coldchain_kit import clock
from coldchain_kit.errors import RegisterError
from coldchain_kit.readers.download import Column, Download
from coldchain_kit.register import Certificate, Logger
from coldchain_kit.trace import Probe
from tests.conftest import open_data, published
from tests.downloads import download, entry, every, walls

CASES = published("dst_cases.json")
CHANGES = [(zone, row) for zone, years in CASES["transitions"].items() for rows in years.values() for row in rows]
LOCAL = entry(clock="local")


def micros(text: str) -> np.datetime64:
    return np.datetime64(text.removesuffix("Z"), "us")


def times(placed) -> np.ndarray:
    return placed.utc.tz_localize(None).to_numpy()


# ---- the zone ----


@pytest.mark.parametrize(("zone", "row"), CHANGES, ids=lambda value: value if isinstance(value, str) else value["utc"])
def test_each_change_happens_at_the_published_second(zone, row):
    at = micros(row["utc"])
    second = np.timedelta64(1, "s")
    local = clock.local(pd.DatetimeIndex([at - second, at], tz="UTC"), zone=zone)
    assert [str(time)[:19] for time in local] == [row["local_before"][:19], row["local_after"][:19]]


@pytest.mark.parametrize("zone", [zone for zone, years in CASES["transitions"].items()])
def test_no_other_change_is_found(zone):
    hours = pd.date_range("2025-01-01", "2027-01-01", freq="h", tz="UTC", inclusive="left")
    offset = clock.local(hours, zone=zone) - hours.tz_localize(None).to_numpy()
    found = [str(hours[at + 1])[:13] for at in np.flatnonzero(np.diff(offset))]
    assert len(found) == sum(len(rows) for rows in CASES["transitions"][zone].values())


@pytest.mark.parametrize("case", CASES["wall_clock_cases"], ids=lambda case: f"{case['zone']} {case['wall']}")
def test_wall_times_mean_the_published_instants(case):
    first, second = clock.instants(np.array([case["wall"]], "M8[us]"), zone=case["zone"])
    expected = {row["fold"]: micros(row["utc"]) for row in case["interpretations"]}
    assert (first[0], second[0]) == (expected[0], expected[1])
    kind = "unique" if first[0] == second[0] else "ambiguous" if first[0] < second[0] else "nonexistent"
    assert kind == case["kind"]


@pytest.mark.parametrize("case", CASES["day_lengths"], ids=lambda case: f"{case['zone']} {case['local_date']}")
@pytest.mark.parametrize("minutes", [5, 15])
def test_a_local_day_has_its_published_rows_and_comes_back_exactly(case, minutes):
    day = np.datetime64(case["local_date"])
    utc, shown = walls(case["zone"], str(day - 2), str(day + 3), minutes)
    placed = clock.place(download(shown), LOCAL, zone=case["zone"])
    assert (times(placed) == utc).all()
    assert not placed.doubt_s.any()
    assert placed.notices == ()
    assert placed.state == "declared"
    assert ((shown >= day) & (shown < day + 1)).sum() == case[f"rows_at_{minutes}_min"]


def test_the_trap_backward_wall_times_are_twenty_minutes():
    utc, shown = walls("Europe/Berlin", "2026-10-24", "2026-10-26", 5)
    placed = clock.place(download(shown), LOCAL, zone="Europe/Berlin")
    at = [np.flatnonzero(shown == np.datetime64(f"2026-10-25T02:{minute}"))[number] for minute, number in (("50", 0), ("10", 1))]
    assert placed.utc[at[1]] - placed.utc[at[0]] == pd.Timedelta(minutes=20)


def test_newest_first_is_turned():
    utc, shown = walls("Europe/Berlin", "2026-10-24", "2026-10-26", 5)
    placed = clock.place(download(shown[::-1]), LOCAL, zone="Europe/Berlin")
    assert (times(placed) == utc[::-1]).all()
    assert placed.notices == ()


def test_the_version_of_the_zone_rules_is_the_installed_packages():
    import importlib.metadata

    year, number = importlib.metadata.version("tzdata").split(".")[:2]
    assert clock.tz_version() == f"{year}{'abcdefghijklm'[int(number) - 1]}"


@pytest.mark.parametrize("zone", ["Europe/Lisboa", "../../etc/passwd", "Europe", "", "/Europe/Lisbon"])
def test_a_zone_that_is_not_there_is_refused(zone):
    with pytest.raises(RegisterError, match="zone"):
        clock.database(zone)


def test_shown_has_the_offset_and_seconds_where_there_are_any():
    assert clock.shown(pd.Timestamp("2026-03-06T22:40", tz="UTC"), zone="Europe/Lisbon") == "2026-03-06 22:40 +00:00"
    assert clock.shown(pd.Timestamp("2026-07-06T22:40:30", tz="UTC"), zone="Asia/Kathmandu") == "2026-07-07 04:25:30 +05:45"
    assert clock.shown(None, zone="Europe/Lisbon") == "time not known"
