"""Find the header of the readings, whatever separates its names, and the row of units that may stand below it."""

from __future__ import annotations

import re

from coldchain_kit.base import LayoutError
from coldchain_kit.downloads.readers import cells, instants, labels
from coldchain_kit.downloads.readers.dialect import COMMENT, Dialect, Lines, split_line


def find(dialect: Dialect, lines: Lines, first: int, *, written: Lines, shown: str) -> tuple[int | None, int | None, tuple[str, ...], tuple[str, ...]]:
    """Line of the header and of a row of units below it, with their texts a field; ``written`` are the lines with all their blanks."""
    units_line: int | None = None
    unit_row: tuple[str, ...] = ()
    looked = 0
    spare = _spare(dialect, lines, first)
    for i in range(first - 1, max(first - 40, -1), -1):
        if written.long(i) or not (text := written[i].strip("\n ")).strip(" \t;,|"):
            continue
        looked += 1
        row = _fit(text, dialect, spare)
        if row is None and COMMENT.match(text):
            row = _fit(text.lstrip(" #/%"), dialect, spare)
            if row is None:
                looked -= 1
                continue
        if row is None:
            _refuse_torn(text, dialect, lines, first, shown)
            if looked > 5:
                break
            continue
        filled = [cell for cell in row if cell.strip(" \"'()[]")]
        if units_line is None and looked == 1 and filled and all(cells.unit_of(cell.strip(" \"'()[]")) for cell in filled):
            units_line, unit_row = i, tuple(cell.strip(" \"'") for cell in row)
            continue
        if _names_columns(row, dialect, sure=looked > 1 + (units_line is not None)):
            return i, units_line, tuple(" ".join(cell.strip(" \"'\ufeff").split()) for cell in row), unit_row
        if looked > 5:
            break
    return None, units_line, tuple(f"column {i + 1}" for i in range(dialect.width)), unit_row


def _spare(dialect: Dialect, lines: Lines, first: int) -> int:
    """How many empty fields the rows have at their ends, beyond all values."""
    row = dialect.fields(lines[first]) or []
    used = max((*dialect.value_at, *dialect.time_at)) + 1
    return dialect.width - used if not any(cell.strip() for cell in row[used:]) else 0


def _fit(text: str, dialect: Dialect, spare: int) -> list[str] | None:
    """Header fields, one a column, whatever separates them; None where their number does not fit."""
    spread = len(dialect.time_at) - 1
    joined = dialect.time_at == tuple(range(dialect.time_at[0], dialect.time_at[0] + spread + 1))
    for mark in (dialect.separator, "\t", ";", ",", "|", r"\s{2,}|\t", r"\s+"):
        row = list(re.split(mark, text)) if len(mark) > 1 else split_line(text, mark, dialect.quote)
        if row is None:
            continue
        while len(row) > dialect.width and not row[-1].strip():
            row.pop()
        if len(row) == dialect.width:
            return row
        if mark == dialect.separator and dialect.width - spare <= len(row) < dialect.width:
            return row + [""] * (dialect.width - len(row))
        if len(row) == dialect.width - 1 and mark == dialect.separator and dialect.time_at[0] == 1 and spread == 0:
            return ["", *row]
        named = len(row) - (dialect.width - spread - 1)  # how many names the fields of the time have
        if joined and 1 <= named <= spread:
            end = dialect.time_at[0] + named
            return [*row[:end], *[row[end - 1]] * (spread + 1 - named), *row[end:]]
    return None


def _refuse_torn(text: str, dialect: Dialect, lines: Lines, first: int, shown: str) -> None:
    """LayoutError where a comma parts both the fields and the decimals."""
    named = split_line(text, dialect.separator, dialect.quote) or []
    values = dialect.width - len(dialect.time_at)
    if dialect.separator == "," and len(named) >= 2 and labels.is_time(named[0]) and values == 2 * (len(named) - len(dialect.time_at)):
        raise LayoutError(f"the comma parts the columns and seems to be the decimal mark too: {lines[first]!r} under {text!r}", where=f"{shown} line {first + 1}",
                          expected="one number for each column of the header", mend="Export with semicolons between the columns, or with a decimal point")  # fmt: skip


def _names_columns(row: list[str], dialect: Dialect, *, sure: bool) -> bool:
    """Whether these are names of columns; a line that is not next to the readings must name the time (``sure``)."""
    filled = [cell for cell in row if cell.strip()]
    worded = [cell for cell in filled if any(c.isalpha() for c in cell)]
    if not worded or any(instants.is_moment(cell) for cell in filled):
        return False
    numbers = sum(cells.read(cell, decimal=dialect.decimal).status == cells.NUMBER and cells.unit_of(cell.strip()) is None for cell in filled)
    if any(labels.is_time(row[i]) for i in dialect.time_at):
        return True
    return not sure and (numbers == 0 or any(labels.kind(cell) for cell in worded))
