"""The rows of the results: schema and glossary come from their annotations, and nothing undescribed gets into a record."""

from __future__ import annotations

import copy
import re

import pytest

from coldchain_kit.assessment import results
from coldchain_kit.model.rows import glossary
from tests import make_schema
from tests.assess_text import sample_results


@pytest.fixture(scope="module")
def sample() -> dict:
    return sample_results()


def test_the_shipped_schema_is_made_from_the_rows():
    assert make_schema.STORED.read_text("utf-8") == make_schema.text(), "run: python -m tests.make_schema"


def test_every_field_says_what_it_means_and_every_number_its_unit():
    fields = glossary()
    assert len({field.place for field in fields}) == len(fields) > 250
    assert [field.place for field in fields if not field.meaning] == []
    units = {"_c": "°C", "_min": "min", "minutes": "min", "_hours": "h", "_share": "share, 0 to 1", "_kj_mol": "kJ/mol"}
    for field in fields:
        name = field.place.rpartition(".")[2]
        for end, unit in units.items():
            if name.endswith(end) and name not in ("share_least", "share_most", "degree_minutes"):
                assert field.unit.startswith(unit), field


def test_the_sample_results_are_described_whole(sample):
    assert results.faults(sample) == []


def _set(place: str, value: object):
    def change(document: dict) -> None:
        *way, last = re.findall(r"\w+", place)
        held = document
        for step in way:
            held = held[int(step)] if step.isdigit() else held[step]
        held[last] = value

    return change


@pytest.mark.parametrize(
    ("place", "value"),
    [
        ("excursions[0].minutes", -1.0),
        ("excursions[0].verdict", "fine"),
        ("excursions[0].start", "2026-03-06 22:40"),
        ("excursions[0].undescribed", 1),
        ("episodes[0].causes[0].cause", "gremlins"),
        ("episodes[0].causes[0].for", ["a text is no evidence row"]),
        ("probes[0].covered_share", 1.01),
        ("probes[0].readings", 3.5),
        ("probes[0].outside", {"sideways": {}}),
        ("sources[0].file", "/home/someone/F2.csv"),
        ("sources[0].sha256", "abc"),
        ("faults", None),
        ("lots[0].needs_decision", "yes"),
        ("cause.support", 2.0),
    ],
)
def test_a_wrong_field_is_refused(sample, place, value):
    document = copy.deepcopy(sample)
    _set(place, value)(document)
    assert results.faults(document) != []


@pytest.mark.parametrize("place", ["excursions", "probes", "sources", "lots", "episodes"])
def test_a_missing_field_is_refused(sample, place):
    for name in sample[place][0]:
        document = copy.deepcopy(sample)
        del document[place][0][name]
        assert any(f"'{name}'" in fault for fault in results.faults(document)), name


def test_results_of_the_first_edition_are_held_to_its_own_schema(sample):
    assert results.schema("coldchain-kit/results/1")["properties"]["schema"] == {"const": "coldchain-kit/results/1"}
    first = {**sample, "schema": "coldchain-kit/results/1"}
    assert results.faults(first) == [], "what the second edition added the first one lets pass"
    assert results.faults({**first, "probes": None}) != []
    assert results.faults({**sample, "schema": "coldchain-kit/results/9"}) != []
