"""Tiny records with one thing wrong each (tests/traps/quality_*.csv, invented): the whole computation must list that kind of fault, and nothing for a clean one."""

from __future__ import annotations

import pytest

from coldchain_kit import assessment
from tests import sites
from tests.conftest import TRAPS

KINDS = ("spike", "flat_line", "rate", "range", "no_value", "one_sided", "disagreement", "gap", "interval", "clock", "unit_mixup", "repeated")  # CONTRACTS faults[]
# Further traps: what is wrong -> the kind it is listed under.
FURTHER = {
    "still_habit": "flat_line", "straight_line": "flat_line", "summary": "disagreement", "alarm_event": "disagreement",
}  # fmt: skip
PROBE = '[units.U.probes.{name}]\nrole = "{role}"\nresolution_c = 0.1\n'


def assessed(folder, kind):
    path = TRAPS / f"quality_{kind}.csv"
    header = next(line for line in path.read_text("utf-8").splitlines() if line.startswith("time"))
    unit = "".join(PROBE.format(name=name, role=role) for name, role in (("A", "buffered"), ("B", "air")) if f"{name} (" in header)
    return assessment.assess(sites.write(folder, [path], unit=unit)).results


@pytest.mark.parametrize(("trap", "kind"), [*zip(KINDS, KINDS, strict=True), *FURTHER.items()])
def test_the_fault_planted_is_the_fault_listed(trap, kind, tmp_path):
    found = assessed(tmp_path, trap)
    kinds = {row["kind"] for row in found["faults"]}
    # a clock set back puts readings between readings, so that the finest step kept is no longer the logger's
    assert kinds - ({"interval"} if kind == "clock" else set()) == {kind}
    rows = [row for row in found["faults"] if row["kind"] == kind]
    assert all(row["unit"] == "U" and row["probe"] in ("A", None) and row["text"] for row in rows)
    clean = assessed(tmp_path / "clean", "clean")
    assert set(found["believable"][0]["reasons"]) > set(clean["believable"][0]["reasons"])


def test_the_clean_record_has_none(tmp_path):
    found = assessed(tmp_path, "clean")
    assert found["faults"] == []
    assert found["probes"][0]["flags"]["suspect"] == found["probes"][0]["flags"]["fail"] == 0


def test_every_kind_of_the_contract_has_its_trap():
    assert {path.stem.removeprefix("quality_") for path in TRAPS.glob("quality_*.csv")} == {*KINDS, *FURTHER, "clean"}
