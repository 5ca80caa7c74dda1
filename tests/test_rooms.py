"""The house: a room imports only rooms listed above it in DEVELOPERS.md, and from their faces only; no circle, no giant."""

from __future__ import annotations

import ast
import importlib
import re
import subprocess
import sys
import time
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

from tests.conftest import CHECKOUT

PACKAGE = CHECKOUT / "coldchain_kit"


def listed_rooms(text: str) -> list[str]:
    """Rooms in order, read from the table of rooms in DEVELOPERS.md."""
    block = text.split("<!-- rooms -->")[1].split("<!-- /rooms -->")[0]
    return re.findall(r"^\| `(\w+)` \|", block, re.M)


def modules() -> dict[str, str]:
    """Dotted name inside the package -> source, of every module but the package's own face."""
    found = {}
    for path in PACKAGE.rglob("*.py"):
        name = ".".join(path.relative_to(PACKAGE).with_suffix("").parts).removesuffix(".__init__")
        if name not in ("__init__", "__main__") and "_shipped" not in name:
            found[name] = path.read_text("utf-8")
    return found


def imports(source: str) -> list[tuple[str, str]]:
    """(module of the kit without the package's name, imported name) of every import, at the top or inside functions."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "coldchain_kit":
            found += [(node.module.removeprefix("coldchain_kit").lstrip("."), alias.name) for alias in node.names]
        elif isinstance(node, ast.Import):
            found += [(alias.name.removeprefix("coldchain_kit."), "") for alias in node.names if alias.name.startswith("coldchain_kit.")]
    return [(module, name) for module, name in found if (module, name) != ("", "__version__")]


def breaches(sources: dict[str, str], rooms: list[str], faces: dict[str, set[str]]) -> list[str]:
    """Imports upwards, past a face, or of a name that the face does not have; attributes that a face does not have."""
    wrong = []
    for name, source in sources.items():
        own = name.split(".")[0]
        for module, what in imports(source):
            other = (module or what).split(".")[0]
            if other == own:
                continue
            if rooms.index(other) > rooms.index(own):
                wrong.append(f"{name} imports {other}, a room below it in the list")
            if "." in module or (module and what not in faces.get(other, {what})):
                wrong.append(f"{name} takes {what} from {module}, past the face of {other}")
        named = {what for module, what in imports(source) if not module}
        for node in ast.walk(ast.parse(source)):
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in named - {own}:
                room = node.value.id
                if node.attr not in faces.get(room, {node.attr}):
                    wrong.append(f"{name} takes {node.attr} from {room}, which its face does not have")
    return sorted(wrong)


def circles(sources: dict[str, str]) -> list[str]:
    """Files that import each other in a loop."""
    graph = {}
    for name, source in sources.items():
        reached = set()
        for module, what in imports(source):
            full = f"{module}.{what}".strip(".")
            found = full if full in sources else module
            reached |= {found} - {name}
        graph[name] = reached
    try:
        list(TopologicalSorter(graph).static_order())
    except CycleError as fault:
        return fault.args[1]
    return []


@pytest.fixture(scope="module")
def house() -> tuple[dict[str, str], list[str], dict[str, set[str]]]:
    rooms = listed_rooms((CHECKOUT / "DEVELOPERS.md").read_text("utf-8"))
    faces = {room: set(importlib.import_module(f"coldchain_kit.{room}").__all__) for room in rooms if (PACKAGE / room / "__init__.pyi").is_file()}
    return modules(), rooms, faces


def test_every_module_has_a_room_and_imports_only_rooms_above_it_by_their_faces(house):
    sources, rooms, faces = house
    assert {name.split(".")[0] for name in sources} == set(rooms)
    assert breaches(sources, rooms, faces) == []


def test_the_check_rejects_an_import_upwards_past_a_face_or_of_an_unknown_name():
    rooms, faces = ["base", "model", "records"], {"model": {"Trace"}}
    assert breaches({"model.trace": "from coldchain_kit import records"}, rooms, faces) == ["model.trace imports records, a room below it in the list"]
    assert breaches({"model.trace": "def f():\n    from coldchain_kit.records import freeze"}, rooms, faces) != []
    assert breaches({"records.bag": "from coldchain_kit.model.trace import Trace"}, rooms, faces) != []
    assert breaches({"records.bag": "from coldchain_kit.model import Step"}, rooms, faces) != []
    assert breaches({"records.bag": "from coldchain_kit import model\nmodel.Step()"}, rooms, faces) != []
    assert breaches({"records.bag": "from coldchain_kit.model import Trace"}, rooms, faces) == []


def test_no_files_import_each_other_in_a_loop(house):
    assert circles(house[0]) == []


def test_the_check_rejects_a_loop():
    loop = {"a.x": "from coldchain_kit.a import y", "a.y": "def f():\n    from coldchain_kit.a.x import g"}
    assert set(circles(loop)) == {"a.x", "a.y"}
    assert circles({**loop, "a.y": ""}) == []


@pytest.mark.parametrize("room", ["", *sorted(path.parent.name for path in PACKAGE.glob("*/__init__.pyi"))])
def test_a_face_documents_each_of_its_names_and_each_can_be_had(room):
    face = importlib.import_module(f"coldchain_kit.{room}".rstrip("."))
    documented = re.findall(r"^(\w+)  +\S", face.__doc__, re.M)
    assert sorted(documented) == sorted(set(face.__all__) - {"__version__"})
    assert all(getattr(face, name) is not None for name in face.__all__)


@pytest.mark.parametrize(("statement", "never"), [
    ("import coldchain_kit", ("pandas", "numpy", "altair", "papermill")),
    ("from coldchain_kit import records; records.verification.report('nowhere')", ("altair", "vl_convert", "papermill", "matplotlib", "ipywidgets")),
    ("from coldchain_kit import cli", ("pandas", "altair", "papermill")),
])  # fmt: skip
def test_importing_brings_no_more_than_is_needed(statement, never):
    script = f"import sys\n{statement}\nprint([name for name in {never!r} if name in sys.modules])"
    assert subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout == "[]\n"


def test_importing_is_quick_and_changes_nothing_outside():
    script = """import sys, time, zoneinfo, logging, warnings, os, locale, decimal
