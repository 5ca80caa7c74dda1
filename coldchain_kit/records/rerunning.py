"""Execute a record again from its own inputs with the installed kit, and compare every number.

No code out of the record runs: the notebook is the installed kit's; where the recorded one differs it is named.
"""

from __future__ import annotations

import ast
import json
import math
import re
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from coldchain_kit import __version__, assessment, register
from coldchain_kit.assessment import Assessment, monthly
from coldchain_kit.assessment import results as canonical
from coldchain_kit.base import RecordError, package_files, sha256, zones
from coldchain_kit.model import Results
from coldchain_kit.records import context, freezing, page, strict_run, verification
from coldchain_kit.register import entries
from coldchain_kit.show import tables

NOTEBOOKS = {"investigation": "investigation.ipynb", "monthly": "monthly_summary.ipynb"}
TOLERANCE = 1e-9


@dataclass(frozen=True)
class Outcome:
    """``differences``: empty when every number came out again; ``notes``: what else differs and does not count against the record."""

    differences: tuple[str, ...]
    notes: tuple[str, ...] = ()
    compared: int = 0

    @property
    def text(self) -> str:
        """One plain line, and one for each note."""
        head = f"{len(self.differences)} difference{'s' if len(self.differences) != 1 else ''}" if self.differences else f"the same: {self.compared} values compared, numbers to {TOLERANCE:g}"
        return "\n".join([head, *(f"  note: {note}" for note in self.notes)])


def run_notebook(kind: str, given: dict[str, Any], results: Results[str], *, cwd: Path, scratch: Path | None = None) -> Any:
    """The installed kit's notebook of that kind, executed; it must have come to the very results computed beside it."""
    path = package_files.notebooks() / NOTEBOOKS[kind]
    known = strict_run.parameters_of(strict_run.read_notebook(path), where=path.name)
    frozen = {"frozen": True} if "frozen" in known else {}
    notebook = strict_run.execute(path, {**dict(sorted(given.items())), **frozen}, cwd=cwd, results="assessment.results", scratch=scratch)
    if strict_run.noted_results(notebook) != sha256(strict_run.canonical(results)):
        raise RecordError("the notebook came to other results than the kit", where=path.name, mend="Nothing was frozen; report this")
    return notebook


def rerun(path: str | Path) -> Outcome:
    """Execute a record again in a temporary copy of its inputs.

    Raises
    ------
    NoRecord
        Where the path holds no record.
    RecordError
        A record of a kind that is not computed from inputs, or whose inputs lead outside it.
    KitError
        The installed kit cannot execute it any more.
    """
    folder = Path(path)
    problems = verification.record(folder)
    if problems:
        return Outcome(tuple(f"the record is damaged and was not executed: {problem}" for problem in problems))
    info = verification.bag_info(folder)
    kind, given = info.get("Kind", ""), _parameters(info, folder)
    recorded = json.loads((folder / "data" / "results.json").read_text("utf-8"))
    with tempfile.TemporaryDirectory(prefix="coldchain-rerun-") as name:
        work = Path(name).resolve()
        _unpack(folder, work / "inputs", info.get("Start-File", ""))
        found = _assess(kind, given, work / "inputs")
        notebook = run_notebook(kind, given, found.results, cwd=work / "inputs", scratch=work)
        trail = [*_trail(work / "inputs"), *_changes(folder, recorded, work / "inputs"), *_edition(info, recorded)]
    counted: list[str] = []
    numbers = list(compare(recorded, json.loads(strict_run.canonical(found.results)), counted=counted))
    cells = notebook_differences(folder / "data" / "record.ipynb", kind, given)
    unlike = differences_of_environment(folder, info)
    if info.get("Rules", "1") != str(canonical.RULES):
        notes = [f"rules changed: frozen by edition {info.get('Rules', '1')} of the rules, executed by edition {canonical.RULES}", *unlike, *numbers, *cells]
        return Outcome(tuple(trail), tuple(notes), len(counted))
    if unlike:
        return Outcome(tuple(numbers + trail), (*unlike, "numbers compared, layout not", *cells), len(counted))
    made = bytes_made(folder, notebook, found, info)
    return Outcome(tuple(numbers + trail + cells + made), (), len(counted))


