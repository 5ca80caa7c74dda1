"""Rows of the results as a table, words and units taken from the names of their columns."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from coldchain_kit.show import wording
from coldchain_kit.show.tables.table import Table, capped

_UNITS = (
    ("_c_min", "°C·min"),
    ("degree_minutes", "°C·min"),
    ("_kj_mol", "kJ/mol"),
    ("_c", "°C"),
    ("minutes", "min"),
    ("minutes_least", "min"),
    ("minutes_most", "min"),
    ("_min", "min"),
    ("_hours", "h"),
    ("_s", "s"),
)
_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT[\d:.]+Z")


def header(key: str) -> str:
    """ "minutes_least" -> "Minutes, at least (min)".

    Examples
    --------
    >>> header("extreme_c"), header("minutes_most"), header("text")
    ('Extreme (°C)', 'Minutes, at most (min)', 'Text')
    """
    unit = next((unit for end, unit in _UNITS if key.endswith(end)), "")
    stem = re.sub(r"_(c|min|hours|s|kj_mol)$", "", key)
    stem = stem.replace("_least", ", at least").replace("_most", ", at most").replace("_", " ")
    return f"{stem[:1].upper()}{stem[1:]}{f' ({unit})' if unit else ''}"


def value(key: str, held: object, zone: str) -> object:
    """A cell: instants in the zone's time, numbers with at most two decimals, codes in words."""
    if isinstance(held, str) and _INSTANT.fullmatch(held):
        return wording.when(held, zone)
    if isinstance(held, bool):
        return "yes" if held else "no"
    if isinstance(held, float):
        return wording.percent(held) if key.endswith("share") else wording.figure(held)
    if isinstance(held, dict):
        return [f"{header(name)}: {value(name, inner, zone)}" for name, inner in held.items()]
    if isinstance(held, list):
        return [str(value(key, inner, zone)) for inner in held]
    return wording.word(held) if isinstance(held, str) and re.fullmatch(r"[a-z_]+", held) else held


def records(caption: str, rows: Sequence[Mapping[str, object]], zone: str, *, columns: Sequence[str] = (), most: int = 40, empty: str = "None.", notes: tuple[str, ...] = ()) -> Table:
    """A table of plain rows; columns in the order of the first row unless given."""
    names = list(columns) or list(dict.fromkeys(key for row in rows for key in row))
    shown, more = capped([tuple(value(name, row.get(name), zone) for name in names) for row in rows], most, "rows")
    return Table(caption, tuple(map(header, names)), shown, (*notes, *more), empty)
