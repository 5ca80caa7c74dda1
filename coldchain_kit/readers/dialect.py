"""Work out a download's layout: separator, columns of time and of values, header, first and last line of readings."""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass, field, replace

import numpy as np

from coldchain_kit.errors import LayoutError
from coldchain_kit.readers import cells, instants, labels
from coldchain_kit.readers.files import MAX_LINE

SEPARATORS = ("\t", ";", "|", ",", " ")
MAX_COLUMNS = 2000
COMMENT = re.compile(r"\s*(?:#|//|%(?!\s*RH))")
NUMERIC_TIMES = {"epoch_s": (946_684_800, 4_102_444_800), "epoch_ms": (946_684_800_000, 4_102_444_800_000), "epoch_us": (946_684_800_000_000, 4_102_444_800_000_000),
                 "day_number": (36_526, 73_050)}  # the years 2000 to 2100  # fmt: skip


@dataclass(frozen=True)
class Lines:
    """Text as numbered lines: line ``i`` (0-based) is ``text[start[i]:end[i]]``."""

    text: bytes
    start: np.ndarray
    end: np.ndarray

    @classmethod
    def of(cls, text: bytes) -> Lines:
        """Cut a text at its line ends; a last line end starts no further line."""
        ends = np.flatnonzero(np.frombuffer(text, np.uint8) == 10)
        if text and not text.endswith(b"\n"):
            ends = np.append(ends, len(text))
        return cls(text, np.concatenate(([0], ends[:-1] + 1)) if len(ends) else ends, ends)

    def __len__(self) -> int:
        return len(self.end)

    def __getitem__(self, i: int) -> str:
        return self.text[self.start[i] : self.end[i]].decode("utf-8", "replace")

    def long(self, i: int) -> bool:
        """Whether a line is too long to be one of readings."""
        return int(self.end[i] - self.start[i]) > MAX_LINE


