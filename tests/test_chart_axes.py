"""Every text under every chart is a time that the site's own wall clock showed there, over a clock change, too."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

import coldchain_kit as ck
from coldchain_kit.show import charts
from coldchain_kit.show.charts import drawing
from tests import sites

ZONES = ("Europe/Berlin", "America/Toronto", "Australia/Lord_Howe", "America/Santiago", "Europe/Lisbon")  # half an hour forward, south of the equator, and more


def changes(zone: str, year: int = 2026) -> list[datetime]:
    """Instants (UTC) at which the zone's offset changes in a year, by the standard library."""
    hours = [datetime(year, 1, 1, tzinfo=UTC) + timedelta(hours=k) for k in range(8760)]
    return [later for before, later in pairwise(hours) if before.astimezone(ZoneInfo(zone)).utcoffset() != later.astimezone(ZoneInfo(zone)).utcoffset()]


CASES = [(zone, change) for zone in ZONES for change in changes(zone)]


def test_each_zone_changes_twice_a_year():
    assert len(CASES) == 2 * len(ZONES)


@pytest.fixture(scope="module", params=CASES, ids=lambda given: f"{given[0]}-{given[1]:%m-%d}")
def assessment(request, tmp_path_factory):
    """Two days around a clock change, in UTC so that no time is in doubt, with a warm stretch over the change itself."""
    zone, change = request.param
    base = tmp_path_factory.mktemp("axis")
    times = pd.date_range(change - timedelta(hours=25), change + timedelta(hours=25), freq="10min")
    hours = np.asarray((times - pd.Timestamp(change)).total_seconds()) / 3600
    values = 5 + 0.4 * np.sin(np.arange(len(times)) / 2.2) + np.where(hours > -3, 6 * (1 - np.exp(-(hours + 3) / 2)), 0) * np.where(hours > 3, np.exp(-(hours - 3) / 1.5), 1)
    rows = [(f"{time:%Y-%m-%d %H:%M}", f"{value:.1f}") for time, value in zip(times, values, strict=True)]
    unit = '[units.U.logger]\nclock = "utc"\ninterval_min = 10\n[units.U.probes.A]\nrole = "buffered"\ntime_constant_min = 10.0\n'
    return ck.assess(sites.write(base, [sites.series(base, rows)], unit=unit, zone=zone))


def drawings(assessment):
    made = [charts.overview, charts.episodes, charts.flags, charts.channels, charts.causes, charts.cycles, charts.month]
    return [one for make in made for found in [make(assessment)] for one in ([found] if isinstance(found, drawing.Drawing) else found)]


def test_no_text_of_any_chart_is_a_broken_figure(assessment):
    pictures = drawings(assessment)
    assert len(pictures) >= 4
    for picture in pictures:
        texts = re.findall(r"<text[^>]*>([^<]*)</text>", picture.svg)
        assert not [text for text in texts if re.search(r"NaN|undefined|null|Infinity|Invalid", text)], picture.title


def test_every_tick_stands_where_the_wall_clock_showed_it(assessment):
    zone, (picture,) = assessment.site.timezone, charts.overview(assessment)
    labels = re.findall(r'<text[^>]*transform="translate\(([\d.]+),1\d(?:\.\d+)?\)"[^>]*>(\d\d:\d\d|\d\d [A-Z][a-z]{2})</text>', picture.svg)
    start, end = assessment.window.start.to_pydatetime(), assessment.window.end.to_pydatetime()
    assert len(labels) >= 6
    for at, label in labels:
        shown = (start + (end - start) * float(at) / drawing.WIDTH_PX).astimezone(ZoneInfo(zone))
        told = datetime.strptime(f"2026 {label}" if ":" not in label else f"2026 {shown:%d %b} {label}", "%Y %d %b" if ":" not in label else "%Y %d %b %H:%M")
        assert abs((shown.replace(tzinfo=None) - told).total_seconds()) < 61, (label, shown)
