"""A module imports only from floors below its own, or from a module to its left on the same floor (DEVELOPERS.md)."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from tests.conftest import CHECKOUT

PACKAGE = CHECKOUT / "coldchain_kit"


def floors(text: str) -> dict[str, tuple[int, int]]:
    """Module -> (floor, place from the left), read from the table of floors in DEVELOPERS.md."""
    block = text.split("<!-- floors -->")[1].split("<!-- /floors -->")[0]
    places: dict[str, tuple[int, int]] = {}
    for line in block.splitlines():
        row = re.match(r"\|\s*(\d+)\s*\|([^|]+)\|", line)
        if row:
            for place, name in enumerate(re.findall(r"`([\w/]+)`", row.group(2))):
                places[name.replace("/", ".")] = (int(row.group(1)), place)
    return places


def imported(source: str, module: str, known: set[str]) -> set[str]:
    """Modules of the kit that a source text imports, at the top or inside functions."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "coldchain_kit":
            base = node.module.removeprefix("coldchain_kit").lstrip(".")
            for alias in node.names:
                full = f"{base}.{alias.name}".lstrip(".")
                found.add(full if full in known else base)
        elif isinstance(node, ast.Import):
            found |= {alias.name.removeprefix("coldchain_kit.") for alias in node.names if alias.name.startswith("coldchain_kit.")}
    return {name for name in found if name and name != module}


def place_of(name: str, places: dict[str, tuple[int, int]]) -> tuple[int, int]:
    return places[name] if name in places else places[name.split(".")[0]]


def modules() -> dict[str, str]:
    found = {}
    for path in PACKAGE.rglob("*.py"):
        name = ".".join(path.relative_to(PACKAGE).with_suffix("").parts).removesuffix(".__init__")
        if name not in ("__init__", "__main__") and "_shipped" not in name:
            found[name] = path.read_text("utf-8")
    return found


def breaches(sources: dict[str, str], places: dict[str, tuple[int, int]]) -> list[str]:
    wrong = []
    for name, source in sources.items():
        own = place_of(name, places)
        for other in imported(source, name, set(sources)):
            same_folder = name.split(".")[0] == other.split(".")[0]
            if not same_folder and place_of(other, places) >= own:
                wrong.append(f"{name} (floor {own[0]}) imports {other} (floor {place_of(other, places)[0]})")
    return sorted(wrong)


def test_every_module_keeps_to_its_floor():
    places = floors((CHECKOUT / "DEVELOPERS.md").read_text("utf-8"))
    sources = modules()
    without = sorted(name for name in sources if name not in places and name.split(".")[0] not in places)
    assert without == [], "modules without a floor in DEVELOPERS.md"
    assert breaches(sources, places) == []


def test_the_check_rejects_an_import_upwards():
    places = {"trace": (1, 0), "record": (8, 0), "errors": (0, 0)}
    assert breaches({"trace": "from coldchain_kit import record", "record": "", "errors": ""}, places) == ["trace (floor 1) imports record (floor 8)"]
    assert breaches({"trace": "def f():\n    from coldchain_kit.record import freeze", "record": "", "errors": ""}, places) != []
    assert breaches({"record": "from coldchain_kit.trace import Trace", "trace": "", "errors": ""}, places) == []


def test_no_broad_except_outside_the_command_line():
    assert [name for name, source in modules().items() if broad_excepts(source)] == []


def broad_excepts(source: str) -> list[int]:
    """Lines of handlers that catch everything."""
    lines = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ExceptHandler):
            names = [node.type] if not isinstance(node.type, ast.Tuple) else node.type.elts
            if any(name is None or (isinstance(name, ast.Name) and name.id in ("Exception", "BaseException")) for name in names):
                lines.append(node.lineno)
    return lines


@pytest.mark.parametrize("trap", ["try:\n    pass\nexcept Exception:\n    pass", "try:\n    pass\nexcept:\n    pass", "try:\n    pass\nexcept (KeyError, BaseException):\n    pass"])
def test_the_check_rejects_a_broad_except(trap):
    assert broad_excepts(trap) == [3]


def test_modules_stay_readable_in_size():
    long = {name: source.count("\n") for name, source in modules().items() if source.count("\n") > 480}
    assert long == {}, "split them: a module should be about 400 lines and its name should say all of it"


def test_shape_of_the_top_level():
    kept = {"README.md", "DEVELOPERS.md", "pyproject.toml", "notebooks", "coldchain_kit", "tests", "sample_data"}
    import subprocess

    listed = subprocess.run(["git", "ls-files"], cwd=CHECKOUT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a git checkout")
    assert {Path(name).parts[0] for name in listed.stdout.splitlines() if not name.startswith(".")} - kept == set()
