"""Executed copies of the notebooks with the tables they showed, for nbval: ``python -m tests.expected_notebooks`` makes them anew.

Look at ``git diff tests/expected`` before you commit: a changed number is a changed result. Charts and the list of installed
packages are left out (their text depends on versions of libraries); every table and every sentence is kept.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import nbformat

from coldchain_kit.base import package_files
from coldchain_kit.records import strict_run
from tests.conftest import HERE

EXPECTED = HERE / "expected"
PARAMETERS = {
    "investigation": {"case": "../cases/2026-014/case.toml", "frozen": True},
    "monthly_summary": {"site": "../site.toml", "unit": "F2", "month": "2026-03", "frozen": True},
}
LEFT_OUT = ("charts.", "tables.environment", "tables.made", "tables.kit", "run.seal")


def executed(name: str, site: Path):
    """The notebook, run on a copy of the sample site, with what may differ between installations left out."""
    folder = site / "notebooks"
    folder.mkdir(exist_ok=True)
    notebook = strict_run.execute(package_files.notebooks() / f"{name}.ipynb", PARAMETERS[name], cwd=folder)
    notebook.cells = [cell for cell in notebook.cells if "sealed-run" not in cell.metadata.get("tags", [])]
    notebook.metadata.pop("coldchain_kit", None)
    notebook.metadata["language_info"] = {"name": "python"}
    for cell in notebook.cells:
        if cell.cell_type == "code" and any(word in cell.source for word in LEFT_OUT):
            cell.outputs = []
            cell.metadata["tags"] = [*cell.metadata.get("tags", []), "nbval-ignore-output"]
    return notebook


def make(target: Path) -> list[Path]:
    """Write every executed copy to a folder."""
    target.mkdir(exist_ok=True)
    paths = []
    for name in PARAMETERS:
        with tempfile.TemporaryDirectory() as temporary:
            notebook = executed(name, package_files.copy_sample_site(Path(temporary)))
        paths.append(target / f"{name}.ipynb")
        nbformat.write(notebook, paths[-1])
    return paths


if __name__ == "__main__":
    for path in make(EXPECTED):
        print(path.relative_to(HERE.parent))
