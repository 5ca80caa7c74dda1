"""Work out a download's layout: separator, columns of time and of values, first and last line of readings."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from coldchain_kit.base import LayoutError
from coldchain_kit.downloads.readers import cells, header, instants, labels, oddlines
from coldchain_kit.downloads.readers.dialect import COMMENT, NUMERIC_TIMES, Dialect, Lines, numeric_moment, split_line, squeeze_blanks

SEPARATORS = ("\t", ";", "|", ",", " ")
MAX_COLUMNS = 2000
_DATED = re.compile(r"\d[:./\-h ]\s?\w|\d{5}")


def _sample(lines: Lines, count: int) -> list[str]:
    at = np.unique(np.linspace(0, len(lines) - 1, min(count, len(lines))).astype(int))
    return [text for i in at if not lines.long(i) and (text := lines[i]).strip() and not COMMENT.match(text)]


def _quote(sample: list[str]) -> str | None:
    marks = Counter(mark for text in sample for mark in "\"'" if text.count(mark) >= 2)
    return marks.most_common(1)[0][0] if marks else None


def _time_fields(rows: list[list[str]]) -> tuple[tuple[int, ...], int] | None:
    """Which fields make the time, and how many of them are the date."""
    width, few = len(rows[0]), rows[:: max(1, len(rows) // 8)][:8]

    def share(hits: Iterable[bool]) -> float:
        return sum(hits) / len(few)

    whole = [i for i in range(min(width, 60)) if share(bool((parts := instants.split(row[i])) and parts[1]) for row in few) > 0.3]
    if whole:
        return (whole[0],), 1
    dates = [i for i in range(min(width, 60)) if share(instants.is_moment(row[i]) for row in few) > 0.6]
    clocks = [i for i in range(min(width, 60)) if share(_is_clock(row[i]) for row in few) > 0.2]
    if dates and clocks:
        clock = min(clocks, key=lambda i: abs(i - dates[0] - 1))
        after = clock + 1
        if after < width and share(re.fullmatch(r"(?i)[ap]\.?\s?m\.?", instants.clean(row[after])) is not None for row in few) > 0.6:
            return (dates[0], clock, after), 1
        return (dates[0], clock), 1
    for run in (2, 3, 4, 5, 6):
        for i in range(min(width - run, 8) + 1):
            joined = [" ".join(row[i : i + run]) for row in few]
            if sum(bool((parts := instants.split(text)) and _is_clock(parts[1])) for text in joined) > 0.6 * len(few):
                n_date = next((n for n in range(1, run) if all(instants.is_moment(" ".join(row[i : i + n])) for row in few[:3])), run - 1)
                return tuple(range(i, i + run)), n_date
    return ((dates[0],), 1) if dates else None


def _is_clock(text: str) -> bool:
    """Whether a field of its own is a time of day; 4.30 is not, it may be a temperature."""
    return (":" in text or "h" in text) and instants.clock(text) is not None


def _numeric_time(rows: list[list[str]]) -> tuple[int, str] | None:
    for i in range(min(len(rows[0]), 60)):
        for kind in NUMERIC_TIMES:
            moments = [numeric_moment(row[i], kind) for row in rows]
            known = [m[0] for m in moments if m]
            if len(known) < 0.9 * len(rows) or (kind == "day_number" and not any("." in row[i] or "," in row[i] for row in rows)):
                continue
            steps = np.diff(known)
            if ((steps >= 0).all() or (steps <= 0).all()) and (len(known) < 2 or steps.any()):
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
    rows = [row for row in rows if any(_DATED.search(cell) for cell in row)] or rows
    time = _time_fields(rows)
    numeric = None
    if time is None:
        hit = _numeric_time(rows)
        if hit is None:
            return None
        time, numeric = ((hit[0],), 1), hit[1]
    dialect = Dialect(mark, width, time[0], time[1], numeric, blanks, quote, _decimal(rows, mark, time[0]))
    good = [row for row in rows if _shows_time(dialect, row)]
    dialect = replace(dialect, value_at=_value_fields(good, dialect))
    score = sum(any(cells.read(row[i], decimal=dialect.decimal).status == cells.NUMBER for i in dialect.value_at) for row in good)
    return (score, dialect, good) if score else None


def _shows_time(dialect: Dialect, row: list[str]) -> bool:
    if dialect.numeric_time:
        return dialect.moment(row) is not None
    return max(dialect.time_at) < len(row) and instants.is_moment(dialect.shown(row))


def _value_fields(rows: list[list[str]], dialect: Dialect) -> tuple[int, ...]:
    out = []
    for i in range(dialect.width):
        if i in dialect.time_at or not rows:
            continue
        found = _statuses(rows, dialect.decimal, i)
        if found[cells.NUMBER] > 0.1 * found[cells.TEXT]:
            out.append(i)
    return tuple(out)


def work_out(lines: Lines, *, shown: str) -> tuple[Dialect, Lines]:
    """The dialect of a download, and its lines as they are to be cut (runs of blanks as tabs).

    Raises
    ------
    LayoutError
        Where no separator gives lines with a time and a number: says what was looked for and what was found.
    """
    for count in (80, 5000):
        sample = _sample(lines, count)
        quote = _quote(sample)
        found = _candidates(sample, quote)
        if found or len(lines) <= count:
            break
    if not found:
        raise nothing_found(lines, shown)
    score, dialect, rows = max(found, key=lambda hit: hit[0])
    written = lines
    if dialect.blanks:
        lines = Lines.of(squeeze_blanks(lines.text))
    return _framed(dialect, rows, lines, written, shown), lines


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


def _framed(dialect: Dialect, rows: list[list[str]], lines: Lines, written: Lines, shown: str) -> Dialect:
    """Header, first and last line of the block of readings."""
    if dialect.width > MAX_COLUMNS:
        raise LayoutError(f"the lines have {dialect.width} fields", where=shown, expected=f"at most {MAX_COLUMNS} columns", mend="Export fewer probes at a time")
    rough = dialect
    first = next((i for i in range(len(lines)) if looks_like_row(rough, lines, i)), None)
    if first is None:
        raise nothing_found(lines, shown)
    last = next(i for i in range(len(lines) - 1, first - 1, -1) if looks_like_row(rough, lines, i, strict=False))
    head, units, names, unit_row = header.find(dialect, lines, first, written=written, shown=shown)
    dialect = replace(dialect, first=first, last=last, header_line=head, units_line=units, names=names, units=unit_row, example=lines[first][:200])
    dialect = _other_time(dialect, rows)
    dialect = replace(dialect, clocked=not dialect.numeric_time and any((parts := instants.split(dialect.shown(row))) and parts[1] for row in rows[:8]))
    lost = [name for i, name in enumerate(names) if i not in dialect.time_at and labels.is_clock(name)]
    if lost and head is not None and not (dialect.clocked or dialect.numeric_time):
        raise LayoutError(f"the column {lost[0]!r} holds no time of day that can be read", where=shown, expected="the date and time of each reading", mend="Export the readings with their times")
    dialect = replace(dialect, value_at=_all_values(dialect, rows))
    return replace(dialect, text_at=_texts(dialect, rows), places=_places(dialect, rows if lines.text.endswith(b"\n") else rows[:-1]))


def looks_like_row(dialect: Dialect, lines: Lines, i: int, *, strict: bool = True) -> bool:
    """Whether a line has the block's width, a time, and nothing but values (not ``strict``: and no event) where values belong."""
    if lines.long(i):
        return False
    text = lines[i]
    if text.count(dialect.separator) < dialect.width - 1:
        return False
    row = dialect.fields(text)
    if row is None or len(row) < dialect.width or any(cell.strip() for cell in row[dialect.width :]) or not _shows_time(dialect, row):
        return False
    statuses = {at: cells.read(row[at], decimal=dialect.decimal).status for at in dialect.value_at}
    strange = [row[at] for at, status in statuses.items() if status == cells.TEXT]
    if strange and (strict or any(oddlines.tells(text) for text in strange)):
        return False
    return any(status != cells.EMPTY for status in statuses.values())


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
        if statuses[cells.TEXT] == 0 and statuses[cells.WORD] + statuses[cells.NUMBER] > 0 or named:
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
        if len(dates) > 2 and not any(of_day) and 2 * len(set(dates)) <= len(dates):
            raise LayoutError(f"the rows have dates but no time of day: {dates[0]!r} stands in several of them", where=shown, expected="the date and time of each reading",
                              mend="Export the readings with their times")  # fmt: skip
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
        parts = instants.split(dialect.shown(row))
        if parts is not None and any(instants.day(parts[0], order) is not None for order in instants.ORDERS):
            of = instants.clock(parts[1]) if parts[1] else (0, None)
            dates.append(parts[0])
            of_day.append(of[0] if of else 0)
    return dates, of_day
