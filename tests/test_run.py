"""The strict run: every trap of STYLE.md section 6 and STACK.md section 1 that stops short of a whole run must be an error."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import pytest

from coldchain_kit.base import NotebookError, RecordError
from coldchain_kit.records import strict_run
from tests.conftest import TRAPS

pytestmark = pytest.mark.notebooks


def execute(name, parameters=None, *, cwd, **more):
    return strict_run.execute(TRAPS / f"{name}.ipynb", parameters or {}, cwd=cwd, **more)


def outputs(notebook):
    return "".join(output.get("text", "") for cell in notebook.cells for output in cell.get("outputs", []))


def test_whole_run_is_the_same_to_the_byte_twice(tmp_path):
    first, second = (execute("whole", {"n": 3}, cwd=tmp_path) for _ in range(2))
    assert json.dumps(first) == json.dumps(second)
    assert "n is 3" in outputs(first)
    assert "Run to its end by Python" in first.cells[-1].outputs[0].data["text/plain"]
    assert list(tmp_path.iterdir()) == []


def test_relative_folders(tmp_path, monkeypatch):
    """``coldchain demo`` without ``--out`` works in a relative folder; Python 3.11 gives temporary folders in it a relative name too."""
    (tmp_path / "scratch").mkdir()
    (tmp_path / "case").mkdir()
    monkeypatch.chdir(tmp_path)
    assert "n is 3" in outputs(execute("whole", {"n": 3}, cwd=Path("case"), scratch=Path("scratch")))


def test_notebook_in_the_kit_is_not_written_to(tmp_path):
    before = (TRAPS / "whole.ipynb").read_bytes()
    execute("whole", cwd=tmp_path)
    assert (TRAPS / "whole.ipynb").read_bytes() == before


@pytest.mark.parametrize(
    ("name", "parameters", "match"),
    [
        ("whole", {"m": 1}, "no parameter 'm'"),
        ("whole", {"n": "3"}, "parameter 'n' is '3'"),
        ("whole", {"n": True}, "parameter 'n' is True"),
        ("whole", {"n": 1.5}, "parameter 'n' is 1.5"),
        ("whole", {"import os; os.abort(); y": 1}, "is not a name"),
        ("needs_case", {}, "parameter 'case' is missing"),
        ("no_parameters", {}, "0 cells are tagged"),
        ("derived_parameter", {}, "'n' is derived"),
        ("unannotated_parameter", {}, "name: type = literal"),
        ("unknown_magic", {}, "not plain Python"),
        ("raises_exception", {}, "tagged 'raises-exception'"),
        ("skipped_cell", {}, "tagged 'skip-execution'"),
    ],
)
def test_refused_before_any_kernel_starts(name, parameters, match, tmp_path, monkeypatch):
    monkeypatch.setattr(strict_run, "_papermill", lambda *given: pytest.fail("a kernel was started"))
    with pytest.raises(NotebookError, match=match):
        execute(name, parameters, cwd=tmp_path)


@pytest.mark.parametrize(
    ("name", "match"),
    [
        ("sys_exit_0", "did not end normally"),
        ("failing", "ValueError: the sum is off"),
        ("asks_input", "StdinNotImplemented"),
        ("imports_from_folder", "ModuleNotFoundError"),
        ("shows_widget", "shows a form"),
    ],
)
def test_stopped_runs_are_errors(name, match, tmp_path):
    (tmp_path / "local_module.py").write_text("raise SystemExit('code out of the data folder ran')")
    with pytest.raises(NotebookError, match=match):
        execute(name, cwd=tmp_path)


def test_killed_kernel_is_an_error(tmp_path):
    with pytest.raises(NotebookError, match="kernel died"):
        execute("killed_kernel", cwd=tmp_path)


def test_slow_cell_is_stopped(tmp_path):
    with pytest.raises(NotebookError, match="longer than 1 s"):
        execute("too_slow", cwd=tmp_path, timeout_s=1)


def test_decoy_kernelspecs_and_profiles_are_not_used(tmp_path, monkeypatch):
    for name in ("python3", "coldchain-kit-private"):
        folder = tmp_path / "decoy" / "kernels" / name
        folder.mkdir(parents=True)
        (folder / "kernel.json").write_text(json.dumps({"argv": ["/bin/false", "{connection_file}"], "display_name": "decoy", "language": "python"}))
    startup = tmp_path / "ipython" / "profile_default" / "startup"
    startup.mkdir(parents=True)
    (startup / "00.py").write_text("print('decoy profile')")
    for name, value in {"JUPYTER_PATH": "decoy", "JUPYTER_DATA_DIR": "decoy", "IPYTHONDIR": "ipython"}.items():
        monkeypatch.setenv(name, str(tmp_path / value))
    (tmp_path / "cwd").mkdir()
    ran = execute("whole", cwd=tmp_path / "cwd")
    assert "decoy" not in json.dumps(ran)
    assert os.environ["JUPYTER_PATH"] == str(tmp_path / "decoy")


def test_local_paths_are_removed(tmp_path):
    text = json.dumps(execute("tells_paths", cwd=tmp_path))
    assert str(tmp_path) not in text and sys.executable not in text and sys.prefix not in text


def test_folder_with_braces(tmp_path):
    folder = tmp_path / "{odd} folder"
    folder.mkdir()
    assert "n is 1" in outputs(execute("whole", cwd=folder, scratch=folder))


def test_results_are_noted_by_their_hash(tmp_path):
    ran = execute("leaves_results", {"n": 2}, cwd=tmp_path, results="assessment.results")
    assert strict_run.noted_results(ran) == strict_run.sha256(strict_run.canonical({"mkt_c": 7.25, "n": 2}))


def test_missing_results_stop_the_run(tmp_path):
    with pytest.raises(NotebookError, match="NameError"):
        execute("whole", cwd=tmp_path, results="assessment.results")


def test_canonical_refuses_what_is_not_json():
    for value in (float("nan"), float("inf"), {1, 2}):
        with pytest.raises(RecordError, match="not plain JSON"):
            strict_run.canonical({"value": value})


def test_environment_names_no_place(tmp_path):
    text = strict_run.environment()
    assert "pandas 3." in text and os.sep + "home" not in text and sys.prefix not in text
