"""Read a TOML file that people fill in, and say everything that is wrong with it at once, with the line.

A shape is a dict: key -> rule. A rule is a plain function value -> (value, "" or complaint), or another
shape for a table. ``Any key`` tables (units, probes) use :class:`Each`.
"""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from coldchain_kit.base.errors import Fault, RegisterError, nearest

Rule = Callable[[Any], str]


@dataclass(frozen=True)
class Each:
    """A table whose keys are names of the user's own; every value has the given shape."""

    shape: dict[str, Any]


@dataclass(frozen=True)
class Many:
    """An array of tables of the given shape."""

    shape: dict[str, Any]


@dataclass(frozen=True)
class Need:
    """A compulsory key."""

    rule: Any


def text(value: Any) -> str:
    return "" if isinstance(value, str) and value.strip() else "a text in quotes"


LARGEST = 1e9  # no figure of a register is larger (own rule, no source): beyond it is a slip, or no number at all
ABSOLUTE_ZERO = {"c": -273.15, "f": -459.67}
FIRST_YEAR, LAST_YEAR = 1970, 2199  # of dates and times (own rule, no source): what a tz database can speak of


def number(value: Any) -> str:
    good = isinstance(value, (int, float)) and not isinstance(value, bool) and -LARGEST <= value <= LARGEST
    return "" if good else "a number"


def positive(value: Any) -> str:
    return "" if not number(value) and value > 0 else "a number above zero"


def minutes(value: Any) -> str:
    """Minutes above zero, two years at most (own rule, no source)."""
    return "" if not positive(value) and value <= 1_051_200 else "minutes, above zero and at most two years"


def hours(value: Any) -> str:
    """Hours above zero, ten years at most (own rule, no source)."""
    return "" if not positive(value) and value <= 87_600 else "hours, above zero and at most ten years"


def zero_or_more(value: Any) -> str:
    return "" if not number(value) and value >= 0 else "zero or more"


def positives(value: Any) -> str:
    """One number above zero, or a list of them."""
    good = not positive(value) or isinstance(value, list) and value and not any(positive(item) for item in value)
    return "" if good else "a number above zero, or a list of them such as [1, 15]"


def intervals(value: Any) -> str:
    """One interval of readings, or a list of them [min]: from a second to a month, which is as far as any logger goes."""
    wrong = positives(value)
    if not wrong and not all(1 / 60 <= one <= 31 * 1440 for one in (value if isinstance(value, list) else [value])):
        return "minutes from 0.02 (a second) to 44640 (31 days), or a list of them such as [1, 15]"
    return wrong


def temperature(unit: str) -> Rule:
    """A rule that accepts a temperature in "c" or "f" which there can be."""
    return lambda value: "" if not number(value) and value >= ABSOLUTE_ZERO[unit] else f"a temperature in °{unit.upper()}"


def whole(value: Any) -> str:
    return "" if isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= LARGEST else "a whole number"


def flag(value: Any) -> str:
    return "" if isinstance(value, bool) else "true or false"


def date(value: Any) -> str:
    good = isinstance(value, dt.date) and not isinstance(value, dt.datetime) and FIRST_YEAR <= value.year <= LAST_YEAR
    return "" if good else "a date such as 2026-03-01, without time"


def local_time(value: Any) -> str:
    if isinstance(value, dt.datetime) and value.tzinfo is None and FIRST_YEAR <= value.year <= LAST_YEAR:
        return ""
    return "the site's local time such as 2026-03-01T08:40:00, without offset"


def since(value: Any) -> str:
    """A date, or a local time."""
    return "" if not date(value) or not local_time(value) else "a date or local time such as 2026-03-01T08:40:00, without offset"


def texts(value: Any) -> str:
    return "" if isinstance(value, list) and value and not any(text(item) for item in value) else 'a list such as ["F2/*.csv"]'


def pair(value: Any) -> str:
    good = isinstance(value, list) and len(value) == 2 and not any(number(item) for item in value) and value[0] < value[1]
    return "" if good else "two numbers, the lower one first, such as [-40.0, 85.0]"