def state():
    return zoneinfo.TZPATH, dict(os.environ), list(warnings.filters), logging.getLogger().handlers, locale.setlocale(locale.LC_ALL), str(decimal.getcontext()), sys.path[:]
before, lisbon, began = state(), zoneinfo.ZoneInfo("Europe/Lisbon"), time.process_time()
import coldchain_kit
took = time.process_time() - began
assert state() == before and zoneinfo.ZoneInfo("Europe/Lisbon") is lisbon
print(took)"""
    took = []
    for _ in range(3):
        took.append(float(subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout))
        time.sleep(0.05)
    assert min(took) < 0.1


def test_noon_to_noon_over_a_clock_change_is_what_the_zone_says():
    # Lisbon puts its clocks forward on 29 March 2026 (EU directive 2000/84/EC, last Sunday of March: MEMORY)
    script = """import datetime as dt, zoneinfo
day = dt.datetime(2026, 3, 28, 12, tzinfo=zoneinfo.ZoneInfo("Europe/Lisbon"))
import coldchain_kit
next_day = dt.datetime(2026, 3, 29, 12, tzinfo=zoneinfo.ZoneInfo("Europe/Lisbon"))
print((next_day - day).total_seconds() / 3600, (next_day.astimezone(dt.UTC) - day.astimezone(dt.UTC)).total_seconds() / 3600)"""
    # the same zone object on both sides: wall-clock hours in Python's own arithmetic; 23 h by UTC
    assert subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout == "24.0 23.0\n"


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


def test_no_file_is_longer_than_400_lines():
    long = {name: source.count("\n") for name, source in modules().items() if source.count("\n") > 400}
    assert long == {}, "split them: the name of a module should say all that is in it"


def test_shape_of_the_top_level():
    kept = {"README.md", "DEVELOPERS.md", "pyproject.toml", "notebooks", "coldchain_kit", "tests", "sample_data"}
    listed = subprocess.run(["git", "ls-files"], cwd=CHECKOUT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a git checkout")
    assert {Path(name).parts[0] for name in listed.stdout.splitlines() if not name.startswith(".")} - kept == set()
