"""Every word, table and chart about an instant in the hour that comes twice: said with its own offset, never an error."""

from __future__ import annotations

import random

import pandas as pd
import pytest

from coldchain_kit.show import front, narrative, tables, wording
from coldchain_kit.show.front.times import Times
from tests import sites

ZONES = {  # zone: the first instant of the hour's second pass, in 2026 (tz database 2026)
    "Europe/Lisbon": "2026-10-25T01:00Z", "Europe/Berlin": "2026-10-25T01:00Z", "America/Toronto": "2026-11-01T06:00Z", "Australia/Sydney": "2026-04-04T16:00Z", "Australia/Lord_Howe": "2026-04-04T15:00Z",
}  # fmt: skip


@pytest.mark.parametrize("zone", ZONES)
def test_an_instant_in_it_is_told_with_its_offset(zone):
    """Against pandas' own conversion, minute by minute over both passes."""
    turn = pd.Timestamp(ZONES[zone])
    for time in pd.date_range(turn - pd.Timedelta("70min"), turn + pd.Timedelta("70min"), freq="1min"):
        text = wording.when(time, zone)
        assert pd.Timestamp(text) == time and wording.when(time, zone, estimated=True) == text
        assert wording.moment(time, zone) and Times(zone, "+00:00", 2026).short(time)


@pytest.mark.parametrize("zone", ZONES)
def test_a_case_across_it_is_told_in_every_table(tmp_path, zone):
    """An excursion, the lowest and the highest reading, a gap and two checks, all inside the two passes."""
    from coldchain_kit import assessment

    turn, rng = pd.Timestamp(ZONES[zone]), random.Random(zone)
    times = pd.date_range(turn - pd.Timedelta("30h"), turn + pd.Timedelta("30h"), freq="5min")
    values = [12.0 if abs((time - turn) / pd.Timedelta("1min") - 20) < 18 else 3.0 if time == turn - pd.Timedelta("40min") else 5.0 + 0.1 * rng.randrange(4) for time in times]
    rows = [(time.strftime("%Y-%m-%dT%H:%M:%SZ"), value) for time, value in zip(times, values, strict=True) if not pd.Timedelta("-25min") < time - turn < pd.Timedelta("-5min")]
    path = sites.series(tmp_path, rows)
    local = [(turn + pd.Timedelta(minutes=m)).tz_convert(zone).strftime("%Y-%m-%dT%H:%M") for m in (-20, 25)]
    papers = {"logbook.csv": "time,kind,text,until,who,low_c,high_c,reset\n" + "".join(f"{one},check,seen,,A,4.0,13.5,yes\n" for one in local), "stock.csv": f"lot,product,quantity,moved_in,moved_out\nL,Example,1,{times[0].tz_convert(zone):%Y-%m-%dT%H:%M},\n"}
    found = assessment.assess(sites.write(tmp_path, [path], zone=zone, unit="[units.U.logger]\ninterval_min = 5\n", papers=papers))
    assert found.results["excursions"] and found.results["probes"][0]["gaps"]
    shown = [str(getattr(tables, name)(found)) for name in tables.__all__ if callable(getattr(tables, name)) and name not in ("Prose", "Table", "Tables", "csv_tables", "fingerprint")]
    assert len(shown) > 25 and str(front.page(found)) and " ".join(" ".join(lines) for lines in narrative.sentences(found).values())
