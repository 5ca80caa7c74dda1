"""The main job on real traces nobody here generated: ``assess`` against plain pandas and numpy in the same test."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from coldchain_kit import assessment
from coldchain_kit.assessment import results
from tests import sites
from tests.conftest import open_data

pytestmark = pytest.mark.open_data


def plain_runs(times: pd.DatetimeIndex, values: np.ndarray, *, high: float, low: float = -math.inf) -> list[dict]:
    """Runs above and below by a plain loop over readings with a value: rules 3 to 5 read from CONTRACTS, written apart from the kit."""
    at = times.as_unit("us").asi8 / 60e6
    limit_gap = max(2.5 * float(np.median(np.diff(at))), 5.0)
    keep = ~np.isnan(values)
    at, values = at[keep], np.round(values[keep], 6)
    rows = []
    for side, sign, limit in (("above", 1, high), ("below", -1, low)):
        if math.isinf(limit):
            continue
        excess = np.round(sign * (values - limit), 6)
        k = 0
        while k < len(at):
            if excess[k] <= 0:
                k += 1
                continue
            first = k
            while k + 1 < len(at) and excess[k + 1] > 0 and at[k + 1] - at[k] <= limit_gap:
                k += 1
            start, end = at[first], at[k]
            points = [(at[i], excess[i]) for i in range(first, k + 1)]
            if first > 0 and at[first] - at[first - 1] <= limit_gap:
                share = -excess[first - 1] / (excess[first] - excess[first - 1])
                start = at[first - 1] + share * (at[first] - at[first - 1])
                points.insert(0, (start, 0.0))
            if k + 1 < len(at) and at[k + 1] - at[k] <= limit_gap:
                share = excess[k] / (excess[k] - excess[k + 1])
                end = at[k] + share * (at[k + 1] - at[k])
                points.append((end, 0.0))
            area = sum((b[0] - a[0]) * (a[1] + b[1]) / 2 for a, b in zip(points, points[1:], strict=False))
            rows.append({"side": side, "minutes": end - start, "degree_minutes": area, "readings": k - first + 1, "extreme": sign * max(excess[first : k + 1]) + limit})
            k += 1
    return rows


def plain_means(times: pd.DatetimeIndex, values: np.ndarray) -> tuple[float, float]:
    """Time-weighted mean and MKT: half the step to each neighbour, nothing from a gap (rule 9)."""
    at = times.as_unit("us").asi8 / 60e6
    limit_gap = max(2.5 * float(np.median(np.diff(at))), 5.0)
    keep = ~np.isnan(values)
    at, values = at[keep], values[keep].round(6)
    step = np.diff(at)
    step = np.where(step > limit_gap, 0.0, step)
    weight = np.concatenate(([0.0], step / 2)) + np.concatenate((step / 2, [0.0]))
    mean = float(np.average(values, weights=weight))
    mkt = 10_000.0 / -np.log(np.average(np.exp(-10_000.0 / (values + 273.15)), weights=weight)) - 273.15
    return mean, float(mkt)


def compare(found: dict, probe: str, times: pd.DatetimeIndex, values: np.ndarray, *, high: float, low: float = -math.inf):
    row = next(row for row in found["probes"] if row["probe"] == probe)
    assert row["readings"] == int((~np.isnan(values)).sum())
    assert row["min_c"] == pytest.approx(np.nanmin(values), abs=1e-6)
    assert row["max_c"] == pytest.approx(np.nanmax(values), abs=1e-6)
    mean, mkt = plain_means(times, values)
    assert row["mean_c"] == pytest.approx(mean, abs=1e-9)
    if row["mkt_c"] is not None:
        assert row["mkt_c"] == pytest.approx(mkt, abs=1e-9)
    expected = plain_runs(times, values, high=high, low=low)
    mine = [item for item in found["excursions"] if item["probe"] == probe]
    assert len(mine) == len(expected)
    for side in ("above", "below"):
        ours = [item for item in mine if item["direction"] == side]
        theirs = [item for item in expected if item["side"] == side]
        for a, b in zip(ours, theirs, strict=True):
            assert a["minutes"] == pytest.approx(b["minutes"], abs=1e-6)
            assert a["degree_minutes"] == pytest.approx(b["degree_minutes"], abs=1e-6)
            assert (a["readings"], a["extreme_c"]) == (b["readings"], pytest.approx(b["extreme"], abs=1e-9))


def test_store_freezer_and_walk_in(tmp_path):
    path = open_data("store_walkin_freezer/measurements.csv")
    table = pd.read_csv(path, parse_dates=["Time"]).set_index("Time")
    unit = 'condition = "local"\n[units.U.probes.Tfre]\nrole = "air"\n[units.U.probes.Tref]\nrole = "air"\n[units.U.probes.Trtu]\nrole = "room"\n'
    site = '[conditions.local]\nlow_c = -40.0\nhigh_c = -18.0\nsource = "for this test"\n'
    found = assessment.assess(sites.write(tmp_path, [path], unit=unit, site=site, kind="freezer", zone="America/Los_Angeles")).results
    assert results.faults(found) == []
    for probe in ("Tfre", "Tref"):
        compare(found, probe, table.index, table[probe].to_numpy(), high=-18.0, low=-40.0)
    assert next(row for row in found["probes"] if row["probe"] == "Tfre")["missing_readings"] == 1
    assert (found["sources"][0]["rows"], found["sources"][0]["read"], found["sources"][0]["rejected"]) == (1440, 1440, 0)


def test_household_refrigerator(tmp_path):
    path = open_data("household_fridge/sensor_data_July25_8am_to_Aug1.csv")
    table = pd.read_csv(path, parse_dates=["time"]).set_index("time")
    found = assessment.assess(sites.write(tmp_path, [path])).results
    assert results.faults(found) == []
    labels = {row["probe"] for row in found["probes"]}
    for column in ("temperature_1", "temperature_2", "temperature_3"):
        probe = next(name for name in labels if name in (column, column.removeprefix("temperature_")))
        compare(found, probe, table.index, table[column].to_numpy(), high=8.0, low=2.0)
        row = next(row for row in found["probes"] if row["probe"] == probe)
        assert len(row["gaps"]) == 52  # by rule 4, open_data/README.md
        assert row["gaps"] == sorted(row["gaps"], key=lambda gap: gap["start"])
        assert max(gap["minutes"] for gap in row["gaps"]) == pytest.approx(26.01 * 60, abs=0.5)  # EXPECTED.json longest_gap_h


def test_ambient_sensor_in_fahrenheit(tmp_path):
    """NAB ambient: unit not stated in the file, degF by its range (open_data/README.md); the register pins it."""
    path = open_data("nab_temperature/ambient_temperature_system_failure.csv")
    table = pd.read_csv(path, parse_dates=["timestamp"]).set_index("timestamp")["value"]
    unit = 'condition = "local"\n[units.U.logger]\ntemperature_unit = "F"\nclock = "utc"\n'
    site = '[conditions.local]\nlow_f = 60.0\nhigh_f = 80.0\nsource = "for this test"\n'
    found = assessment.assess(sites.write(tmp_path, [path], unit=unit, site=site, kind="room")).results
    assert results.faults(found) == []
    values = ((table.to_numpy() - 32) / 1.8).round(6)
    limit = [(value - 32) / 1.8 for value in (60.0, 80.0)]
    index = pd.DatetimeIndex(table.index).tz_localize("UTC")
    row = found["probes"][0]
    assert row["mean_c"] == pytest.approx(plain_means(index, values)[0], abs=1e-9)
    assert len(row["gaps"]) == 9
    assert row["missing_readings"] == 621
    above = [item for item in found["excursions"] if item["direction"] == "above"]
    assert sum(item["readings"] for item in above) == int((table > 80.0).sum())
    assert sum(item["minutes"] for item in above) == pytest.approx(sum(run["minutes"] for run in plain_runs(index, values, high=limit[1])), abs=1e-3)
