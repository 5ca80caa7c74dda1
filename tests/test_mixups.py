"""Units of measure and columns that are not what they seem: faults, never conversions of what nobody stated."""

from __future__ import annotations

import datetime as dt
import random

import numpy as np
import pytest

from coldchain_kit import assessment, downloads
from tests import sites
from tests.conftest import TRAPS

START = dt.datetime(2026, 3, 1)


def stamps(count: int, *, first: int = 0, step_min: int = 10) -> list[str]:
    return [(START + dt.timedelta(minutes=step_min * k)).isoformat() for k in range(first, first + count)]


def fahrenheit(value_c: float) -> str:
    return f"{value_c * 1.8 + 32:.1f}"


def text(rows: list[tuple], header: str) -> str:
    return header + "\n" + "".join(",".join(map(str, row)) + "\n" for row in rows)


def found(folder, *files: str, unit: str = "", kind: str = "refrigerator") -> dict:
    (folder / "U").mkdir(parents=True)
    paths = [folder / "U" / f"{number}.csv" for number in range(len(files))]
    for path, content in zip(paths, files, strict=True):
        path.write_text(content, "utf-8")
    return assessment.assess(sites.write(folder, paths, unit=unit, kind=kind)).results


def kinds(results: dict) -> list[str]:
    return [row["kind"] for row in results["faults"]]


@pytest.mark.parametrize("seed", range(20))
def test_each_cell_is_read_in_its_own_unit_else_in_its_headers(tmp_path, seed):
    """Whatever cells state a unit themselves, however few or many, the others take the header's."""
    rng = random.Random(seed)
    headed, count = rng.choice("CF"), 60
    values = [round(rng.uniform(-30, 30), 1) for _ in range(count)]
    speaks = [rng.random() < rng.choice([0.02, 0.5, 0.95]) for _ in range(count - 1)] + [False]
    units = [rng.choice("CF") if said else headed for said in speaks]
    cells = [f"{value} °{unit}" if said else f"{value}" for value, unit, said in zip(values, units, speaks, strict=True)]
    (tmp_path / "a.csv").write_text(text(list(zip(stamps(count), cells, strict=True)), f"time,A (°{headed})"), "utf-8")
    (read,) = downloads.read(tmp_path / "a.csv")
    expected = [value if unit == "C" else (value - 32) / 1.8 for value, unit in zip(values, units, strict=True)]
    np.testing.assert_allclose(read.columns[0].values, expected, atol=1e-6)
    other = sum(unit != headed for unit in units)
    assert [row["readings"] for row in read.notices if row["kind"] == "unit_mixup"] == ([other] if other else [])


def test_a_cell_in_degf_under_a_header_in_degc_is_a_fault_and_no_excursion(tmp_path):
    results = found(tmp_path, (TRAPS / "downloads_cell_in_degf.csv").read_text("utf-8"))
    assert (results["excursions"], kinds(results)) == ([], ["unit_mixup"])
    assert "1 of its cells is not in °C, the first in line 42" in results["faults"][0]["text"]
    assert results["sources"][0]["layout"]["unit_from"] == "header"


@pytest.mark.parametrize("seed", range(12))
def test_another_unit_from_a_line_on_is_found_where_it_begins(tmp_path, seed):
    rng = random.Random(seed)
    freezer = seed % 3 == 2
    middle, count, since = (-20.0, 300, rng.randint(20, 270)) if freezer else (5.0, 300, rng.randint(20, 270))
    values = [middle + 1.2 * np.sin(k / 7) + rng.uniform(-0.2, 0.2) for k in range(count)]
    back = seed % 4 == 1  # degF first, then degC
    shown = [f"{value:.1f}" if (k < since) != back else fahrenheit(value) for k, value in enumerate(values)]
    results = found(tmp_path, text(list(zip(stamps(count), shown, strict=True)), "time,A"), kind="freezer" if freezer else "refrigerator")
    (row,) = [row for row in results["faults"] if row["kind"] == "unit_mixup"]
    assert row["readings"] == (since if back else count - since)
    assert (f"to line {since + 1} " if back else f"from line {since + 2} ") in row["text"]
    assert results["excursions"], "nothing is converted"
    assert results["cause"]["cause"] in ("record_error", "probe_fault")
    assert results["believable"][0]["answer"] == "not usable"


@pytest.mark.parametrize("peak", [14.0, 25.0, 41.0])
def test_a_real_excursion_is_no_mix_up(tmp_path, peak):
    """It rises step by step; one that jumps to 41 °C and stays is what a mix-up looks like, and only that."""
    values = [5.0] * 100 + [round(5 + (peak - 5) * (1 - np.exp(-k / 12)), 1) for k in range(150)]
    results = found(tmp_path, text(list(zip(stamps(250, step_min=5), values, strict=True)), "time,A (°C)"))
    assert "unit_mixup" not in kinds(results)


def test_the_trap_of_another_unit_from_a_line_on(tmp_path):
    results = found(tmp_path, (TRAPS / "downloads_degf_from_a_line_on.csv").read_text("utf-8"))
    assert [row["kind"] for row in results["faults"] if row["kind"] == "unit_mixup"] == ["unit_mixup"]
    assert results["cause"]["cause"] == "record_error"


UNIT = '[units.U.probes.A]\nrole = "buffered"\n[units.U.probes.B]\nrole = "air"\n'


def two_probes(seed: int, count: int) -> list[tuple[float, float]]:
    """A buffered probe and one in the air of one refrigerator."""
    rng, air, buffered, rows = random.Random(seed), 5.0, 5.0, []
    for k in range(count):
        air = 5 + 1.5 * np.sin(k / 2) + rng.uniform(-0.3, 0.3)
        buffered += 0.15 * (air - buffered)
        rows.append((round(buffered, 1), round(air, 1)))
    return rows


@pytest.mark.parametrize("overlap", [0, 40])
@pytest.mark.parametrize("seed", range(4))
def test_columns_exchanged_between_downloads_are_told(tmp_path, seed, overlap):
    rows = two_probes(seed, 600)
    first = [(time, *row) for time, row in zip(stamps(300), rows[:300], strict=True)]
    second = [(time, *row[::-1]) for time, row in zip(stamps(300 + overlap, first=300 - overlap), rows[300 - overlap :], strict=True)]
    said = lambda results: [row["text"] for row in results["faults"] if row["kind"] == "disagreement" and "look exchanged in U/1.csv" in row["text"]]  # noqa: E731
    plain = [(time, b, a) for time, a, b in second]
    assert len(said(found(tmp_path / "x", text(first, "time,A,B"), text(second, "time,A,B"), unit=UNIT))) == 1
    assert said(found(tmp_path / "y", text(first, "time,A,B"), text(plain, "time,A,B"), unit=UNIT)) == []


def test_the_trap_of_exchanged_columns(tmp_path):
    results = found(tmp_path, *((TRAPS / f"downloads_exchanged_{number}.csv").read_text("utf-8") for number in (1, 2)), unit=UNIT)
    assert any("look exchanged" in row["text"] for row in results["faults"])
    assert results["believable"][0]["answer"] != "complete"
