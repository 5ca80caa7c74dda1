"""Run a notebook without a person, strictly: it comes to a whole, correctly parameterised end or it is a NotebookError.

papermill alone lets through misspelt and wrongly typed parameters, an early ``sys.exit(0)`` and whatever kernel is
called ``python3`` nearby. Here parameters are checked against the parameters cell, the kernel is started from a private
kernelspec on this very interpreter, a last cell seals the run, and every cell must have run once, in order, without error.
"""

from __future__ import annotations

import ast
import contextlib
import importlib.metadata
import json
import keyword
import logging
import os
import platform
import secrets
import sys
import tempfile
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from coldchain_kit import __version__
from coldchain_kit.base import Fault, NotebookError, RecordError, nearest, sha256, zones

_KERNEL = "coldchain-kit-private"
_SEAL = "application/vnd.coldchain-kit.seal+json"
_WIDGET = "application/vnd.jupyter.widget-view+json"
_PACKAGE = Path(__file__).resolve().parents[1]
_TYPES = {"str": (str,), "int": (int,), "float": (int, float), "bool": (bool,), "None": (type(None),), "list": (list,), "dict": (dict,)}


def canonical(results: Any) -> str:
    """The one text of results (``model.to_text``), or a RecordError.

    Raises
    ------
    RecordError
        Where a value is not plain JSON: NaN, infinity, a time, an array.

    Examples
    --------
    >>> canonical({"b": 1.5, "a": "8 °C"})
    '{\\n  "a": "8 °C",\\n  "b": 1.5\\n}\\n'
    """
    from coldchain_kit.model import to_text

    try:
        return to_text(results)
    except (TypeError, ValueError) as fault:
        raise RecordError(f"the results are not plain JSON: {fault}", expected="texts, numbers, true, false, null", mend="This is a fault of the kit: report it") from None


def environment() -> str:
    """What the run stands on, as text: Python, kit, time zone database and the version of every installed package. No host, no path."""
    names = {dist.metadata["Name"].lower(): dist.version for dist in importlib.metadata.distributions() if dist.metadata["Name"]}
    head = [f"python {platform.python_version()} ({platform.python_implementation()})", f"system {platform.system()} {platform.machine()}"]
    head += [f"coldchain_kit {__version__}", f"time zone database {zones.tz_version()}", "", "packages"]
    return "\n".join(head + [f"{name} {names[name]}" for name in sorted(names)]) + "\n"


# ------------------------------------------------------------------------------------------------- parameters


def parameters_of(notebook: Any, *, where: str = "notebook") -> dict[str, tuple[str, Any]]:
    """Name -> (annotation, default) of the one parameters cell; ``...`` stands for "must be given".

    Raises
    ------
    NotebookError
        No such cell, several, or a line that is not ``name: type = literal``.
    """
    cells = [cell for cell in notebook.cells if cell.cell_type == "code" and "parameters" in cell.metadata.get("tags", [])]
    if len(cells) != 1:
        raise NotebookError(f"{len(cells)} cells are tagged 'parameters'", where=where, expected="exactly one")
    found: dict[str, tuple[str, Any]] = {}
    for node in _parsed(cells[0].source, f"{where} parameters cell").body:
        if not isinstance(node, ast.AnnAssign) or not isinstance(node.target, ast.Name):
            raise NotebookError(f"'{ast.unparse(node)[:60]}'", where=f"{where} parameters cell line {node.lineno}", expected="name: type = literal")
        try:
            default = ... if node.value is None else ast.literal_eval(node.value)
        except ValueError:
            raise NotebookError(f"'{node.target.id}' is derived", where=f"{where} parameters cell line {node.lineno}", expected="a plain literal") from None
        found[node.target.id] = (ast.unparse(node.annotation), default)
    return found


