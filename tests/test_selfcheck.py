"""The published cases on this installation; each expected figure carries its source in published_cases.json."""

from __future__ import annotations

import json

import pytest

from coldchain_kit.model import physics
from coldchain_kit.records import selfcheck, verification
from tests.conftest import published


@pytest.fixture(scope="module")
def rows():
    return selfcheck.run()


def test_every_published_case_comes_out(rows):
    assert len(rows) > 100
    assert [selfcheck.line(row) for row in rows if not row["ok"]] == []
    assert all(row["source"] for row in rows)


def test_shipped_cases_are_those_of_the_published_files(rows):
    cases = {case["id"]: case["mkt_c"] for case in published("mkt_cases.json")["cases"] if "mkt_c" in case}
    shipped = {row["case"]: row["expected"][0] for row in rows if row["does"] == "mean kinetic temperature"}
    assert len(shipped) >= 12 and shipped.items() <= cases.items()


def test_a_wrong_kit_is_found(monkeypatch):
    # the sign trap of mkt_cases.json K3: exp(+Ea/RT) in place of exp(-Ea/RT)
    right = physics.mean_kinetic_temperature_c
    monkeypatch.setattr(physics, "mean_kinetic_temperature_c", lambda *given, **more: right(*given, **more) + 1e-5)
    wrong = [row for row in selfcheck.run() if not row["ok"]]
    assert wrong and {row["does"] for row in wrong} == {"mean kinetic temperature"}
    assert selfcheck.line(wrong[0]).startswith("WRONG") and wrong[0]["source"] in selfcheck.line(wrong[0])


def test_the_check_is_a_dated_record(rows, tmp_path):
    first = selfcheck.freeze(rows, tmp_path)
    second = selfcheck.freeze(rows, tmp_path)
    assert verification.record(first) == [] == verification.record(second)
    assert (first.name[-3:], second.name[-3:]) == ("-r1", "-r2") and first.name.startswith("self-check-20")
    results = json.loads((first / "data" / "results.json").read_text("utf-8"))
    assert (results["right"], results["wrong"]) == (len(rows), 0)
    page = (first / "data" / "record.html").read_text("utf-8")
    assert f"{len(rows)} of {len(rows)} published cases" in page and "Table 1." in page


def test_a_failed_check_says_so_on_its_page(rows, tmp_path):
    wrong = [rows[0] | {"ok": False, "got": [0.0]}, *rows[1:]]
    page = (selfcheck.freeze(wrong, tmp_path) / "data" / "record.html").read_text("utf-8")
    assert "1 DO NOT" in page and "WRONG" in page
