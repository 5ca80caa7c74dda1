"""Results stay as they are, to the byte, unless a change of them was meant (tests/baseline.py)."""

from __future__ import annotations

import pytest

from tests import baseline
from tests.conftest import open_data


def test_the_sample_case_and_every_real_file_answer_as_before(tmp_path):
    open_data("README.md")
    found = dict(baseline.hashes(count=0))
    assert {name: found[name] for name in found if baseline.stored().get(name) != found[name]} == {}
    assert len(found) == len(baseline.open_data_files()) + 1


@pytest.mark.parametrize("first", range(0, baseline.SITES, 40))
def test_random_sites_answer_as_before(first):
    found = dict(baseline.hashes(first=first, count=40, real_files=False))
    stored = baseline.stored()
    assert {name: value for name, value in found.items() if stored[name] != value} == {}


def test_the_check_sees_a_changed_reading(tmp_path):
    text = baseline.random_site(3, tmp_path / "a")
    path, _ = baseline.random_sites.make(3, tmp_path / "b")
    download = next(iter(sorted(path.parent.rglob("*.csv"), key=lambda file: -file.stat().st_size)))
    lines = download.read_bytes().splitlines(keepends=True)
    download.write_bytes(b"".join(lines[: len(lines) // 2] + lines[len(lines) // 2 + 1 :]))
    assert baseline.assess_text.text(path) != text
