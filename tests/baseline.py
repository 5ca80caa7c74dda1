"""What the kit answers today, as one hash a case: the sample case, every file of the real traces, 200 random sites.

A move of code must leave every hash as it is (tests/test_baseline.py). A deliberate change of results is written anew by
``python -m tests.baseline --write`` and named in the changelog.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests import assess_text, random_sites, sites
from tests.conftest import CHECKOUT, HERE

STORED = HERE / "expected" / "results_sha256.json"
SITES = 200


def sample() -> str:
    """The sample case's results as text."""
    return assess_text.text(CHECKOUT / "sample_data" / "tern_bay" / "cases" / "2026-014" / "case.toml")


def real(path: Path, folder: Path) -> str:
    """One real file as a refrigerator's download in °C, dates day first: its results, or the sentence that refuses it."""
    case = sites.write(folder, [path], unit='[units.U.logger]\ntemperature_unit = "C"\ndate_order = "dmy"\n')
    return assess_text.text(case)


def random_site(seed: int, folder: Path) -> str:
    """The results of one random site."""
    return assess_text.text(random_sites.make(seed, folder)[0])


def open_data_files() -> list[Path]:
    """Every delimited file of the real traces, in order of name; empty where they are not there."""
    base = Path(os.environ.get("COLDCHAIN_OPEN_DATA", CHECKOUT.parent / "shared" / "open_data"))
    return sorted(path for path in base.glob("*/*") if path.suffix in (".csv", ".txt"))


def hashes(*, first: int = 0, count: int = SITES, real_files: bool = True) -> Iterator[tuple[str, str]]:
    """Name of a case and SHA-256 of what the kit answers, one after another."""
    with tempfile.TemporaryDirectory() as folder:
        if real_files:
            yield "sample", _sha256(sample())
            for number, path in enumerate(open_data_files()):
                yield f"{path.parent.name}/{path.name}", _sha256(real(path, Path(folder) / f"real{number}"))
        for seed in range(first, first + count):
            yield f"site {seed}", _sha256(random_site(seed, Path(folder) / f"site{seed}"))


def stored() -> dict[str, str]:
    """The hashes as they were written."""
    return json.loads(STORED.read_text("utf-8"))


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


if __name__ == "__main__":
    found = dict(hashes())
    if "--write" in sys.argv:
        STORED.write_text(json.dumps(found, indent=1, sort_keys=True) + "\n", "utf-8")
    before = stored()
    changed = sorted(name for name in before.keys() | found.keys() if before.get(name) != found.get(name))
    print(f"{len(found)} cases, {len(changed)} changed", *changed, sep="\n")
