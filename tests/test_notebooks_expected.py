"""nbval over executed copies: the notebooks show the stored tables again, and a changed reading makes them fail."""

from __future__ import annotations

import shutil
import subprocess
import sys

import pytest

from coldchain_kit.base import package_files
from tests.expected_notebooks import EXPECTED, PARAMETERS

pytestmark = [pytest.mark.notebooks, pytest.mark.slow]


def nbval(name: str, site) -> subprocess.CompletedProcess:
    folder = site / "notebooks"
    folder.mkdir(exist_ok=True)
    shutil.copyfile(EXPECTED / f"{name}.ipynb", folder / f"{name}.ipynb")
    call = [sys.executable, "-m", "pytest", "--nbval", "--nbval-current-env", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", "--rootdir", str(folder), f"{name}.ipynb"]
    return subprocess.run(call, cwd=folder, capture_output=True, text=True, check=False)


@pytest.mark.parametrize("name", list(PARAMETERS))
def test_the_notebooks_show_the_stored_tables_again(name, tmp_path):
    done = nbval(name, package_files.copy_sample_site(tmp_path))
    assert done.returncode == 0, done.stdout[-6000:]
    assert " passed" in done.stdout


@pytest.mark.parametrize("name", list(PARAMETERS))
def test_a_changed_reading_makes_them_fail(name, tmp_path):
    site = package_files.copy_sample_site(tmp_path)
    path = site / "downloads" / "F2" / "F2_2026-03.csv"
    text = path.read_bytes().decode("utf-8-sig")
    assert "07.03.2026;01:00:00;" in text
    row = next(line for line in text.splitlines() if ";07.03.2026;01:00:00;" in line)
    path.write_bytes(text.replace(row, row.rsplit(";", 2)[0] + ";14,6;14,9").encode("utf-8-sig"))
    done = nbval(name, site)
    assert done.returncode == 1
    assert "14.6" in done.stdout
