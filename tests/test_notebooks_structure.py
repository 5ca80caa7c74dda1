"""Notebooks stay thin: a question, one call, one answer; literal parameters; nothing stored that a run should make."""

from __future__ import annotations

import ast
import importlib
import re

import nbformat
import pytest

from tests.conftest import CHECKOUT

NOTEBOOKS = sorted((CHECKOUT / "notebooks").rglob("*.ipynb"))
FORBIDDEN = (
    ast.FunctionDef,
    ast.AsyncFunctionDef,
    ast.ClassDef,
    ast.For,
    ast.While,
    ast.Try,
    ast.Lambda,
    ast.With,
    ast.ListComp,
    ast.DictComp,
    ast.SetComp,
    ast.GeneratorExp,
    ast.AsyncFor,
    ast.Global,
)
READS_INPUT = re.compile(r"read_csv|\bopen\(|\bjson\.|\bre\.|split\(|strptime|to_datetime|sys\.exit|exit\(|print\(")
MOST_LINES, USUAL_LINES = 15, 8


def faults(notebook) -> list[str]:
    """Every breach of the rules for a notebook, one plain line each."""
    wrong, ids = [], [cell.get("id") for cell in notebook.cells]
    if (notebook.nbformat, notebook.nbformat_minor) < (4, 5) or len(set(ids)) != len(ids) or not all(ids):
        wrong.append("not nbformat 4.5 with an id of its own for every cell")
    if notebook.metadata.get("widgets"):
        wrong.append("widget state is stored")
    for cell in notebook.cells:
        if cell.cell_type == "code":
            wrong += [f"cell {cell.id}: {text}" for text in cell_faults(cell)]
    return wrong


def cell_faults(cell) -> list[str]:
    wrong, lines = [], [line for line in cell.source.splitlines() if line.strip() and not line.strip().startswith("#")]
    if cell.outputs or cell.execution_count is not None:
        wrong.append("holds an output or a count of a run")
    if len(lines) > MOST_LINES:
        wrong.append(f"{len(lines)} lines of code")
    if {"raises-exception", "skip-execution"} & set(cell.metadata.get("tags", [])):
        wrong.append("is excused from running")
    try:
        tree = ast.parse(cell.source)
    except SyntaxError:
        return [*wrong, "is not plain Python (magic or shell line)"]
    wrong += [f"holds {type(node).__name__}" for node in ast.walk(tree) if isinstance(node, FORBIDDEN)]
    if READS_INPUT.search(cell.source):
        wrong.append("parses, prints or stops by itself")
    if "parameters" in cell.metadata.get("tags", []):
        wrong += [f"parameter line {node.lineno} is no annotated literal" for node in tree.body if not literal(node)]
    return wrong


def literal(node: ast.stmt) -> bool:
    if not (
        isinstance(node, ast.AnnAssign)
        and isinstance(node.target, ast.Name)
        and isinstance(node.annotation, ast.Name)
        and node.annotation.id in ("str", "int", "float", "bool")
        and node.value is not None
    ):
        return False
    try:
        return isinstance(ast.literal_eval(node.value), {"str": str, "int": int, "float": (int, float), "bool": bool}[node.annotation.id])
    except ValueError:
        return False


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_the_notebook_is_thin(path):
    notebook = nbformat.read(path, 4)
    nbformat.validate(notebook)
    assert faults(notebook) == []


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_most_cells_hold_a_few_lines_and_one_answer(path):
    counts = [len([line for line in cell.source.splitlines() if line.strip()]) for cell in nbformat.read(path, 4).cells if cell.cell_type == "code"]
    assert sorted(counts)[: int(len(counts) * 0.9)] == [] or sorted(counts)[int(len(counts) * 0.9) - 1] <= USUAL_LINES


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_the_file_ends_with_a_line_end_and_names_no_machine(path):
    text = path.read_text("utf-8")
    assert text.endswith("}\n")
    assert not re.search(r"/home/|/tmp/|[A-Z]:\\\\|https?://", text)


def parameters(name: str) -> list[str]:
    notebook = nbformat.read(CHECKOUT / "notebooks" / f"{name}.ipynb", 4)
    (cell,) = [cell for cell in notebook.cells if "parameters" in cell.metadata.get("tags", [])]
    return [node.target.id for node in ast.parse(cell.source).body]


def test_the_two_jobs_have_their_parameters():
    assert parameters("investigation") == ["case", "frozen"]
    assert parameters("monthly_summary") == ["site", "unit", "month", "final", "frozen"]


