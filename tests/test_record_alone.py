"""A frozen record reckoned again from its own readings.csv with plain numpy: nothing of the kit is used for the figures."""

from __future__ import annotations

import csv
import hashlib
import json
import math

import numpy as np
import pytest

from coldchain_kit import records
from coldchain_kit.base import package_files

pytestmark = pytest.mark.notebooks
EA_OVER_R = 83.144 / 8.3144e-3  # K: USP <1160>, delta H 83.144 kJ/mol (FACTS A1)


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    site = package_files.copy_sample_site(tmp_path_factory.mktemp("site"))
    return records.investigate(site / "cases" / "2026-014" / "case.toml", site / "records")


@pytest.fixture(scope="module")
def results(record):
    return json.loads((record / "data/results.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def readings(record):
    rows = list(csv.DictReader((record / "data/tables/readings.csv").read_text("utf-8").splitlines()))
    return {name: [row for row in rows if row["probe"] == name] for name in dict.fromkeys(row["probe"] for row in rows)}


def arrays(rows):
    minutes = np.array([np.datetime64(row["time_utc"].removesuffix("Z")) for row in rows]).astype("datetime64[us]").astype("int64") / 6e7
    read, corrected, u = (np.array([float(row[name] or "nan") for row in rows]) for name in ("as_read_c", "corrected_c", "u_c"))
    return minutes, read, corrected, u


def crossings(minutes, value, limit):
    """Minutes above a limit on the straight line between readings."""
    total = 0.0
    for k in range(len(value) - 1):
        a, b, step = value[k] - limit, value[k + 1] - limit, minutes[k + 1] - minutes[k]
        total += step if a > 0 and b > 0 else step * max(a, b) / (max(a, b) - min(a, b)) if max(a, b) > 0 else 0.0
    return total


def test_minimum_maximum_and_mean(readings, results):
    for row in results["probes"]:
        minutes, read, corrected, _ = arrays(readings[row["probe"]])
        assert row["readings"] == len(corrected) and row["min_c"] == np.nanmin(corrected) and row["max_c"] == np.nanmax(corrected)
        step = np.diff(minutes)
        weight = np.concatenate(([0], step)) / 2 + np.concatenate((step, [0])) / 2  # half the step to each neighbour; the record has no gap
        assert step.max() <= 12.5
        assert row["mean_c"] == pytest.approx(float((weight * corrected).sum() / weight.sum()), abs=2e-3)


def test_minutes_outside_least_and_most(readings, results):
    """Rule 6: at least where both ends are surely beyond (corrected), at most where either may be (the further of read and corrected)."""
    for row in results["probes"]:
        minutes, read, corrected, u = arrays(readings[row["probe"]])
        held, step = row["outside"]["above"], np.diff(minutes)
        further = np.maximum(read, corrected)
        sure, maybe = corrected > 8.0 + 2 * u, further + 2 * u > 8.0
        assert held["minutes"] == pytest.approx(crossings(minutes, further, 8.0), abs=1e-3)
        assert held["minutes_least"] == pytest.approx(float(step[sure[:-1] & sure[1:]].sum()), abs=1e-6)
        assert held["minutes_most"] == pytest.approx(float(step[maybe[:-1] | maybe[1:]].sum()), abs=1e-6)


def test_mean_kinetic_temperature_of_a_stay(readings, results):
    (lot,) = [lot for lot in results["lots"] if lot["lot"] == "TBH-2207"]
    (stay,) = lot["stays"]
    for row in stay["probes"]:
        minutes, _, corrected, _ = arrays(readings[row["probe"]])
        step = np.diff(minutes)
        weight = np.concatenate(([0], step)) / 2 + np.concatenate((step, [0])) / 2
        kelvin = corrected + 273.15
        mkt = EA_OVER_R / -math.log(float((weight * np.exp(-EA_OVER_R / kelvin)).sum() / weight.sum())) - 273.15
        assert row["mkt_c"] == pytest.approx(mkt, abs=5e-3)


def test_every_reading_stands_in_the_file_and_line_it_names(record, readings):
    """The as-read figure is found in the very line, and each file is the one of the sources by its hash."""
    texts = {}
    for rows in readings.values():
        for row in rows[:: max(1, len(rows) // 200)]:
            path = record / "data/inputs" / row["file"] if (record / "data/inputs" / row["file"]).is_file() else next((record / "data/inputs").rglob(row["file"].rsplit("/", 1)[-1]))
            lines = texts.setdefault(path, path.read_bytes().decode("utf-8-sig", "replace").splitlines())
            said = lines[int(row["line"]) - 1].replace(",", ".")
            assert f"{float(row['as_read_c']):g}" in said or row["as_read_c"] in said, (row, said)
    known = {row["sha256"] for row in json.loads((record / "data/results.json").read_text("utf-8"))["sources"]}
    assert known <= {hashlib.sha256(path.read_bytes()).hexdigest() for path in (record / "data/inputs").rglob("*") if path.is_file()}


def test_one_sided_readings_and_marks_stand_in_words(tmp_path):
    import coldchain_kit as ck
    from coldchain_kit.show.tables import every_reading
    from tests import sites

    rows = [(f"2026-03-29T{h:02d}:{m:02d}:00", v) for (h, m), v in zip([(h, m) for h in range(24) for m in (0, 30) if h != 1], [5.0, 5.1, 5.2] * 5 + ["HI", "> 25"] + [5.0, 5.2] * 15, strict=False)]
    found = ck.assess(sites.write(tmp_path, [sites.series(tmp_path, rows)], zone="Europe/Lisbon"))
    table = every_reading.table(found)
    open_ = table[table["one_sided"] != ""]
    assert open_["text"].tolist() == ["HI", "> 25"] and open_["one_sided"].tolist() == ["at or above"] * 2
    assert open_["as_read_c"].isna().all() and open_["bound_c"].tolist()[1] == 25.0 and np.isnan(open_["bound_c"].tolist()[0])
    assert table["time_local"].iloc[0].endswith("+00:00") and table["time_local"].iloc[-1].endswith("+01:00"), "the clock changes within the record"