def check_parameters(known: dict[str, tuple[str, Any]], given: dict[str, Any], *, where: str = "notebook") -> None:
    """Raises NotebookError naming every unknown, missing and wrongly typed parameter at once.

    Examples
    --------
    >>> check_parameters({"case": ("str", ...)}, {"case": "case.toml"})
    >>> check_parameters({"case": ("str", ...)}, {"casse": "case.toml"})
    Traceback (most recent call last):
        ...
    coldchain_kit.base.errors.NotebookError: notebook: there is no parameter 'casse'. Expected one of case. Did you mean 'case'?
    notebook: parameter 'case' is missing. Expected str.
    """
    faults = [Fault(f"there is no parameter '{name}'", where, "one of " + ", ".join(known), nearest(name, known)) for name in given if name not in known]
    faults += [Fault(f"parameter '{name}' is missing", where, kind) for name, (kind, default) in known.items() if default is ... and name not in given]
    for name, value in given.items():
        if name in known and not _fits(known[name][0], value):
            faults.append(Fault(f"parameter '{name}' is {value!r}, a {type(value).__name__}", where, known[name][0]))
        if not name.isidentifier() or keyword.iskeyword(name):
            faults.append(Fault(f"'{name[:40]}' is not a name", where, "letters, digits and underscores"))
    if faults:
        raise NotebookError(faults=faults)


def _fits(annotation: str, value: Any) -> bool:
    kinds = [part.strip().split("[")[0] for part in annotation.split("|")]
    if isinstance(value, bool) and "bool" not in kinds:
        return False
    return any(isinstance(value, _TYPES.get(kind, ())) for kind in kinds)


def _parsed(source: str, where: str) -> ast.Module:
    try:
        return ast.parse(source)
    except (SyntaxError, ValueError):
        raise NotebookError("not plain Python", where=where, expected="no magics, no shell lines", mend="Put the work into a function of the kit") from None


def _check_source(notebook: Any, where: str) -> None:
    faults = []
    for number, cell in enumerate(notebook.cells, 1):
        tags = set(cell.metadata.get("tags", []))
        for tag in sorted(tags & {"raises-exception", "skip-execution", "injected-parameters"}):
            faults.append(Fault(f"the cell is tagged '{tag}'", f"{where} cell {number}", "every cell runs, and runs without error"))
        if cell.cell_type == "code":
            try:
                _parsed(cell.source, f"{where} cell {number}")
            except NotebookError as fault:
                faults.extend(fault.faults)
    if notebook.metadata.get("allow_errors"):
        faults.append(Fault("the notebook allows errors", where))
    if faults:
        raise NotebookError(faults=faults)


# ------------------------------------------------------------------------------------------------- the run


def read_notebook(path: Path) -> Any:
    """A notebook as nbformat 4; raises NotebookError where it is none."""
    import nbformat

    try:
        return nbformat.read(path, 4)
    except FileNotFoundError:
        raise NotebookError(f"there is no notebook '{path.name}'") from None
    except (OSError, ValueError, KeyError, AttributeError, nbformat.ValidationError) as fault:
        raise NotebookError(f"cannot be read as a notebook ({type(fault).__name__})", where=path.name) from None


def seal(nonce: str, results: Any = None) -> None:
    """Called by the last cell that :func:`execute` adds: says which interpreter and kit ran to the end, and on which results."""
    from IPython.display import publish_display_data

    digest = sha256(canonical(results)) if results is not None else ""
    said = f"Run to its end by Python {platform.python_version()} with coldchain_kit {__version__}, time zone database {zones.tz_version()}."
    if digest:
        said += f"\nSHA-256 of the results: {digest}"
    publish_display_data({"text/plain": said, _SEAL: {"nonce": nonce, "interpreter": sys.executable, "package": str(_PACKAGE), "results": digest}})


def execute(notebook: Path, parameters: dict[str, Any], *, cwd: Path, timeout_s: int = 600, results: str = "", scratch: Path | None = None) -> Any:
    """Run a notebook headlessly and give back the whole, normalised copy: two runs on the same inputs are the same to the byte.

    Parameters
    ----------
    notebook : Path
        The kit's notebook; it is not written to.
    parameters : dict
        Values of its parameters cell.
    cwd : Path
        Folder the cells run in; its modules are not importable there.
    timeout_s : int
        Longest time of one cell [s].
    results : str
        Expression (such as ``assessment.results``) whose canonical SHA-256 the last cell notes; see :func:`noted_results`.
    scratch : Path, optional
        Folder for the temporary files; the system's when not given.

    Raises
    ------
    NotebookError
        Wrong parameters, a failing cell, a cell that never ran, a kernel that died, another interpreter: anything short of a whole run.
    """
    source, where = read_notebook(notebook), notebook.name
    _check_source(source, where)
    check_parameters(parameters_of(source, where=where), parameters, where=where)
    nonce = secrets.token_hex(8)
    sealed = _with_seal(source, nonce, results)
    cwd = cwd.resolve()  # papermill changes the folder: a relative path would lead elsewhere from there
    with tempfile.TemporaryDirectory(prefix=".run-", dir=scratch) as name:
        private = Path(name).resolve()
        with _private_jupyter(private):
            ran = _papermill(sealed, parameters, private, cwd, timeout_s, where)
        _check_ran(ran, nonce, where)
        return normalised(ran, hide=(private, cwd))