def test_the_parts_of_a_report_stand_in_the_order_of_the_job_and_what_proves_them_behind():
    """The parts listed at the end of FACTS section e: first what a reader acts on, in the order of the job, then annexes A to H."""
    notebook = nbformat.read(CHECKOUT / "notebooks" / "investigation.ipynb", 4)
    calls = [cell.source for cell in notebook.cells if cell.cell_type == "code"]
    parts = {
        "immediate action and quarantine": "forms.before_anything_else", "doses given meanwhile": "forms.given", "the episode drawn": "charts.episodes", "who and when found": "forms.found", "time outside": "tables.totals",
        "what each lot received": "tables.received", "manufacturer's reply": "forms.replies", "quantities": "forms.counts", "decisions": "forms.decisions", "causes for and against": "tables.causes", "root cause": "forms.root_cause",
        "who was told": "forms.told", "corrections and CAPA": "forms.actions", "risk and classification": "forms.classification", "effectiveness check": "forms.conclusion", "retention and copies": "forms.kept",
        "A identification": "tables.identification", "A label range": "tables.conditions", "A devices, serials, certificates": "tables.devices", "A data set with hashes": "tables.sources",
        "B data quality": "tables.believable", "B exclusions with reasons": "forms.set_aside", "C clock offset": "tables.clock", "C certificates": "tables.calibration", "D excursions": "tables.excursions", "D MKT with window and limit": "tables.mkt",
        "E evidence": "tables.evidence", "F lots": "tables.lots", "F statements": "tables.allowances", "G amendments": "forms.trail", "H how it was made": "tables.made",
    }  # fmt: skip
    places = [next((at for at, call in enumerate(calls) if call.startswith(f"{wanted}(")), None) for wanted in parts.values()]
    assert None not in places, dict(zip(parts, places, strict=True))
    assert places == sorted(places)
    heads = [cell.source.splitlines()[0] for cell in notebook.cells if cell.cell_type == "markdown" and cell.source.startswith("## ")]
    assert [head[9] for head in heads if head.startswith("## Annex ")] == list("ABCDEFGH") and heads[-8].startswith("## Annex A")


def taken(module: str, name: str) -> object:
    """What ``from module import name`` gives: an attribute, else a module below it."""
    found = importlib.import_module(module)
    return getattr(found, name) if hasattr(found, name) else importlib.import_module(f"{module}.{name}")


def calls_of(notebook) -> list[tuple[object, str]]:
    """(module of the kit, name) of everything that a notebook's cells take from what they import."""
    trees = [ast.parse(cell.source) for cell in notebook.cells if cell.cell_type == "code"]
    held = {}
    for node in (node for tree in trees for node in ast.walk(tree)):
        if isinstance(node, ast.Import):
            held |= {alias.asname or alias.name: importlib.import_module(alias.name) for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            held |= {alias.asname or alias.name: taken(node.module, alias.name) for alias in node.names}
    nodes = [node for tree in trees for node in ast.walk(tree) if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name)]
    return [(held[node.value.id], node.attr) for node in nodes if node.value.id in held]


def test_every_call_of_a_notebook_exists_in_the_kit():
    for path in NOTEBOOKS:
        calls = calls_of(nbformat.read(path, 4))
        assert len(calls) > 1 or path.stem == "start_here", path.stem
        assert [f"{module.__name__}.{name}" for module, name in calls if not hasattr(module, name)] == []


@pytest.mark.parametrize(
    ("source", "told"),
    [
        ("for row in rows:\n    row", "holds For"), ("%matplotlib inline", "magic"), ("!ls", "magic"), ("def f():\n    return 1", "holds FunctionDef"), ("f = lambda: 1", "holds Lambda"), ("[x for x in y]", "holds ListComp"),
        ("try:\n    a\nexcept ValueError:\n    b", "holds Try"), ("\n".join(f"a{n} = {n}" for n in range(16)), "16 lines"), ("pd.read_csv(x)", "parses"),
    ],
)  # fmt: skip
def test_the_check_rejects_a_thick_cell(source, told):
    cell = nbformat.v4.new_code_cell(source)
    assert any(told in fault for fault in cell_faults(cell))


@pytest.mark.parametrize("source", ["case = 'x'", "case: str = 'x' + 'y'", "case: str", "case: str = 3", "n: list = []", "from x import y"])
def test_the_check_rejects_a_parameter_that_is_no_annotated_literal(source):
    cell = nbformat.v4.new_code_cell(source, metadata={"tags": ["parameters"]})
    assert any("annotated literal" in fault for fault in cell_faults(cell))


def test_the_check_rejects_a_stored_output():
    cell = nbformat.v4.new_code_cell("1 + 1", execution_count=1, outputs=[nbformat.v4.new_output("stream", text="2")])
    assert cell_faults(cell) == ["holds an output or a count of a run"]