def points(value: Any) -> str:
    good = isinstance(value, list) and value and all(isinstance(row, list) and len(row) == 2 and not any(number(item) for item in row) for row in value)
    return "" if good else "pairs of [reference °C, indicated °C], such as [[0.0, 0.1], [5.0, 5.2]]"


def correction(value: Any) -> str:
    """Points of which each indicated value has one reference, in the same order: no thermometer shows more where it is colder.

    One reference twice may be two readings of it, no more than 1 °C apart (own rule, no source).
    """
    said = points(value)
    if said or len({row[1] for row in value}) < len(value):
        return said or "one reference °C for each indicated °C"
    ordered = sorted(value, key=lambda row: row[1])
    backward = any(b[0] < a[0] or b[0] == a[0] and b[1] - a[1] > 1.0 for a, b in zip(ordered, ordered[1:], strict=False))
    return "reference °C that rise with the indicated °C: [reference °C, indicated °C]" if backward else ""


def coverage(value: Any) -> str:
    """A coverage factor: Student's t for 95.45 % lies between 2.00 and 13.97 (GUM table G.2, from memory), one standard uncertainty is 1."""
    return "" if not positive(value) and 1.0 <= value <= 14.0 else "a coverage factor k from 1 to 14, usually 2"


def time_pairs(value: Any) -> str:
    good = isinstance(value, list) and value and all(isinstance(row, list) and len(row) == 2 and not any(local_time(item) for item in row) for row in value)
    return "" if good else "pairs of [true local time, time shown]"


def one_of(*words: str) -> Rule:
    """A rule that accepts these words only."""
    listed = ", ".join(words)
    return lambda value: "" if value in words else f"one of {listed}"


def anything(value: Any) -> str:
    return ""


def load(path: Path, shape: dict[str, Any], *, shown: str | None = None) -> dict[str, Any]:
    """The file's content, checked against a shape; parameters and errors as :func:`load_parted`, which tells the entries of one table apart."""
    table, broken = load_parted(path, shape, shown=shown)
    if broken:
        raise RegisterError(faults=[fault for faults in broken.values() for fault in faults])
    return table


def load_parted(path: Path, shape: dict[str, Any], *, apart: str = "", shown: str | None = None) -> tuple[dict[str, Any], dict[str, list[Fault]]]:
    """The file's content, checked against a shape, without the entries of the table ``apart`` that are at fault; and their faults.

    Parameters
    ----------
    path : Path
        The TOML file.
    shape : dict
        Key -> rule, shape, Each, Many or Need.
    apart : str
        A table of named entries (units), whose faults do not refuse the file.
    shown : str, optional
        Name of the file in messages; its own name when not given.

    Raises
    ------
    RegisterError
        All other faults at once: file that is not there, TOML syntax, unknown keys (with the nearest valid one),
        missing keys, values of the wrong kind; each with its line.
    """
    name = shown or path.name
    try:
        source = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise RegisterError(f"there is no file '{path.name}'", where=str(path.parent.name or "."), mend="Check the path") from None
    except UnicodeDecodeError as fault:
        raise RegisterError(f"not UTF-8 text (byte {fault.start})", where=name, mend="Save the file as UTF-8") from None
    except OSError as fault:
        raise RegisterError(f"cannot be read: {fault.strerror}", where=name, mend="Check the path and its permissions") from None
    try:
        table = tomllib.loads(source)
    except (ValueError, RecursionError) as fault:  # a TOMLDecodeError, or a number or nesting that Python itself refuses
        at = re.search(r"line (\d+)", str(fault))
        where = f"{name} line {at.group(1)}" if at else name
        reason = str(fault).split(" (at")[0]
        raise RegisterError(f"not valid TOML: {reason}", where=where, mend="Compare the line with the example in README.md") from None
    lines, broken = _Lines(source, name), {}
    entries = table.get(apart)
    if isinstance(entries, dict):
        rule = shape[apart].rule if isinstance(shape[apart], Need) else shape[apart]
        found = {key: list(_faults(entry, rule.shape, (apart, key), lines)) for key, entry in entries.items()}
        broken = {key: faults for key, faults in found.items() if faults}
        table = {**table, apart: {key: entry for key, entry in entries.items() if key not in broken}}
    faults = list(_faults(table, shape, (), lines))
    if faults:
        raise RegisterError(faults=faults + [fault for some in broken.values() for fault in some])
    return table, broken


