"""Small CSV files that people fill in (stock, allowances, logbook): rows as text with their line, every fault at once.

Comma, semicolon or tab; UTF-8 with or without mark, UTF-16, else Windows Latin; blank and ``#`` lines are skipped.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from coldchain_kit.base.errors import Fault, RegisterError, nearest

if TYPE_CHECKING:
    from _csv import Reader

MAX_BYTES = 20_000_000  # a paper of a case; anything larger is not one
TRUE_WORDS = ("yes", "y", "true", "1", "sim", "ja", "oui", "sí", "si")
FORMULA = ("=", "+", "-", "@", "\t", "\n")  # a spreadsheet reads a cell that begins so as a formula, or drops what begins it
FALSE_WORDS = ("no", "n", "false", "0", "não", "nao", "nein", "non")


class Complaint(ValueError):
    """A cell that cannot be read: what would have been right, and how to mend it."""

    def __init__(self, expected: str, mend: str = ""):
        self.expected, self.mend = expected, mend
        super().__init__(expected)


@dataclass
class Row:
    """One line of the file: its cells as text, and the faults found in them so far."""

    cells: dict[str, str]
    where: str
    line: int
    faults: list[Fault] = field(default_factory=list)

    def get(self, column: str, read: Callable[[str], Any], *, needed: bool = False) -> Any:
        """The cell through ``read``; None where it is empty or at fault (the fault is kept)."""
        text = self.cells.get(column, "").strip()
        if not text:
            if needed:
                self.faults.append(Fault(f"column '{column}' is empty", self.where, mend="Fill it in"))
            return None
        try:
            return read(text)
        except Complaint as complaint:
            self.faults.append(Fault(f"column '{column}' is '{text[:80]}'", self.where, complaint.expected, complaint.mend))
            return None

    def complain(self, what: str, expected: str = "", mend: str = "") -> None:
        """Keep a fault of the row as a whole."""
        self.faults.append(Fault(what, self.where, expected, mend))


def rows(path: Path, *, needed: Sequence[str], optional: Sequence[str] = ()) -> list[Row]:
    """Every row of the file below its header.

    Parameters
    ----------
    path : Path
        The file.
    needed, optional : sequence of str
        Column names; the order in the file is free, upper and lower case and blanks do not matter.

    Raises
    ------
    RegisterError
        No file, no header, unknown columns (with the nearest valid name), missing columns, rows with too many cells.
    """
    source = _text(path)
    lines = csv.reader(io.StringIO(source), delimiter=_separator(source), skipinitialspace=True)
    header, found, faults, known = None, [], [], (*needed, *optional)
    for cells in _guarded(lines, path.name):
        if not any(cell.strip() for cell in cells) or cells[0].lstrip().startswith("#"):
            continue
        where = f"{path.name} line {lines.line_num}"
        if header is None:
            header = [re.sub(r"\s+", "_", cell.strip().lower()) for cell in cells]
            while header and not header[-1]:
                header.pop()
            _check_header(header, known, needed, where)
        elif any(cell.strip() for cell in cells[len(header) :]):
            faults.append(Fault(f"{len(cells)} cells under {len(header)} columns", where, mend="Put quotes round a text that holds the separator"))
        else:
            found.append(Row(dict(zip(header, cells, strict=False)), where, lines.line_num))
    if header is None:
        raise RegisterError("the file is empty", where=path.name, expected="a first line with " + ", ".join(needed))
    if faults:
        raise RegisterError(faults=faults)
    return found


def settle(found: Sequence[Row]) -> None:
    """Raise every fault of all rows at once, if there is one."""
    faults = [fault for row in found for fault in row.faults]
    if faults:
        raise RegisterError(faults=faults)


def _guarded(lines: Reader, name: str) -> Iterator[list[str]]:
    try:
        yield from lines
    except csv.Error as fault:
        raise RegisterError(f"cannot be read as a table: {fault}", where=f"{name} line {lines.line_num}", mend="Save it again as CSV") from None


def _text(path: Path) -> str:
    try:
        with path.open("rb") as handle:
            raw = handle.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise RegisterError(f"there is no file '{path.name}'", where=path.parent.name or ".", mend="Check the path") from None
    except OSError as fault:
        raise RegisterError(f"cannot be read: {fault.strerror}", where=path.name, mend="Check the path and its permissions") from None
    if len(raw) > MAX_BYTES:
        raise RegisterError("the file is larger than 20 MB", where=path.name, expected="a short table", mend="Is this the logger's download?")
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        text = raw.decode("utf-16", errors="replace")
    else:
        try:
            text = raw.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = raw.decode("cp1252", errors="replace")
    if "\0" in text:
        raise RegisterError("the file is not text", where=path.name, mend="Save the table as CSV")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _separator(source: str) -> str:
    head = next((line for line in source.split("\n") if line.strip(' \t;,"') and not line.lstrip().startswith("#")), "")
    head = re.sub(r'"[^"]*"', "", head)
    return max(",;\t", key=head.count)


def _check_header(header: list[str], known: Sequence[str], needed: Sequence[str], where: str) -> None:
    faults = []
    for name in header:
        if name not in known:
            faults.append(Fault(f"unknown column '{name}'", where, "one of " + ", ".join(known), nearest(name, known) or "Rename it or take it out"))
        elif header.count(name) > 1 and not any(f"'{name}' twice" in fault.what for fault in faults):
            faults.append(Fault(f"column '{name}' twice", where))
    missing = [name for name in needed if name not in header]
    faults += [Fault(f"column '{name}' is missing", where, mend="Add it to the first line") for name in missing]
    if faults:
        raise RegisterError(faults=faults)


def safe(value: str) -> str:
    """A cell to write that no spreadsheet takes for a formula: a leading ' where it begins with = + - @, tab or line end and is no number.

    Examples
    --------
    >>> safe("=1+1"), safe("-2.5"), safe("8 °C")
    ("'=1+1", '-2.5', '8 °C')
    """
    plain = value.replace("\r\n", "\n").replace("\r", "\n")  # a bare carriage return would begin a new row in some spreadsheets
    return f"'{plain}" if plain[:1] in FORMULA and not re.fullmatch(r"[+-]?\d+(\.\d+)?([eE][+-]?\d+)?", plain) else plain


def unmarked(value: str) -> str:
    """A cell without the mark of :func:`safe`.

    Examples
    --------
    >>> unmarked("'=1+1"), unmarked("'tis")
    ('=1+1', "'tis")
    """
    return value[1:] if value[:1] == "'" and value[1:2] in FORMULA else value


def text(value: str) -> str:
    """Text with its blanks made single."""
    return " ".join(value.split())


def number(value: str) -> float:
    """A number, with point or comma as decimal mark; "1,000" is refused because it may mean either.

    Examples
    --------
    >>> number("2,5"), number("-0.5")
    (2.5, -0.5)
    """
    plain = value.replace("\N{MINUS SIGN}", "-").replace("\N{NO-BREAK SPACE}", "").strip()
    if not re.fullmatch(r"[+-]?\d{1,9}([.,]\d+)?", plain):
        raise Complaint("a number such as 2.5, without unit")
    if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", plain):
        raise Complaint("a number", f"Write {plain.replace(',', '')} or {plain.replace(',', '.')}, whichever is meant")
    return float(plain.replace(",", "."))


def flag(value: str) -> bool:
    """yes or no.

    Examples
    --------
    >>> flag("Yes"), flag("no")
    (True, False)
    """
    word = value.strip().lower()
    if word not in (*TRUE_WORDS, *FALSE_WORDS):
        raise Complaint("yes or no")
    return word in TRUE_WORDS


def one_of(*words: str) -> Callable[[str], str]:
    """A reader that takes these words only, in any case, and names the nearest."""

    def read(value: str) -> str:
        word = re.sub(r"[\s\-]+", "_", value.strip().lower())
        if word not in words:
            raise Complaint("one of " + ", ".join(words), nearest(word, words))
        return word

    return read


def date(value: str) -> dt.date:
    """A date: 2026-03-01, 1.3.2026, or day and month in an order that only one reading allows.

    Examples
    --------
    >>> date("31/03/2026").isoformat()
    '2026-03-31'
    """
    stamp, has_time = moment(value)
    if has_time:
        raise Complaint("a date such as 2026-03-01, without time")
    return stamp.date()


def moment(value: str) -> tuple[dt.datetime, bool]:
    """A time as written (naive, or aware where an offset is given), and whether it states a time of day.

    Raises
    ------
    Complaint
        For anything that does not name one instant; a day/month order that stays open is shown both ways.

    Examples
    --------
    >>> moment("2026-03-06 22:40")
    (datetime.datetime(2026, 3, 6, 22, 40), True)
    """
    plain = " ".join(value.split())
    slashed = re.fullmatch(r"(\d{1,2})([./-])(\d{1,2})\2(\d{4})(?:[ T,]+(.+))?", plain)
    try:
        if slashed:
            day = _day(int(slashed[1]), int(slashed[3]), int(slashed[4]), dotted=slashed[2] == ".")
            clock = dt.time.fromisoformat(slashed[5].zfill(5) if slashed[5].find(":") == 1 else slashed[5]) if slashed[5] else dt.time()
            return dt.datetime.combine(day, clock), bool(slashed[5])
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}", plain):
            return dt.datetime.fromisoformat(plain), False
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}[ T]\d{1,2}:\d{2}(:\d{2}(\.\d{1,6})?)?( ?(Z|[+-]\d{2}:?\d{2}))?", plain):
            return dt.datetime.fromisoformat(re.sub(r"[ T](\d):", r"T0\1:", plain).replace(" ", "T", 1).replace(" ", "")), True
    except ValueError as fault:
        if isinstance(fault, Complaint):
            raise
    raise Complaint("the site's local time such as 2026-03-06 22:40")


def _day(first: int, second: int, year: int, *, dotted: bool) -> dt.date:
    if dotted or first > 12 or first == second:
        return dt.date(year, second, first)
    if second > 12:
        return dt.date(year, first, second)
    raise Complaint("a date that can be read one way only", f"Write {dt.date(year, second, first)} or {dt.date(year, first, second)}, whichever is meant")