@dataclass(frozen=True)
class Dialect:
    """How the lines of readings are built.

    ``separator`` (a tab stands for runs of blanks where ``blanks``), ``width`` the number of fields, ``time_at`` the fields
    that make the time (in the order date, time of day), ``date_fields`` how many of them are the date, ``numeric_time`` for epochs and day numbers.
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
        return instants.moment(" ".join(instants.clean(fields[i]) for i in self.time_at), order=self.order)


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


def _sample(lines: Lines, count: int) -> list[str]:
    at = np.unique(np.linspace(0, len(lines) - 1, min(count, len(lines))).astype(int))
    return [text for i in at if not lines.long(i) and (text := lines[i]).strip() and not COMMENT.match(text)]


def _quote(sample: list[str]) -> str | None:
    marks = Counter(mark for text in sample for mark in "\"'" if text.count(mark) >= 2)
    return marks.most_common(1)[0][0] if marks else None


def _time_fields(rows: list[list[str]]) -> tuple[tuple[int, ...], int] | None:
    """Which fields make the time, and how many of them are the date."""
    width, few = len(rows[0]), rows[:: max(1, len(rows) // 8)][:8]

    def share(test) -> float:
        return sum(test(row) for row in few) / len(few)

    whole = [i for i in range(min(width, 60)) if share(lambda row, i=i: bool((parts := instants.split(row[i])) and parts[1])) > 0.6]
    if whole:
        return (whole[0],), 1
    dates = [i for i in range(min(width, 60)) if share(lambda row, i=i: instants.is_moment(row[i])) > 0.6]
    clocks = [i for i in range(min(width, 60)) if share(lambda row, i=i: instants.clock(row[i]) is not None) > 0.6]
    if dates and clocks:
        clock = min(clocks, key=lambda i: abs(i - dates[0] - 1))
        after = clock + 1
        if after < width and share(lambda row: re.fullmatch(r"(?i)[ap]\.?\s?m\.?", instants.clean(row[after])) is not None) > 0.6:
            return (dates[0], clock, after), 1
        return (dates[0], clock), 1
    for run in (2, 3, 4, 5, 6):
        for i in range(min(width - run, 8) + 1):
            joined = [" ".join(row[i : i + run]) for row in few]
            if sum(bool((parts := instants.split(text)) and parts[1]) for text in joined) > 0.6 * len(few):
                n_date = next((n for n in range(1, run) if all(instants.is_moment(" ".join(row[i : i + n])) for row in few[:3])), run - 1)
                return tuple(range(i, i + run)), n_date
    return ((dates[0],), 1) if dates else None


def _numeric_time(rows: list[list[str]], names: list[str]) -> tuple[int, str] | None:
    for i in range(min(len(rows[0]), 60)):
        header = names[i] if names else ""
        if header and not labels.is_time(header):
            continue
        for kind in NUMERIC_TIMES:
            moments = [numeric_moment(row[i], kind) for row in rows]
            known = [m[0] for m in moments if m]
            if len(known) < 0.9 * len(rows) or (kind == "day_number" and not header and not any("." in row[i] or "," in row[i] for row in rows)):
                continue
            steps = np.diff(known)
            if header or ((steps >= 0).all() or (steps <= 0).all()) and (len(known) < 2 or steps.any()):
                return i, kind
    return None


def _statuses(rows: list[list[str]], decimal: str, at: int) -> Counter[int]:
    return Counter(cells.read(row[at], decimal=decimal).status for row in rows)


def _decimal(rows: list[list[str]], separator: str, time_at: tuple[int, ...]) -> str:
    marks: Counter[str] = Counter()
    for row in rows:
        for i, text in enumerate(row):
            if i not in time_at and (hit := re.match(r"\s*[<>]?\s*[+\-−]?\d*([.,])\d+", text)):
                marks[hit[1]] += 1
    return "," if marks[","] > marks["."] else "."


def _candidate(sample: list[str], separator: str, quote: str | None) -> tuple[int, Dialect, list[list[str]]] | None:
    blanks = separator == " "
    texts = [re.sub(r"[ \t]+", "\t", text.strip(" \t")) for text in sample] if blanks else sample
    mark = "\t" if blanks else separator
    split = [row for text in texts if (row := split_line(text, mark, quote)) is not None and 2 <= len(row) <= MAX_COLUMNS]
    best = None
    for width, count in Counter(len(row) for row in split).most_common(3):
        rows = [row for row in split if len(row) == width]
        found = _with_time(rows, mark, width, blanks, quote)
        if found and (best is None or found[0] > best[0]):
            best = found
        if count > 0.8 * len(split):
            break
    return best


def _with_time(rows: list[list[str]], mark: str, width: int, blanks: bool, quote: str | None) -> tuple[int, Dialect, list[list[str]]] | None:
    time = _time_fields(rows)
    numeric = None
    if time is None:
        hit = _numeric_time(rows, [])
        if hit is None:
            return None
        time, numeric = ((hit[0],), 1), hit[1]
    dialect = Dialect(mark, width, time[0], time[1], numeric, blanks, quote, _decimal(rows, mark, time[0]))
    good = [row for row in rows if _shows_time(dialect, row)]
    dialect = replace(dialect, value_at=_value_fields(good, dialect))
    score = sum(any(cells.read(row[i], decimal=dialect.decimal).status == cells.NUMBER for i in dialect.value_at) for row in good)
    return (score, dialect, good) if score else None


def _shows_time(dialect: Dialect, row: list[str]) -> bool:
    return any(replace(dialect, order=order).moment(row) is not None for order in instants.ORDERS)


def _value_fields(rows: list[list[str]], dialect: Dialect) -> tuple[int, ...]:
    out = []
    for i in range(dialect.width):
        if i in dialect.time_at or not rows:
            continue
        found = _statuses(rows, dialect.decimal, i)
        if found[cells.NUMBER] and found[cells.TEXT] <= 0.3 * len(rows):
            out.append(i)
    return tuple(out)


def work_out(lines: Lines, *, shown: str) -> tuple[Dialect, Lines]:
    """The dialect of a download, and its lines as they are to be cut (runs of blanks as tabs).

    Raises
    ------
    LayoutError
        Where no separator gives lines with a time and a number: says what was looked for and what was found.
    """
    for count in (120, 5000):
        sample = _sample(lines, count)
        quote = _quote(sample)
        found = _candidates(sample, quote)
        if found or len(lines) <= count:
            break
    if not found:
        raise nothing_found(lines, shown)
    score, dialect, rows = max(found, key=lambda hit: hit[0])
    if dialect.blanks:
        text = squeeze_blanks(lines.text)
        lines = Lines.of(text)
    return _framed(dialect, rows, lines, shown), lines


def _candidates(sample: list[str], quote: str | None) -> list[tuple[int, Dialect, list[list[str]]]]:
    """What each separator makes of the sample; blanks are tried only where no mark fits nine lines in ten."""
    found = []
    for separator in SEPARATORS:
        if hit := _candidate(sample, separator, quote):
            found.append(hit)
            if hit[0] >= 0.9 * len(sample):
                break
    return found


def nothing_found(lines: Lines, shown: str) -> LayoutError:
    """The refusal of a file in which no line has a time and a number."""
    seen = next((lines[i].strip()[:80] for i in range(min(len(lines), 2000)) if not lines.long(i) and lines[i].strip()), "")
    return LayoutError(
        f"no readings were found: looked in {len(lines)} lines for a date with a time and at least one number, with tab, semicolon, bar, comma or blanks between them; the first line is {seen!r}",
        where=shown, expected="one line for each reading, with its date and time and its temperatures",
        mend="Export the readings as text (CSV) with date and time; minutes since the start alone are not enough",
    )  # fmt: skip


def _framed(dialect: Dialect, rows: list[list[str]], lines: Lines, shown: str) -> Dialect:
    """Header, first and last line of the block of readings."""
    if dialect.width > MAX_COLUMNS:
        raise LayoutError(f"the lines have {dialect.width} fields", where=shown, expected=f"at most {MAX_COLUMNS} columns", mend="Export fewer probes at a time")
    rough = dialect
    first = next((i for i in range(len(lines)) if looks_like_row(rough, lines, i)), None)
    if first is None:
        raise nothing_found(lines, shown)
    last = next(i for i in range(len(lines) - 1, first - 1, -1) if looks_like_row(rough, lines, i))
    header, units, names, unit_row = _header(dialect, lines, first, shown)
    dialect = replace(dialect, first=first, last=last, header_line=header, units_line=units, names=names, units=unit_row, example=lines[first][:200])
    dialect = _other_time(dialect, rows)
    return replace(dialect, value_at=_all_values(dialect, rows), text_at=_texts(dialect, rows), places=_places(dialect, rows))


def looks_like_row(dialect: Dialect, lines: Lines, i: int) -> bool:
    """Whether a line has the block's width, a time, and nothing but values where values belong."""
    if lines.long(i):
        return False
    text = lines[i]
    if text.count(dialect.separator) < dialect.width - 1:
        return False
    row = dialect.fields(text)
    if row is None or len(row) < dialect.width or any(cell.strip() for cell in row[dialect.width :]) or not _shows_time(dialect, row):
        return False
    statuses = [cells.read(row[at], decimal=dialect.decimal).status for at in dialect.value_at]
    return cells.TEXT not in statuses and any(status != cells.EMPTY for status in statuses)