def locate(path: Path, *keys: str, shown: str | None = None) -> str:
    """ "file line N" of a key in a TOML file, for messages about its meaning rather than its form."""
    return _Lines(path.read_text("utf-8-sig"), shown or path.name).of(tuple(keys))


class _Lines:
    """Finds the line a key stands on; good enough for messages."""

    def __init__(self, source: str, name: str):
        self.name, self.rows = name, []
        here: tuple[str, ...] = ()
        for number_, line in enumerate(source.splitlines(), 1):
            header = re.match(r"\s*\[\[?\s*([^\]]+?)\s*\]\]?\s*(#.*)?$", line)
            key = re.match(r"\s*([A-Za-z0-9_\-\"'.]+)\s*=", line)
            if header:
                here = tuple(part.strip().strip("\"'") for part in header.group(1).split("."))
                self.rows.append((number_, here, line))
            elif key:
                self.rows.append((number_, (*here, *(part.strip("\"'") for part in key.group(1).split("."))), line))

    def of(self, keys: tuple[str, ...]) -> str:
        while keys:
            for number_, found, _ in self.rows:
                if found == keys:
                    return f"{self.name} line {number_}"
            inline = [n for n, found, line in self.rows if found == keys[:-1] and re.search(rf"\b{re.escape(keys[-1])}\s*=", line)]
            if inline:
                return f"{self.name} line {inline[0]}"
            keys = keys[:-1]
        return self.name


def _faults(table: Any, shape: dict[str, Any], at: tuple[str, ...], lines: _Lines) -> Iterator[Fault]:
    dotted = ".".join(at)
    if not isinstance(table, dict):
        yield Fault(f"'{dotted}' is not a table", lines.of(at), f"[{dotted}] with its keys below")
        return
    for key in table:
        if key not in shape:
            known = ", ".join(shape)
            yield Fault(f"unknown key '{'.'.join((*at, key))}'", lines.of((*at, key)), f"one of {known}", nearest(key, shape))
    for key, rule in shape.items():
        needed = isinstance(rule, Need)
        rule = rule.rule if needed else rule
        if key not in table:
            if needed:
                yield Fault(f"'{'.'.join((*at, key))}' is missing", lines.of(at), mend=f"Add {key} = … there" if at else f"Add [{key}]")
            continue
        value, here = table[key], (*at, key)
        if isinstance(rule, dict):
            yield from _faults(value, rule, here, lines)
        elif isinstance(rule, Each):
            if not isinstance(value, dict):
                yield Fault(f"'{'.'.join(here)}' is not a table", lines.of(here), f"[{'.'.join(here)}.NAME]")
                continue
            for name, inner in value.items():
                yield from _faults(inner, rule.shape, (*here, name), lines)
        elif isinstance(rule, Many):
            if not isinstance(value, list):
                yield Fault(f"'{'.'.join(here)}' is not a list of tables", lines.of(here), f"[[{'.'.join(here)}]]")
                continue
            for inner in value:
                yield from _faults(inner, rule.shape, here, lines)
        else:
            complaint = rule(value)
            if complaint:
                yield Fault(f"'{'.'.join(here)}' is {_show(value)}", lines.of(here), complaint)


def _show(value: Any) -> str:
    if isinstance(value, int) and abs(value) > LARGEST:
        return "a very large number"
    if isinstance(value, (str, int, float, dt.date, dt.time)):
        return f"'{str(value)[:200]}'"
    return f"a {type(value).__name__}"
