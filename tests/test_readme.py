"""README.md is executed: its commands, in order, from a copy of the checkout, each with exit code 0."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import CHECKOUT

README = (CHECKOUT / "README.md").read_text("utf-8")


def commands(text: str) -> list[str]:
    """Every line of the fenced bash blocks."""
    return [line for block in re.findall(r"```bash\n(.*?)```", text, re.S) for line in block.splitlines() if line.strip() and not line.startswith("#")]


def test_two_commands_do_all_the_set_up():
    first, second = commands(README)[:2]
    assert first.startswith("python3 -m venv .venv && ") and first.endswith("coldchain demo")
    assert second.endswith("-m pytest -n 2")


def test_the_ci_run_uses_the_readme_s_test_command():
    script = (CHECKOUT / ".ci" / "run").read_text("utf-8")
    assert '-e ".[test]"' in script
    assert ".venv/bin/python -m pytest -n 2" in script


@pytest.mark.slow
@pytest.mark.notebooks
def test_the_commands_run_as_they_stand(tmp_path):
    """Set-up lines are left to CI (it installs from nothing); ``.venv/bin`` stands for this environment's programs."""
    for name in ("sample_data", "README.md"):
        source = CHECKOUT / name
        (shutil.copytree if source.is_dir() else shutil.copyfile)(source, tmp_path / name)
    (tmp_path / ".venv").mkdir()
    (tmp_path / ".venv" / "bin").symlink_to(Path(sys.executable).parent)
    subprocess.run([sys.executable, "-m", "coldchain_kit", "demo"], cwd=tmp_path, check=True, capture_output=True)
    for line in commands(README)[2:]:
        done = subprocess.run(["bash", "-c", line], cwd=tmp_path, capture_output=True, text=True, check=False, env={**os.environ, "CI": ""})
        assert done.returncode == 0, f"{line}\n{done.stdout}\n{done.stderr}"
    assert (tmp_path / "results.json").stat().st_size > 1000


def test_files_that_the_readme_shows_are_there():
    for path in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README):
        assert (CHECKOUT / path).is_file()


def test_every_command_is_in_the_readme():
    listed = subprocess.run([sys.executable, "-m", "coldchain_kit", "--help"], capture_output=True, text=True, check=True).stdout
    names = re.findall(r"^    ([a-z-]+)(?: |$)", listed, re.M)
    assert len(names) >= 10
    assert [name for name in names if f"`coldchain {name}" not in README] == []


def test_the_python_lines_run_and_say_what_their_comments_say(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (block,) = re.findall(r"```python\n(.*?)```", README, re.S)
    held: dict = {}
    told = []
    for line in block.splitlines():
        code, _, comment = line.partition("  #")
        try:
            value = eval(code, held)
        except SyntaxError:
            exec(code, held)
            continue
        expected = re.match(r"\s*([\d.]+|Beyond\(.*\))(?=:|$)", comment)
        if expected:
            told.append(line)
            assert repr(value) == expected.group(1) if not isinstance(value, float) else value == float(expected.group(1)), line
    assert len(told) == 3
