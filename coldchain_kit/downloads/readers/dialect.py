"""The words for a download's layout: numbered lines, and how a line of readings is built."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass, field

import numpy as np

from coldchain_kit.downloads.readers import cells, instants
from coldchain_kit.downloads.readers.files import MAX_LINE

COMMENT = re.compile(r"\s*(?:#|//|%(?!\s*RH))")
NUMERIC_TIMES = {"epoch_s": (946_684_800, 4_102_444_800), "epoch_ms": (946_684_800_000, 4_102_444_800_000), "epoch_us": (946_684_800_000_000, 4_102_444_800_000_000),
                 "day_number": (36_526, 73_050)}  # the years 2000 to 2100  # fmt: skip


@dataclass(frozen=True)
class Lines:
    """Text as numbered lines: line ``i`` (0-based) ends before ``text[end[i]]``, where its line end stands."""

    text: bytes
    end: np.ndarray

    @classmethod
    def of(cls, text: bytes) -> Lines:
        """Cut a text at its line ends; a last line end starts no further line."""
        codes, step, kind = np.frombuffer(text, np.uint8), 1 << 20, "int32" if len(text) < 1 << 30 else "int64"
        ends = [(np.flatnonzero(codes[at : at + step] == 10) + at).astype(kind) for at in range(0, len(codes), step)]
        last = [len(text)] if text and not text.endswith(b"\n") else []
        return cls(text, np.concatenate([*ends, np.array(last, kind)]))

    def through(self, target: int) -> int:
        """How many lines end before ``text[target]``."""
        return int(np.searchsorted(self.end, self.end.dtype.type(target)))  # of the same type: else all ends are copied

    def starts(self, low: int, high: int) -> np.ndarray:
        """Where the lines ``low`` to ``high`` (not included) begin."""
        first = int(self.end[low - 1]) + 1 if low else 0
        return np.concatenate((np.array([first], self.end.dtype), self.end[low : high - 1] + 1))

    def __len__(self) -> int:
        return len(self.end)

    def __getitem__(self, i: int) -> str:
        return self.text[self._start(i) : self.end[i]].decode("utf-8", "replace")

    def _start(self, i: int) -> int:
        return int(self.end[i - 1]) + 1 if i else 0

    def long(self, i: int) -> bool:
        """Whether a line is too long to be one of readings."""
        return int(self.end[i]) - self._start(i) > MAX_LINE


@dataclass(frozen=True)
class Dialect:
    """How the lines of readings are built.

    ``separator`` (a tab stands for runs of blanks where ``blanks``), ``width`` the number of fields, ``time_at`` the fields
    that make the time (in the order date, time of day), ``date_fields`` how many of them are the date, ``numeric_time`` for epochs and day numbers,
    ``clocked`` whether the times have a time of day, ``places`` the digits after the decimal mark where a field always has the same number.
    """

    separator: str
    width: int
    time_at: tuple[int, ...]
    date_fields: int = 1
    numeric_time: str | None = None
    blanks: bool = False
    quote: str | None = None
    decimal: str = "."
    order: str = "ymd"
    order_from: str = "stated"
    value_at: tuple[int, ...] = ()
    text_at: tuple[int, ...] = ()
    names: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    header_line: int | None = None
    units_line: int | None = None
    first: int = 0
    last: int = 0
    example: str = ""
    clocked: bool = True
    places: dict[int, int] = field(default_factory=dict)

    def fields(self, line: str) -> list[str] | None:
        """Fields of one line, None where its quotes do not close."""
        return split_line(line, self.separator, self.quote)

    def moment(self, fields: list[str]) -> tuple[int, int | None] | None:
        """Time that the fields of one line show (see :func:`instants.moment`)."""
        if max(self.time_at) >= len(fields):
            return None
        if self.numeric_time:
            return numeric_moment(fields[self.time_at[0]], self.numeric_time)
        return instants.moment(self.shown(fields), order=self.order)

    def shown(self, fields: list[str]) -> str:
        """Text of the time in the fields of one line."""
        return " ".join(instants.clean(fields[i]) for i in self.time_at if i < len(fields))


def split_line(line: str, separator: str, quote: str | None) -> list[str] | None:
    """Fields of a line; None where quotes do not close or a field is too long."""
    if quote and quote in line:
        try:
            return next(csv.reader([line], delimiter=separator, quotechar=quote, skipinitialspace=True, strict=True), [])
        except csv.Error:
            return None
    return line.split(separator)


def numeric_moment(text: str, kind: str) -> tuple[int, int | None] | None:
    """Microseconds since 1970 of an epoch or a spreadsheet's day number (rounded to the second).

    Examples
    --------
    >>> numeric_moment("1772323500", "epoch_s"), numeric_moment("46082.0034722222", "day_number")
    ((1772323500000000, 0), (1772323500000000, None))
    """
    cell = cells.read(instants.clean(text))
    low, high = NUMERIC_TIMES[kind]
    if cell.status != cells.NUMBER or cell.side or cell.unit or not low <= cell.value < high:
        return None
    if kind == "day_number":
        return round((cell.value - 25_569) * 86_400) * 1_000_000, None
    return round(cell.value * {"epoch_s": 1_000_000, "epoch_ms": 1000, "epoch_us": 1}[kind]), 0


def squeeze_blanks(text: bytes) -> bytes:
    """The same lines with runs of blanks as one tab."""
    return re.sub(rb"(?m)^\t|\t$", b"", re.sub(rb"[ \t]+", b"\t", text))
