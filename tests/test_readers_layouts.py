"""Every layout of tests/layouts.py reads back to the trace it was written from."""

from __future__ import annotations

import math
import string
from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from coldchain_kit import downloads
from coldchain_kit.base import LayoutError
from tests import layouts

CONTENTS = {
    "even": layouts.content(1),
    "gaps": layouts.content(2, gaps=True, rows=90),
    "hours": layouts.content(3, minutes=60, rows=80, start=datetime(2026, 8, 10, 23, 0)),
}


def check(download, truth, *, newest_first=False, long=False, named=True):
    source = download.source
    assert source.rows == source.read == truth["rows"]
    assert source.rejects == ()
    assert download.time_kind == truth["kind"]
    assert sum(event["line"] > 0 for event in source.events) == truth["events"]
    columns = [c for c in download.columns if c.kind == "temperature"]
    assert not named or [c.label for c in columns] == list(truth["probes"]) or (long and {c.label for c in columns} == set(truth["probes"]))
    for column, name in zip(columns, [c.label for c in columns] if named else truth["probes"], strict=True):
        rows = slice(None) if column.rows is None else column.rows
        times = download.time[rows].astype("datetime64[us]").tolist()
        values = column.values.tolist()
        if newest_first:
            times, values = times[::-1], values[::-1]
        assert times == truth["times"]
        for found, wanted in zip(values, truth["probes"][name], strict=True):
            assert math.isnan(found) if wanted is None else abs(found - wanted) <= 1e-6


def counted(download):
    layout = download.source.layout
    names = ("preamble_lines", "header_lines", "blank_lines", "comment_lines", "repeated_header_lines", "event_lines", "footer_lines")
    return sum(layout[name] for name in names) + download.source.rows


@pytest.mark.parametrize("content", CONTENTS, ids=str)
@pytest.mark.parametrize("layout", layouts.LAYOUTS, ids=lambda layout: layout.name)
def test_reads_back(layout, content, tmp_path):
    data, truth = layouts.write(CONTENTS[content], layout)
    file = tmp_path / "F2.csv"
    file.write_bytes(data)
    (download,) = downloads.read(file)
    check(download, truth, newest_first=layout.newest_first, long=layout.long, named=layout.header is not None)
    assert counted(download) == download.source.layout["lines"]
    assert download.source.layout["newest_first"] == layout.newest_first
    assert downloads.describe(download).startswith("F2.csv: ")


def test_enough_layouts():
    assert len(layouts.LAYOUTS) >= 60
    assert len({layout.name for layout in layouts.LAYOUTS}) == len(layouts.LAYOUTS)


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], derandomize=True)
@given(
    layout=st.sampled_from([layout for layout in layouts.LAYOUTS if not layout.events]),
    seed=st.integers(0, 2**32 - 1),
    rows=st.integers(20, 120),
    minutes=st.sampled_from([1, 5, 10, 15, 60]),
    day=st.datetimes(datetime(2020, 1, 1), datetime(2029, 12, 31)),
    gaps=st.booleans(),
    names=st.lists(st.text(string.ascii_uppercase, min_size=3, max_size=6), min_size=1, max_size=4, unique=True),
)
def test_round_trip(layout, seed, rows, minutes, day, gaps, names, tmp_path):
    """Any trace in any layout reads back, or its dates are refused as ambiguous: never another trace."""
    start = day.replace(second=0, microsecond=0)
    trace = layouts.content(seed, rows=rows, minutes=minutes, start=start, gaps=gaps, probes=tuple(f"P{name}" for name in names))
    data, truth = layouts.write(trace, layout)
    file = tmp_path / "download.csv"
    file.write_bytes(data)
    try:
        (download,) = downloads.read(file)
    except LayoutError as error:
        assert "ways" in str(error)
        return
    check(download, truth, newest_first=layout.newest_first, long=layout.long, named=layout.header is not None)


def test_ambiguous_dates_name_both_readings(tmp_path):
    trace = layouts.content(4, rows=20, start=datetime(2026, 4, 3, 8, 0))
    data, _ = layouts.write(trace, replace(layouts.LAYOUTS[0], time="%d/%m/%Y %H:%M"))
    file = tmp_path / "F2.csv"
    file.write_bytes(data)
    with pytest.raises(LayoutError, match="3 April 2026 .day first. or 4 March 2026 .month first.*date_order"):
        downloads.read(file)
    (download,) = downloads.read(file, hints=downloads.Hints(date_order="dmy"))
    assert download.time[0] == np.datetime64("2026-04-03T08:00:00")
    assert download.source.layout["date_order_from"] == "pinned"
