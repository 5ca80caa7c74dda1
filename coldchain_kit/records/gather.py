"""Take a private copy of everything a case rests on, with its relative paths kept, before anything is computed.

The copy is what is assessed, run and frozen; :meth:`Gathered.changed` says at the end which originals are no longer
what was copied.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

from coldchain_kit import assessment, register
from coldchain_kit.base import RecordError, sha256
from coldchain_kit.records import bag
from coldchain_kit.register import Case, entries

BESIDE = ("entries.jsonl", "actions.csv")  # what people write into a case's folder
TREE, ELSEWHERE = "files", "elsewhere"


@dataclass
class Gathered:
    """A copy under ``root``. ``files``: name in the copy -> original; ``papers``: names of attachments; ``start``: name of case.toml or site.toml."""

    root: Path
    start: str = ""
    site_sha256: str = ""
    files: dict[str, Path] = field(default_factory=dict)
    papers: set[str] = field(default_factory=set)
    hashes: dict[Path, str] = field(default_factory=dict)

    def changed(self) -> list[str]:
        """Originals that are not what was copied any more."""
        return [path.name for path, digest in self.hashes.items() if _digest(path) != digest]

    def inputs(self) -> list[tuple[Path, str]]:
        """(file of the copy, its relative name), attachments apart."""
        return [(self.root / name, name) for name in sorted(self.files) if name not in self.papers]

    def attachments(self) -> list[tuple[Path, str]]:
        """(file of the copy, its name below attachments/)."""
        folder = PurePosixPath(self.start).parent
        below = {name: PurePosixPath(name) for name in sorted(self.papers)}
        return [(self.root / name, (path.relative_to(folder) if path.is_relative_to(folder) else path).as_posix()) for name, path in below.items()]


def _digest(path: Path) -> str:
    try:
        return sha256(path.read_bytes())
    except OSError:
        return ""


def case(found: Case, root: Path, *, allow_outside: bool = False) -> Gathered:
    """Copy a case, the slice of its register and every file they name.

    Parameters
    ----------
    found : Case
        As ``register.load_case`` or ``monthly.case`` gives it.
    root : Path
        New folder for the copy.
    allow_outside : bool
        Attachments may lie outside the case's folder.

    Raises
    ------
    RecordError
        A file vanished, or its name cannot be kept in a record; an attachment lies outside the case's folder, links followed.
    """
    outside = [] if allow_outside else [path for path in found.attachments if not path.resolve().is_relative_to(found.path.resolve().parent)]
    if outside:
        raise RecordError(
            f"attachments from outside the case's folder: {', '.join(str(path) for path in outside)}", where=found.path.name,
            mend="Copy them into the case's folder; or, where they belong into this record, say --allow-outside",
        )  # fmt: skip
    taken, site_path, case_path = Gathered(root), found.site.path.resolve(), found.path.resolve()
    names = _Names(Path(os.path.commonpath([case_path.parent, site_path.parent])), taken)
    case_text = "" if case_path == site_path else _case_text(case_path, site_path, names)
    site_text = _site_text(found, case_path, site_path, names)
    prefix = f"{TREE}/" if any(name.startswith(f"{ELSEWHERE}/") for name in taken.files) else ""
    names.settle(prefix)
    site_name = names.write(site_path, site_text, prefix)
    taken.start = names.write(case_path, case_text, prefix) if case_text else site_name
    taken.site_sha256 = taken.hashes[site_path]
    held = {path.resolve() for path in taken.files.values()}
    lost = [path.name for path in assessment.inputs(found) if path.resolve() not in held]
    if lost:
        raise RecordError(f"{', '.join(lost)} would be missing in the record", where=found.path.name, mend="This is a fault of the kit: report it")
    return taken


def _case_text(case_path: Path, site_path: Path, names: _Names) -> str:
    """Take what the case names and what people wrote beside it; the text of case.toml as it must read in the copy."""
    text = _text(case_path, names.taken)
    given = tomllib.loads(text)
    inputs, silent = given.get("inputs", {}), bool(given.get("case", {}).get("no_readings"))
    for pattern in (*_patterns(inputs), *given["case"].get("earlier", ())):
        text = names.take(pattern, case_path, text, paper=pattern in inputs.get("attachments", ()), may_lack=silent)
    for path in [case_path.parent / name for name in BESIDE]:
        if path.is_file():
            names.copy(path, names.inside(path))
    for path in _written_papers(case_path.parent):
        names.copy(path, names.inside(path), paper=True)
    return _relative_site(text, case_path, site_path)


def _site_text(found: Case, case_path: Path, site_path: Path, names: _Names) -> str:
    """Take the downloads that the register names; the slice of site.toml as it must read in the copy."""
    units = list(dict.fromkeys([*found.units, *found.beside, *filter(None, [assessment.room_unit(found)])]))
    text = site_slice(_text(site_path, names.taken), units)
    given = _given_readings(found, case_path, site_path)
    for unit in units:
        for pattern in () if unit in given else found.site.units[unit].readings:
            text = names.take(pattern, site_path, text, may_lack=bool(found.no_readings) or unit in found.beside)
    if found.logbook is not None and found.site.logbook == found.logbook:
        text = names.take(tomllib.loads(text)["site"]["logbook"], site_path, text)
    return text


def _given_readings(found: Case, case_path: Path, site_path: Path) -> set[str]:
    """Units whose readings the case names itself, so that the register's own are not needed."""
    if case_path == site_path:
        return set()
    readings = tomllib.loads(case_path.read_text("utf-8-sig")).get("inputs", {}).get("readings")
    return set(readings) if isinstance(readings, dict) else set(found.units) if readings is not None else set()