def _header(dialect: Dialect, lines: Lines, first: int, shown: str) -> tuple[int | None, int | None, tuple[str, ...], tuple[str, ...]]:
    """Line of the header and of a row of units below it, with their texts a field."""
    units_line, unit_row, looked = None, (), 0
    for i in range(first - 1, max(first - 40, -1), -1):
        if lines.long(i) or not (text := lines[i].strip("\n ")).strip(" \t;,|"):
            continue
        looked += 1
        row = _fit(text, dialect)
        if row is None and COMMENT.match(text):
            row = _fit(text.lstrip(" #/%"), dialect)
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


def _fit(text: str, dialect: Dialect) -> list[str] | None:
    """Header fields, one a column, whatever separates them; None where their number does not fit."""
    spread = len(dialect.time_at) - 1
    joined = dialect.time_at == tuple(range(dialect.time_at[0], dialect.time_at[0] + spread + 1))
    for mark in (dialect.separator, "\t", ";", ",", "|", r"\s{2,}|\t", r"\s+"):
        row = [cell for cell in re.split(mark, text)] if len(mark) > 1 else split_line(text, mark, dialect.quote)
        if row is None:
            continue
        while len(row) > dialect.width and not row[-1].strip():
            row.pop()
        if len(row) == dialect.width:
            return row
        if len(row) == dialect.width - 1 and mark == dialect.separator and dialect.time_at[0] == 1 and spread == 0:
            return ["", *row]
        if joined and spread and len(row) == dialect.width - spread:
            at = dialect.time_at[0]
            return [*row[: at + 1], *[row[at]] * spread, *row[at + 1 :]]
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


