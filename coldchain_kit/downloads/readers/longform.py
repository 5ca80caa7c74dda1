"""Long layouts: one row a reading, with the sensor's name beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import pandas as pd

from coldchain_kit.downloads.readers import cells, labels
from coldchain_kit.downloads.readers.block import Block
from coldchain_kit.downloads.readers.download import Column

MAX_SENSORS = 2000


@dataclass(frozen=True)
class Split:
    """Which field names the sensor, the quantity and the unit of a row; ``value_at`` holds the numbers."""

    value_at: int
    name_at: int | None
    quantity_at: int | None = None
    unit_at: int | None = None


class Make(Protocol):
    """One column of a download from one field of the rows."""

    def __call__(
        self, block: Block, keep: np.ndarray, at: int, header: str, label: str, kind: str, rows: np.ndarray | None, row_unit: str | None = None
    ) -> Column: ...  # fmt: skip


def sensors(block: Block, keep: np.ndarray, kinds: dict[int, str]) -> Split | None:
    """How a long layout is to be split, None for a wide one."""
    dialect = block.dialect
    header = dialect.header_line is not None
    words = {at: [block.words[code] for code in np.unique(block.texts[at][keep])] for at in dialect.text_at}
    unit_at = next((at for at in words if header and labels.is_unit_column(dialect.names[at]) or _all_units(words[at])), None)
    quantity_at = next((at for at in words if at != unit_at and _quantities(words[at]) and (not header or not labels.is_event(dialect.names[at]))), None)
    values = [at for at in dialect.value_at if kinds[at] == "temperature"]
    if not values and (quantity_at is not None or unit_at is not None):
        values = [at for at in dialect.value_at if header and not labels.is_name(dialect.names[at]) and labels.kind(dialect.names[at]) is None][-1:]
    if len(values) != 1:
        return None
    value_at = values[0]
    name_at = _name_field(block, keep, {at for at in words if at not in (unit_at, quantity_at)}, value_at)
    if name_at is None and (quantity_at is None or len(words[quantity_at]) < 2):
        return None
    return Split(value_at, name_at, quantity_at, unit_at)


def _all_units(words: list[str]) -> bool:
    filled = [word for word in words if word]
    return bool(filled) and all(cells.unit_of(word) for word in filled)


def _quantities(words: list[str]) -> bool:
    filled = [word for word in words if word]
    return len(filled) > 1 and all(labels.kind(word) in ("temperature", "humidity", "battery", "door", "power") for word in filled) and any(labels.kind(w) == "temperature" for w in filled)


def _name_field(block: Block, keep: np.ndarray, texts: set[int], value_at: int) -> int | None:
    dialect = block.dialect
    header = dialect.header_line is not None
    several_a_time = repeated(block, keep)
    best = None
    for at in range(dialect.width):
        if at in dialect.time_at or at == value_at:
            continue
        name = dialect.names[at] if header else ""
        numeric = at not in texts
        if numeric and not numbered(block, keep, at):
            continue
        count = len(np.unique(block.values[at][keep] if numeric else block.texts[at][keep]))
        if count > min(MAX_SENSORS, 1 + len(keep) // 2):
            continue
        named = labels.is_name(name) and not labels.is_event(name)
        several = count > 1 and (named or labels.is_logger(name) and several_a_time or not header and several_a_time)
        single = count == 1 and named and labels.is_sensor(name) and not numeric and not labels.is_logger(name)
        if several or single:
            rank = (several, named and not labels.is_logger(name))
            best = (rank, at) if best is None or rank > best[0] else best
    return best[1] if best else None


def numbered(block: Block, keep: np.ndarray, at: int) -> bool:
    """Whether a field of numbers says which sensor a row belongs to: its header names sensors but none of them, its numbers are whole, and times repeat."""
    dialect = block.dialect
    name = dialect.names[at]
    if at not in block.values or dialect.header_line is None or not labels.is_name(name) or any(c.isdigit() for c in name) or labels.plain(name) != name:
        return False
    if at < len(dialect.units) and dialect.units[at]:
        return False
    values = block.values[at][keep]
    return not np.isnan(values).any() and bool((values == np.round(values)).all()) and repeated(block, keep)


def repeated(block: Block, keep: np.ndarray) -> bool:
    """Whether most times stand in more than one row."""
    return len(pd.unique(block.time_us[keep])) < 0.7 * len(keep)


def columns(block: Block, keep: np.ndarray, kinds: dict[int, str], named: dict[int, str], split: Split, make: Make) -> list[Column]:
    """One column for each sensor and quantity, in the order of their first rows; then the other fields as they stand."""
    names, name_of = _texts(block, keep, split.name_at)
    quantities, quantity_of = _texts(block, keep, split.quantity_at)
    units, unit_of = _texts(block, keep, split.unit_at)
    group = (names * len(quantity_of) + quantities) * len(unit_of) + units
    order = np.argsort(group, kind="stable")
    groups = np.split(order, np.flatnonzero(np.diff(group[order])) + 1)
    out, taken = [], set()
    for rows in sorted(groups, key=lambda rows: rows[0]):
        name, quantity, written = (words[codes[rows[0]]] for words, codes in ((name_of, names), (quantity_of, quantities), (unit_of, units)))
        unit = cells.unit_of(written) if written else None
        kind = _kind(quantity, unit)
        header = name or quantity or block.dialect.names[split.value_at]
        label = header if kind == "temperature" or not name else f"{header} {kind}"
        label = label if label not in taken else f"{label} ({written or quantity})"
        taken.add(label)
        out.append(make(block, keep, split.value_at, header, label, kind, rows, unit))
    skip = {split.value_at, split.name_at, split.quantity_at, split.unit_at}
    rest = [make(block, keep, at, block.dialect.names[at], named[at], kinds[at], None) for at in named if at not in skip and kinds[at] not in ("temperature", "other")]
    return out + rest


def _kind(quantity: str, unit: str | None) -> str:
    stated = labels.kind(quantity) if quantity else None
    if stated in ("humidity", "battery", "door", "power", "temperature"):
        return stated
    if unit is not None and unit not in ("C", "F", "K"):
        return {"%": "humidity", "V": "battery"}.get(unit, "other")
    return "temperature"


def _texts(block: Block, keep: np.ndarray, at: int | None) -> tuple[np.ndarray, list[str]]:
    """Number of each row's text, and the texts."""
    if at is None:
        return np.zeros(len(keep), "int64"), [""]
    if at in block.texts:
        return block.texts[at][keep].astype("int64"), block.words
    codes, values = pd.factorize(block.values[at][keep])
    return codes.astype("int64"), [f"{value:g}" for value in values]