def _patterns(inputs: dict[str, Any]) -> Iterator[str]:
    readings = inputs.get("readings", [])
    for rows in readings.values() if isinstance(readings, dict) else [readings]:
        yield from rows
    yield from (inputs[key] for key in ("stock", "allowances", "logbook", "writeup") if key in inputs)
    yield from inputs.get("earlier", ())
    yield from inputs.get("attachments", ())


def _written_papers(folder: Path) -> Iterator[Path]:
    """Files that decisions and manufacturers' replies name as their attachment, where they lie in the case's folder."""
    for row in entries.read(folder):
        named = entries.parts(row["new"]).get("attachment")
        if named and not Path(named).is_absolute() and (folder / named).is_file() and (folder / named).resolve().is_relative_to(folder):
            yield folder / named


@dataclass
class _Names:
    """Where each original goes in the copy, and what its pattern must then read."""

    base: Path
    taken: Gathered
    places: dict[Path, str] = field(default_factory=dict)

    def take(self, pattern: str, toml: Path, text: str, *, paper: bool = False, may_lack: bool = False) -> str:
        """Copy what a pattern names; gives back the TOML text, in which a pattern that leads outside now leads to the copy.

        ``may_lack``: it may name no file.
        """
        hits = register.matching(toml.parent, pattern, toml.name) if paper or may_lack else register.find_files(toml.parent, [pattern], toml.name)
        outside = [hit for hit in hits if self.inside(hit) is None]
        if not outside:
            for hit in hits:
                self.copy(hit, self.inside(hit), paper=paper)
            return text if not Path(pattern).is_absolute() else _replaced(text, pattern, os.path.relpath(pattern, toml.parent), toml.name)
        places = list(dict.fromkeys(hit.parent for hit in hits))
        folder = self._elsewhere(Path(pattern).parent) + "/"
        for hit in hits:
            self.copy(hit, folder + (f"{1 + places.index(hit.parent)}/" if len(places) > 1 else "") + hit.name, paper=paper)
        target = f"{os.path.relpath(self.base, toml.parent)}/../{folder}{'*/' if len(places) > 1 else ''}{Path(pattern).name}"
        return _replaced(text, pattern, os.path.normpath(target), toml.name)

    def _elsewhere(self, folder: Path) -> str:
        self.places.setdefault(folder, f"{ELSEWHERE}/{len(self.places) + 1}")
        return self.places[folder]

    def inside(self, path: Path) -> str | None:
        """Name below the common folder of case and site, a link by its own name; None where the file lies elsewhere."""
        named = Path(os.path.normpath(path))
        whole = named if named.is_relative_to(self.base) and named.resolve() == path.resolve() else path.resolve()
        return whole.relative_to(self.base).as_posix() if whole.is_relative_to(self.base) else None

    def copy(self, path: Path, name: str | None, *, paper: bool = False) -> None:
        if name is None or name in self.taken.files:
            return
        bag.safe_name(name)
        self.taken.files[name] = path
        if paper:
            self.taken.papers.add(name)

    def settle(self, prefix: str) -> None:
        """Copy the bytes, each file read once; the tree gets a folder of its own where something came from elsewhere."""
        placed = {name if name.startswith(f"{ELSEWHERE}/") else prefix + name: path for name, path in self.taken.files.items()}
        self.taken.papers = {name if name.startswith(f"{ELSEWHERE}/") else prefix + name for name in self.taken.papers}
        self.taken.files = placed
        for name, path in placed.items():
            try:
                data = path.read_bytes()
            except OSError as fault:
                raise RecordError(f"cannot be read ({fault.strerror})", where=path.name, mend="Nothing was frozen") from None
            self.taken.hashes[path] = sha256(data)
            _write(self.taken.root / name, data)

    def write(self, path: Path, text: str, prefix: str) -> str:
        """Put a TOML file, as it reads in the copy, into its place."""
        name = prefix + str(self.inside(path))
        self.taken.files[bag.safe_name(name)] = path
        data = path.read_bytes()
        same = text == data.decode("utf-8-sig")
        self.taken.hashes.setdefault(path, sha256(data))
        _write(self.taken.root / name, data if same else text.encode("utf-8"))
        return name


