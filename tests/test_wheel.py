"""The kit from its wheel, outside the checkout: notebooks and sample data are in it, and a decoy kernel is not used."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import venv
import zipfile

import pytest

from tests.conftest import CHECKOUT


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    out = tmp_path_factory.mktemp("wheel")
    done = subprocess.run([sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(out)], cwd=CHECKOUT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return next(out.glob("*.whl"))


@pytest.mark.slow
def test_notebooks_and_sample_data_are_in_the_wheel(wheel):
    names = zipfile.ZipFile(wheel).namelist()
    for part in ("_shipped/notebooks/investigation.ipynb", "_shipped/notebooks/monthly_summary.ipynb", "_shipped/sample_data/tern_bay/site.toml", "conditions.toml", "results.schema.json", "page_template/"):
        assert any(part in name for name in names), part


@pytest.mark.slow
@pytest.mark.notebooks
def test_the_demo_runs_from_the_wheel_with_a_decoy_kernel_about(wheel, tmp_path):
    """A kernelspec called python3 that would write a file instead of starting Python must not be asked; the page says which kit ran."""
    venv.create(tmp_path / "env", system_site_packages=False, with_pip=False)
    python = tmp_path / "env" / "bin" / "python"
    site = next((tmp_path / "env" / "lib").glob("python*/site-packages"))
    zipfile.ZipFile(wheel).extractall(site)
    others = next(path for path in sys.path if path.endswith("site-packages"))
    (site / "borrowed.pth").write_text(others + "\n", "utf-8")  # every dependency from this environment, the kit from the wheel
    decoy = tmp_path / "decoy" / "kernels" / "python3"
    decoy.mkdir(parents=True)
    (decoy / "kernel.json").write_text(json.dumps({"argv": ["/bin/sh", "-c", f"touch {tmp_path}/DECOY-RAN"], "display_name": "Python 3", "language": "python"}), "utf-8")
    environment = {**os.environ, "JUPYTER_PATH": str(tmp_path / "decoy"), "PYTHONPATH": ""}
    where = subprocess.run([python, "-c", "import coldchain_kit; print(coldchain_kit.__file__)"], capture_output=True, text=True, check=True, cwd=tmp_path, env=environment).stdout
    assert str(site) in where
    done = subprocess.run([python, "-m", "coldchain_kit", "demo", "--out", "out"], cwd=tmp_path, capture_output=True, text=True, check=False, env=environment)
    assert done.returncode == 0, done.stderr
    assert not (tmp_path / "DECOY-RAN").exists()
    pages = re.findall(r"^  (\S+record\.html)$", done.stdout, re.M)
    assert len(pages) == 2
    for page in pages:
        text = (tmp_path / page).read_text("utf-8")
        assert "coldchain_kit 0.1.0" in text
        assert str(CHECKOUT) not in text and str(tmp_path) not in text
