"""The block of readings as it is filled: one entry a line, what each line is, and what could not be read."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from coldchain_kit.downloads.readers import cells
from coldchain_kit.downloads.readers.dialect import Dialect
from coldchain_kit.model import EventRow

BLANK, COMMENTED, HEADER, EVENT, ROW, REJECT = range(6)
MAX_UNREAD = 20_000
NO_TIME = np.iinfo(np.int64).min
UNITS = (None, "C", "F", "K", "%", "V", "lx", "hPa", "dBm", "ppm")


@dataclass
class Block:
    """One entry for each line from the first to the last of the block; ``kind`` tells which are rows.

    ``time_us`` as shown (or UTC where ``offset_s`` was stated and taken off), ``values``, ``sides`` and ``units`` by field,
    ``said`` codes into ``words`` of the texts of one-sided cells by field, ``texts`` codes into ``words`` by field, ``unread`` the text of cells without a value by (line index, field): the first 20,000.
    """

    dialect: Dialect
    first: int
    kind: np.ndarray
    time_us: np.ndarray
    zoned: np.ndarray
    values: dict[int, np.ndarray]
    sides: dict[int, np.ndarray] = field(default_factory=dict)
    units: dict[int, np.ndarray] = field(default_factory=dict)
    said: dict[int, np.ndarray] = field(default_factory=dict)
    texts: dict[int, np.ndarray] = field(default_factory=dict)
    words: list[str] = field(default_factory=lambda: [""])
    unread: dict[tuple[int, int], str] = field(default_factory=dict)
    rejects: list[tuple[int, str]] = field(default_factory=list)
    events: list[EventRow] = field(default_factory=list)
    headers: list[tuple[int, bool]] = field(default_factory=list)  # line index, whether it is the first header again
    code_of: dict[str, int] = field(default_factory=lambda: {"": 0})

    def code(self, word: str) -> int:
        """Number of a text in ``words``."""
        if word not in self.code_of:
            self.code_of[word] = len(self.words)
            self.words.append(word)
        return self.code_of[word]

    def put(self, at: int, i: int, cell: cells.Cell, text: str = "") -> None:
        """Store one cell of field ``at`` at line index ``i``; ``text`` as the file has it."""
        self.values[at][i] = cell.value
        if cell.side:
            self.sides.setdefault(at, np.zeros(len(self.kind), "int8"))[i] = cell.side
            self.said.setdefault(at, np.zeros(len(self.kind), "int32"))[i] = self.code(text.strip())
        if cell.unit:
            self.units.setdefault(at, np.zeros(len(self.kind), "int8"))[i] = UNITS.index(cell.unit)

    def without_value(self, i: int, at: int, text: str) -> None:
        """Remember the text of a cell without a value."""
        if len(self.unread) < MAX_UNREAD:
            self.unread[i, at] = text


def picked(array: np.ndarray, at: np.ndarray) -> np.ndarray:
    """``array[at]`` for increasing places, without a copy where they are all of them."""
    return array if len(at) == len(array) else array[at]