def bytes_made(folder: Path, notebook: Any, found: Assessment, info: dict[str, str]) -> list[str]:
    """Where page, tables and notebook, made again with the same kit in the same surroundings, are other bytes than the recorded ones."""
    files = {f"tables/{name}.csv": freezing.safe_csv(table).encode("utf-8") for name, table in tables.csv_tables(found).items()}
    files["record.ipynb"] = freezing.notebook_bytes(notebook)
    held = context.read(folder)
    if held is not None:
        hashes = {name.removeprefix("data/"): digest for digest, name in verification.listed(folder)}
        files["record.html"] = page.of_record(notebook, held, contents=info.get(verification.CONTENTS_LABEL, ""), files=hashes).encode("utf-8")
    kept = {path.relative_to(folder / "data").as_posix() for path in (folder / "data" / "tables").glob("*.csv")}
    lines = [f"data/{name}: recorded, but not made again" for name in sorted(kept - files.keys())]
    return lines + [f"data/{name}: made again it has other bytes" for name, content in sorted(files.items()) if _bytes(folder / "data" / name) != content]


def _bytes(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except OSError:
        return None


def _trail(inputs: Path) -> list[str]:
    """The entries' chain, checked again whatever the notebook shows of it."""
    return [text for path in sorted(inputs.rglob(entries.FILE)) for text in entries.check(path.parent) if not text.startswith("note:")]


def _changes(folder: Path, recorded: dict[str, Any], inputs: Path) -> list[str]:
    """Whether "What changed" is what the revision before, as the record itself holds it, and this one give."""
    held = context.read(folder)
    if held is None:
        return []
    files = {name.removeprefix("data/"): digest for digest, name in verification.listed(folder)}
    again = context.changed(held["previous"], context.state(files, recorded, context.trail_of(inputs)))
    return [] if again == held["changes"] else [f"data/{context.NAME}: what it says changed since the revision before is not what its own figures give"]


def _edition(info: dict[str, str], recorded: dict[str, Any]) -> list[str]:
    """The results' own form and bag-info must name one edition of the rules: a label alone excuses no difference."""
    form = str(recorded.get("schema", "")).rpartition("/")[2]
    return [] if info.get("Rules", "1") == form else [f"bag-info.txt says edition {info.get('Rules', '1')} of the rules, and the results have the form of edition {form}"]


def differences_of_environment(folder: Path, info: dict[str, str]) -> list[str]:
    """What is not as it was when a record was frozen, a line each: kit, its code, libraries, interpreter, time zone database; empty where bytes can be compared."""
    told = []
    if info.get("Kit-Version") != __version__:
        told.append(f"frozen with coldchain_kit {info.get('Kit-Version', 'not known')}, executed with {__version__}")
    elif info.get("Kit-Code-SHA256") != tables.fingerprint():
        told.append(f"the kit's code is not the one of then, though both are called {__version__}" if "Kit-Code-SHA256" in info else "the record does not say which code of the kit froze it")
    told += _environment_notes(info)
    recorded = _bytes(folder / "data" / "environment.txt")
    if recorded is not None and recorded != strict_run.environment().encode("utf-8"):
        told.append("interpreter, platform or libraries are not those of then (data/environment.txt)")
    return told


def _parameters(info: dict[str, str], folder: Path) -> dict[str, Any]:
    if info.get("Kind") not in NOTEBOOKS:
        raise RecordError(f"a record of kind '{info.get('Kind', 'not known')}' is not computed from inputs", where=folder.name, expected="an investigation or a monthly summary")
    try:
        given = json.loads(info.get("Parameters", ""))
        if not isinstance(given, dict):
            raise ValueError
    except ValueError:
        raise RecordError("bag-info.txt names no parameters", where=folder.name) from None
    for value in (given.get("case", ""), given.get("site", ""), info.get("Start-File", "")):
        name = PurePosixPath(str(value))
        if name.is_absolute() or ".." in name.parts:
            raise RecordError(f"the parameter '{value}' leads outside the record", where=folder.name)
    return given


def _unpack(folder: Path, inputs: Path, start: str) -> None:
    shutil.copytree(folder / "data" / "inputs", inputs)
    papers = folder / "data" / "attachments"
    if papers.is_dir():
        shutil.copytree(papers, inputs / PurePosixPath(start).parent, dirs_exist_ok=True)


def _case(kind: str, given: dict[str, Any], inputs: Path) -> register.Case:
    if kind == "monthly":
        return monthly.case(register.load_site(inputs / given["site"], keep_going=True), unit=given["unit"], month=given["month"], final=bool(given.get("final", False)))
    return register.load_case(inputs / given["case"])


def _assess(kind: str, given: dict[str, Any], inputs: Path) -> Assessment:
    found = _case(kind, given, inputs)
    for path in assessment.inputs(found):
        if not path.resolve().is_relative_to(inputs):
            raise RecordError(f"'{path.name}' lies outside the record", where=found.path.name)
    return assessment.assess(found)


def compare(recorded: Any, now: Any, *, at: str = "", counted: list[str] | None = None) -> Iterator[str]:
    """Differences of two results, a line each: numbers beyond 1e-9 (absolute or relative), anything else that is not equal.

    Examples
    --------
    >>> list(compare({"mkt_c": 7.25, "n": 3}, {"mkt_c": 7.2500000001, "n": 4}))
    ['n: recorded 3, now 4']
    """
    if isinstance(recorded, dict) and isinstance(now, dict):
        for key in sorted(recorded.keys() | now.keys()):
            here = f"{at}.{key}" if at else key
            if key not in recorded or key not in now:
                yield f"{here}: only in the {'recorded' if key in recorded else 'new'} results"
            else:
                yield from compare(recorded[key], now[key], at=here, counted=counted)
    elif isinstance(recorded, list) and isinstance(now, list):
        if len(recorded) != len(now):
            yield f"{at}: recorded {len(recorded)} rows, now {len(now)}"
        for number, (old, new) in enumerate(zip(recorded, now, strict=False)):
            yield from compare(old, new, at=f"{at}[{number}]", counted=counted)
    else:
        if counted is not None:
            counted.append(at)
        numbers = all(isinstance(value, (int, float)) and not isinstance(value, bool) for value in (recorded, now))
        if not (math.isclose(recorded, now, rel_tol=TOLERANCE, abs_tol=TOLERANCE) if numbers else recorded == now and type(recorded) is type(now)):
            yield f"{at}: recorded {_short(recorded)}, now {_short(now)}"


def _short(value: object) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 120 else text[:117] + "…"


def notebook_differences(recorded: Path, kind: str, given: dict[str, Any]) -> list[str]:
    """Where the recorded notebook's cells are not those of the installed kit's notebook.

    Two cells come with a run: the one that sets the parameters, right below theirs, with nothing but those values; and the last, which seals. Any other
    cell that only carries their tags is a difference.
    """
    installed = package_files.notebooks() / NOTEBOOKS[kind]
    cells, new = list(strict_run.read_notebook(recorded).cells), strict_run.read_notebook(installed).cells
    at = next((place for place, cell in enumerate(new, 1) if "parameters" in cell.metadata.get("tags", [])), len(new))
    old = [cell for place, cell in enumerate(cells) if not (place == at and _sets(cell, given)) and not (place == len(cells) - 1 and _seals(cell))]
    rows = [f"the recorded notebook differs from {installed.name} in cell {number}" for number, (a, b) in enumerate(zip(old, new, strict=False), 1) if (a.cell_type, a.source) != (b.cell_type, b.source)]
    return rows + ([f"the recorded notebook has {len(old)} cells, {installed.name} {len(new)}"] if len(old) != len(new) else [])


def _sets(cell: Any, given: dict[str, Any]) -> bool:
    """Whether a cell sets these parameters by plain values and does nothing else."""
    if "injected-parameters" not in cell.metadata.get("tags", []):
        return False
    try:
        lines = ast.parse(cell.source).body
        held = {line.targets[0].id: ast.literal_eval(line.value) for line in lines if isinstance(line, ast.Assign) and isinstance(line.targets[0], ast.Name)}
    except (SyntaxError, ValueError):
        return False
    return len(held) == len(lines) and {name: value for name, value in held.items() if name != "frozen"} == given


def _seals(cell: Any) -> bool:
    """Whether a cell is the kit's own last one and no more."""
    return "sealed-run" in cell.metadata.get("tags", []) and re.fullmatch(r'from coldchain_kit\.records import strict_run\n\nstrict_run\.seal\("…"(, assessment\.results)?\)', cell.source) is not None


def _environment_notes(info: dict[str, str]) -> list[str]:
    before = info.get("Time-Zone-Database", "not known")
    return [] if before == zones.tz_version() else [f"time zone database {before} when frozen, {zones.tz_version()} now"]