def _with_seal(source: Any, nonce: str, results: str) -> Any:
    import nbformat

    copy = nbformat.from_dict(source)
    cell = nbformat.v4.new_code_cell(f'from coldchain_kit.records import strict_run\n\nstrict_run.seal("{nonce}"{", " + results if results else ""})', id="sealed-run")
    cell.metadata["tags"] = ["sealed-run"]
    copy.cells = [*source.cells, cell]
    for entry in copy.cells:
        if entry.cell_type == "code":
            entry.outputs, entry.execution_count = [], None
    return copy


@contextlib.contextmanager
def _private_jupyter(private: Path) -> Iterator[None]:
    """Kernelspec, configuration, profile and connection files of this run only; no kernelspec of the same name elsewhere is asked."""
    from ipykernel.kernelspec import get_kernel_dict

    folder = private / "data" / "kernels" / _KERNEL
    folder.mkdir(parents=True)
    for name in ("config", "runtime", "ipython"):
        (private / name).mkdir()
    argv = [sys.executable, "-P", "-m", "coldchain_kit.base.kernel", "-f", "{connection_file}", "--InteractiveShellApp.exec_PYTHONSTARTUP=False", "--HistoryManager.enabled=False", "--log-level=50"]
    (folder / "kernel.json").write_text(json.dumps({**get_kernel_dict(), "argv": argv}), "utf-8")
    changed = {
        "JUPYTER_PATH": str(private / "data"), "JUPYTER_DATA_DIR": str(private / "data"), "JUPYTER_CONFIG_DIR": str(private / "config"),
        "JUPYTER_RUNTIME_DIR": str(private / "runtime"), "IPYTHONDIR": str(private / "ipython"), "JUPYTER_NO_CONFIG": "1",
        "PYTHONPATH": str(_PACKAGE.parent), "PYTHONHASHSEED": "0", "TZ": "UTC", "PYTHONDONTWRITEBYTECODE": "1", "PYDEVD_DISABLE_FILE_VALIDATION": "1",
    }  # fmt: skip
    before = {name: os.environ.get(name) for name in changed}
    os.environ.update(changed)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Third-party start-up: no second spent on a grammar nobody uses, no log lines, no warnings of theirs."""
    blocked = "rfc3987_syntax" not in sys.modules
    if blocked:
        sys.modules["rfc3987_syntax"] = None  # type: ignore[assignment]
    levels = {name: logging.getLogger(name).level for name in ("papermill", "traitlets", "nbconvert")}
    for name in levels:
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        for name, level in levels.items():
            logging.getLogger(name).setLevel(level)
        if blocked and sys.modules.get("rfc3987_syntax") is None:
            sys.modules.pop("rfc3987_syntax", None)


def _papermill(notebook: Any, parameters: dict[str, Any], private: Path, cwd: Path, timeout_s: int, where: str) -> Any:
    import nbformat

    source, target = private / "in.ipynb", private / "out.ipynb"
    with quiet():
        from nbclient.exceptions import CellControlSignal, CellExecutionError, CellTimeoutError, DeadKernelError
        from papermill.exceptions import PapermillException, PapermillExecutionError
        from papermill.execute import execute_notebook
        from traitlets.config import Config

        nbformat.write(notebook, source)
        try:
            return execute_notebook(
                _plain(source), _plain(target), parameters=parameters, kernel_name=_KERNEL, language="python", cwd=str(cwd.resolve()), progress_bar=False,
                log_output=False, start_timeout=120, execution_timeout=timeout_s, request_save_on_cell_execute=False, record_timing=False,
                coalesce_streams=True, store_widget_state=False, config=Config({"KernelManager": {"transport_encryption": "auto"}}),
            )  # fmt: skip
        except PapermillExecutionError as fault:
            raise NotebookError(f"{fault.ename}: {fault.evalue}".strip(" :"), where=f"{where} cell [{fault.exec_count}]", mend="Nothing was frozen") from None
        except CellTimeoutError:
            raise NotebookError(f"a cell took longer than {timeout_s} s", where=where, mend="Nothing was frozen") from None
        except DeadKernelError:
            raise NotebookError("the kernel died before the end", where=where, mend="Often memory: close other programs and run again") from None
        except (CellExecutionError, CellControlSignal, PapermillException, RuntimeError) as fault:
            raise NotebookError(f"the run stopped ({type(fault).__name__}: {fault})", where=where) from None


def _plain(path: Path) -> str:
    """papermill fills in {names} in paths; a folder may really be called that."""
    return str(path).replace("{", "{{").replace("}", "}}")


def _check_ran(notebook: Any, nonce: str, where: str) -> None:
    faults, last = [], 0
    for number, cell in enumerate(notebook.cells, 1):
        if cell.cell_type != "code" or not cell.source.strip():
            continue
        at, count, marks = f"{where} cell {number}", cell.get("execution_count"), cell.metadata.get("papermill", {})
        if count is None:
            faults.append(Fault("the cell never ran", at, "every cell runs"))
        elif count != last + 1:
            faults.append(Fault(f"the cell ran as number {count}", at, f"number {last + 1}"))
        last = count or last
        if any(output.output_type == "error" for output in cell.outputs) or marks.get("exception") or marks.get("status") != "completed":
            faults.append(Fault("the cell did not end normally", at, "no error and no early exit"))
        if any(_WIDGET in output.get("data", {}) for output in cell.outputs):
            faults.append(Fault("the cell shows a form, which no frozen page can hold", at, "what was entered, as a table"))
    if notebook.metadata.get("papermill", {}).get("exception"):
        faults.append(Fault("the run is marked as stopped", where))
    said = _sealed(notebook)
    if not faults and (said.get("nonce"), said.get("interpreter"), said.get("package")) != (nonce, sys.executable, str(_PACKAGE)):
        faults.append(Fault("the last cell was not run by this interpreter and this kit", where, mend="Nothing was frozen"))
    if faults:
        raise NotebookError(faults=faults)


def _sealed(notebook: Any) -> dict[str, Any]:
    cell = notebook.cells[-1]
    outputs = [output.data[_SEAL] for output in cell.get("outputs", []) if _SEAL in output.get("data", {})]
    return outputs[-1] if outputs else {}


def noted_results(notebook: Any) -> str:
    """SHA-256 of the canonical results that the sealing cell noted, or ""."""
    return notebook.metadata.get("coldchain_kit", {}).get("results_sha256", "")


# ------------------------------------------------------------------------------------------------- what varies, taken out


def normalised(notebook: Any, *, hide: tuple[Path, ...] = ()) -> Any:
    """A copy without times, random ids and paths of this machine."""
    import nbformat

    copy = nbformat.from_dict(json.loads(_without_paths(json.dumps(notebook, ensure_ascii=False), hide)))
    noted = _sealed(copy).get("results", "")
    copy.metadata = nbformat.from_dict({
        "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
        "language_info": {"name": "python", "version": platform.python_version()},
        "coldchain_kit": {"version": __version__, **({"results_sha256": noted} if noted else {})},
    })  # fmt: skip
    for number, cell in enumerate(copy.cells):
        tags = cell.metadata.get("tags", [])
        cell.metadata = nbformat.from_dict({"tags": tags} if tags else {})
        cell["id"] = "injected-parameters" if "injected-parameters" in tags else cell.get("id") or f"cell-{number}"
        if cell.cell_type == "code":
            cell.outputs = [_plain_output(output) for output in cell.outputs]
    if "sealed-run" in copy.cells[-1].metadata.get("tags", []):
        copy.cells[-1].source = copy.cells[-1].source.split('"')[0] + '"…"' + copy.cells[-1].source.split('"')[2]
    return copy


def _plain_output(output: Any) -> Any:
    if "data" in output:
        output.data.pop(_SEAL, None)
    return output


def _without_paths(text: str, hide: tuple[Path, ...]) -> str:
    known = [(str(path), ".") for path in hide] + [(str(path.resolve()), ".") for path in hide]
    known += [(str(_PACKAGE), "coldchain_kit"), (sys.executable, "python"), (sys.prefix, "environment"), (sys.base_prefix, "python"), (str(Path.home()), "home")]
    for found, shown in sorted(known, key=lambda pair: -len(pair[0])):
        if len(found) > 4:  # never "/", "/usr", "."
            text = text.replace(json.dumps(found, ensure_ascii=False)[1:-1], shown)
    return text