def _write(path: Path, data: bytes) -> None:
    with bag.plain_faults(path.parent):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)


def _text(path: Path, taken: Gathered) -> str:
    try:
        data = path.read_bytes()
    except OSError as fault:
        raise RecordError(f"cannot be read ({fault.strerror})", where=path.name) from None
    taken.hashes[path] = sha256(data)
    return data.decode("utf-8-sig")


def _relative_site(text: str, case_path: Path, site_path: Path) -> str:
    given = tomllib.loads(text)["case"]["site"]
    return _replaced(text, given, os.path.relpath(site_path, case_path.parent), case_path.name) if Path(given).is_absolute() else text


def _replaced(text: str, old: str, new: str, name: str) -> str:
    for quote in ('"', "'"):
        if f"{quote}{old}{quote}" in text:
            return text.replace(f"{quote}{old}{quote}", f"{quote}{new}{quote}")
    raise RecordError(f"the path '{old}' cannot be carried into the record", where=name, mend="Write it relative to this file, with forward slashes")


# ------------------------------------------------------------------------------------------------- the register's slice


def site_slice(text: str, units: list[str]) -> str:
    """The text of site.toml without the tables of other units; the text itself where it cannot be cut so.

    Parameters
    ----------
    text : str
        site.toml.
    units : list of str
        Units to keep. [site] and [conditions] stay whole: the case's papers may name any condition.

    Examples
    --------
    >>> print(site_slice('[site]\\nname = "x"\\n[units.A]\\nkind = "room"\\n[units.B]\\nkind = "room"\\n', ["B"]))
    [site]
    name = "x"
    [units.B]
    kind = "room"
    <BLANKLINE>
    """
    kept = "".join("".join(lines) for keys, lines in _blocks(text) if keys[:1] != ("units",) or len(keys) < 2 or keys[1] in units)
    wanted = tomllib.loads(text)
    wanted["units"] = {name: table for name, table in wanted.get("units", {}).items() if name in units}
    try:
        return kept if tomllib.loads(kept) == wanted else text
    except tomllib.TOMLDecodeError:
        return text


def _blocks(text: str) -> Iterator[tuple[tuple[str, ...], list[str]]]:
    """(keys of the header, lines) of each table; comments above a header go with it. Text before the first header has no keys."""
    keys: tuple[str, ...] = ()
    lines: list[str] = []
    open_value = ""
    for line in text.splitlines(keepends=True):
        header = _header(line) if not open_value else ()
        if header:
            above = len(lines)
            while above and lines[above - 1].strip()[:1] in ("", "#") and keys:
                above -= 1
            yield keys, lines[:above]
            keys, lines = header, lines[above:]
        lines.append(line)
        open_value = "" if header else _still_open(open_value + line)
    yield keys, lines


def _header(line: str) -> tuple[str, ...]:
    if not line.lstrip().startswith("["):
        return ()
    try:
        table: Any = tomllib.loads(line)
    except tomllib.TOMLDecodeError:
        return ()
    keys = []
    while table:
        (key, table), *_ = (table[0] if isinstance(table, list) else table).items()
        keys.append(key)
        table = table[0] if isinstance(table, list) else table
    return tuple(keys)


def _still_open(text: str) -> str:
    """The lines so far of a value that goes on in the next line, or "" where all is closed."""
    if not text.strip() or text.lstrip().startswith("#"):
        return ""
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return text
    return ""