def _other_time(dialect: Dialect, rows: list[list[str]]) -> Dialect:
    """Where several columns are times, the one whose header says UTC; an epoch under a header that names it."""
    if len(dialect.time_at) > 1 or dialect.numeric_time:
        return dialect
    for i, name in enumerate(dialect.names):
        if re.search(r"(?i)\butc\b", name.replace("_", " ")) and i not in dialect.time_at and rows and all((p := instants.split(row[i])) and p[1] for row in rows[:5]):
            return replace(dialect, time_at=(i,))
    return dialect


def _all_values(dialect: Dialect, rows: list[list[str]]) -> tuple[int, ...]:
    """Fields that hold values: those with numbers, and those whose header says so though the sample has none."""
    found = set(dialect.value_at)
    for i, name in enumerate(dialect.names):
        if i in dialect.time_at or i in found:
            continue
        statuses = _statuses(rows, dialect.decimal, i)
        if labels.kind(name) in ("door", "power") and not statuses[cells.NUMBER]:
            continue
        named = labels.kind(name) == "temperature" and not any(instants.is_moment(row[i]) for row in rows[:5])
        if statuses[cells.TEXT] == 0 and statuses[cells.WORD] + statuses[cells.NUMBER] > 0 or (named and statuses[cells.TEXT] <= 0.3 * len(rows)):
            found.add(i)
    return tuple(sorted(found - set(dialect.time_at)))


def _texts(dialect: Dialect, rows: list[list[str]]) -> tuple[int, ...]:
    """Other fields that hold text."""
    return tuple(i for i in range(dialect.width) if i not in dialect.time_at and i not in dialect.value_at and not all(instants.is_moment(row[i]) for row in rows[:5]))


def _places(dialect: Dialect, rows: list[list[str]]) -> dict[int, int]:
    """Digits after the decimal mark of columns that always write the same number of them."""
    out = {}
    for i in dialect.value_at:
        seen = {cells.decimals(row[i]) for row in rows if cells.read(row[i], decimal=dialect.decimal).status == cells.NUMBER}
        if len(seen) == 1 and (places := seen.pop()) > 0:
            out[i] = places
    return out


def settle_order(dialect: Dialect, lines: Lines, *, pinned: str | None, shown: str) -> Dialect:
    """The dialect with the order of day, month and year settled on evenly spaced rows of the whole block."""
    if dialect.numeric_time:
        return dialect
    for count in (60, 1000):
        dates, of_day = _shown_times(dialect, lines, count)
        if not instants.needs_order(sorted(set(dates))):
            break
    order, why = instants.settle(dates, of_day, pinned=pinned, shown=shown)
    return replace(dialect, order=order, order_from=why)


def _shown_times(dialect: Dialect, lines: Lines, count: int) -> tuple[list[str], list[int]]:
    dates, of_day = [], []
    for i in np.unique(np.linspace(dialect.first, dialect.last, min(count, dialect.last - dialect.first + 1)).astype(int)):
        row = None if lines.long(i) else dialect.fields(lines[i])
        if row is None or max(dialect.time_at) >= len(row):
            continue
        parts = instants.split(" ".join(instants.clean(row[j]) for j in dialect.time_at))
        if parts is not None and any(instants.day(parts[0], order) is not None for order in instants.ORDERS):
            of = instants.clock(parts[1]) if parts[1] else (0, None)
            dates.append(parts[0])
            of_day.append(of[0] if of else 0)
    return dates, of_day
