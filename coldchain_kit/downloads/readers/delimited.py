"""Parse the block of readings: vectorised where lines are regular, one line at a time where they are not.

Times are read from their distinct dates and distinct times of day by the one careful parser of :mod:`instants`; no
format string of a library is trusted with them (some of those take 31 February for 3 March).
"""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv

from coldchain_kit.downloads.readers import cells, fixedtimes, instants, oddlines
from coldchain_kit.downloads.readers.block import BLANK, MAX_UNREAD, NO_TIME, ROW, UNITS, Block
from coldchain_kit.downloads.readers.dialect import NUMERIC_TIMES, Dialect, Lines, numeric_moment
from coldchain_kit.downloads.readers.files import MAX_LINE

SLICE_SHARE = 24  # a slice is a 24th of the text, within the next two: what it takes on its way stays small beside the text
SMALLEST_SLICE, LARGEST_SLICE = 512 * 1024, 4 * 1024 * 1024
TELLING = 9  # a cell's text that may be an event's


def parse(lines: Lines, dialect: Dialect) -> Block:
    """Read every line from ``dialect.first`` to ``dialect.last`` (0-based, both included)."""
    n = dialect.last - dialect.first + 1
    block = Block(
        dialect, dialect.first, np.full(n, BLANK, "int8"), np.full(n, NO_TIME, "int64"), np.zeros(n, bool),
        {at: np.full(n, np.nan) for at in dialect.value_at}, texts={at: np.zeros(n, "int32") for at in dialect.text_at},
    )  # fmt: skip
    low, size = 0, min(max(len(lines.text) // SLICE_SHARE, SMALLEST_SLICE), LARGEST_SLICE)
    while low < n:
        target = int(lines.starts(dialect.first + low, dialect.first + low + 1)[0]) + size
        high = lines.through(target) - dialect.first
        high = min(max(high, low + 1), n)
        _slice(block, lines, low, high)
        low = high
    return block


def _slice(block: Block, lines: Lines, low: int, high: int) -> None:
    """Read the lines ``low`` to ``high`` of the block: all at once where they are alike, else the odd ones one by one."""
    a, b = block.first + low, block.first + high
    start, end = lines.starts(a, b), lines.end[a:b]
    length = end - start
    whole = lines.text.find(b"\x00", int(start[0]), int(end[-1])) < 0 and int(length.max()) <= MAX_LINE and int(end[-1]) < len(lines.text)
    filled = np.flatnonzero(length)
    raw = memoryview(lines.text)[int(start[0]) : int(end[-1]) + 1]
    if whole and len(filled) and _vector(block, raw, low + filled, lines):
        return
    regular = _regular(raw, start - start[0], length, block.dialect)
    if int(end[-1]) == len(lines.text):
        regular[-1] = False  # a last line without its line end may be cut short
    rows = np.flatnonzero(regular)
    if len(rows) and not _vector(block, _joined(raw, start - start[0], end - start[0], regular), low + rows, lines):
        regular[:] = False
    for i in np.flatnonzero(~regular & (length > 0)):
        oddlines.read(block, lines, low + int(i))


def _regular(raw: memoryview, start: np.ndarray, length: np.ndarray, dialect: Dialect) -> np.ndarray:
    """Lines with as many separators as the readings have, no broken bytes, and of bearable length."""
    codes = np.frombuffer(raw, np.uint8)
    marks = np.flatnonzero(codes == ord(dialect.separator))
    counts = np.diff(np.searchsorted(marks, np.append(start, len(codes))))
    regular = (counts == dialect.width - 1) & (length <= MAX_LINE)
    nul = np.flatnonzero(codes == 0)
    if len(nul):
        regular[np.unique(np.searchsorted(start, nul, side="right") - 1)] = False
    return regular


def _joined(raw: memoryview, start: np.ndarray, end: np.ndarray, keep: np.ndarray) -> bytes:
    """The kept lines one after the other."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], keep.view("int8"), [0]))))
    return b"".join(bytes(raw[int(start[i]) : int(end[j - 1]) + 1]) if int(end[j - 1]) < len(raw) else bytes(raw[int(start[i]) : int(end[j - 1])]) + b"\n"
                    for i, j in zip(edges[::2], edges[1::2], strict=True))  # fmt: skip


def _read_table(raw: memoryview | bytes, dialect: Dialect, value_type: pa.DataType) -> pa.Table | None:
    types = {str(i): pa.string() for i in (*dialect.time_at, *dialect.text_at)} | {str(i): value_type for i in dialect.value_at}
    try:
        return pyarrow.csv.read_csv(
            pa.BufferReader(pa.py_buffer(raw)),
            read_options=pyarrow.csv.ReadOptions(column_names=[str(i) for i in range(dialect.width)], block_size=len(raw) + 1, use_threads=False),  # each thread would keep memory
            parse_options=pyarrow.csv.ParseOptions(delimiter=dialect.separator, quote_char=dialect.quote or False, newlines_in_values=False),
            convert_options=pyarrow.csv.ConvertOptions(
                column_types=types, include_columns=list(types), decimal_point=dialect.decimal, null_values=[""], quoted_strings_can_be_null=True, strings_can_be_null=False,
            ),
            memory_pool=pa.system_memory_pool(),  # gives back at once what a slice took
        )  # fmt: skip
    except pa.ArrowInvalid:
        return None


def _vector(block: Block, raw: memoryview | bytes, rows: np.ndarray, lines: Lines) -> bool:
    """Read the regular lines of one slice; False where they do not come out as one row a line."""
    dialect = block.dialect
    table = _read_table(raw, dialect, pa.float64())
    if table is not None and any(_beyond(_column(table, i)) for i in dialect.value_at):
        table = None
    typed = table is not None
    if not typed:
        table = _read_table(raw, dialect, pa.string())
    if table is None or table.num_rows != len(rows):
        return False
    time_us, zoned = _times([_column(table, i) for i in dialect.time_at], dialect)
    span = _span(rows)
    block.time_us[span], block.kind[span] = time_us, ROW
    if zoned.any():
        block.zoned[span] = zoned
    telling = np.zeros(len(rows), bool)
    filled = np.full(len(rows), not dialect.text_at)
    for at in dialect.value_at:
        column = _column(table, at)
        statuses = _numbers(block, at, rows, column) if typed else _careful(block, at, rows, column)
        telling |= statuses == TELLING
        filled |= statuses != cells.EMPTY
    for at in dialect.text_at:
        _words(block, at, rows, _column(table, at))
    doubtful = (time_us == NO_TIME) | ~filled | telling
    for i in rows[doubtful]:
        oddlines.read(block, lines, int(i))
    return True


def _span(rows: np.ndarray) -> slice | np.ndarray:
    """Increasing places as a slice where none is left out: numpy copies to it several times faster."""
    return slice(int(rows[0]), int(rows[-1]) + 1) if int(rows[-1] - rows[0]) == len(rows) - 1 else rows


def _column(table: pa.Table, at: int) -> pa.Array:
    chunks = table[str(at)].chunks
    return chunks[0] if len(chunks) == 1 else pa.concat_arrays(chunks) if chunks else pa.array([], table[str(at)].type)


def _beyond(column: pa.Array) -> bool:
    if column.null_count:
        column = column.drop_null()
    values = column.to_numpy()
    return bool(len(values)) and not (values.max() < cells.LARGEST and values.min() > -cells.LARGEST)  # a NaN is beyond too


def _numbers(block: Block, at: int, rows: np.ndarray, column: pa.Array) -> np.ndarray:
    values = column.to_numpy(zero_copy_only=False)
    block.values[at][_span(rows)] = values
    if not column.null_count:
        return np.zeros(len(rows), "int8")
    empty = np.isnan(values)
    for i in rows[empty][:MAX_UNREAD]:
        block.without_value(int(i), at, "")
    return np.where(empty, cells.EMPTY, cells.NUMBER).astype("int8")


def _codes(column: pa.Array) -> tuple[list[str], np.ndarray]:
    coded = pc.fill_null(column, "").dictionary_encode()
    return coded.dictionary.to_pylist(), coded.indices.to_numpy(zero_copy_only=False)


def _careful(block: Block, at: int, rows: np.ndarray, column: pa.Array) -> np.ndarray:
    """Read the distinct texts of a column one by one."""
    texts, codes = _codes(column)
    found = [cells.read(text, decimal=block.dialect.decimal) for text in texts]
    status = np.array([TELLING if cell.status == cells.TEXT and oddlines.tells(text) else cell.status for text, cell in zip(texts, found, strict=True)], "int8")[codes]
    block.values[at][rows] = np.array([cell.value for cell in found])[codes]
    if any(cell.side for cell in found):
        block.sides.setdefault(at, np.zeros(len(block.kind), "int8"))[rows] = np.array([cell.side for cell in found], "int8")[codes]
        words = [block.code(text.strip()) if cell.side else 0 for text, cell in zip(texts, found, strict=True)]
        block.said.setdefault(at, np.zeros(len(block.kind), "int32"))[rows] = np.array(words, "int32")[codes]
    if any(cell.unit for cell in found):
        block.units.setdefault(at, np.zeros(len(block.kind), "int8"))[rows] = np.array([UNITS.index(cell.unit) for cell in found], "int8")[codes]
    for i in np.flatnonzero(status != cells.NUMBER)[:MAX_UNREAD]:
        block.without_value(int(rows[i]), at, texts[codes[i]].strip())
    return status


def _words(block: Block, at: int, rows: np.ndarray, column: pa.Array) -> None:
    texts, codes = _codes(column)
    block.texts[at][rows] = np.array([block.code(" ".join(text.strip(" \"'").split())) for text in texts], "int32")[codes]


def _times(columns: list[pa.Array], dialect: Dialect) -> tuple[np.ndarray, np.ndarray]:
    """Microseconds as shown (NO_TIME where unreadable), less a stated offset, and where one was stated."""
    if dialect.numeric_time:
        if (times := _numeric_times(columns[0], dialect.numeric_time, decimal=dialect.decimal)) is not None:
            return times
        texts, codes = _codes(columns[0])
        found = [numeric_moment(text, dialect.numeric_time) for text in texts]
        return np.array([NO_TIME if m is None else m[0] for m in found], "int64")[codes], np.array([m is not None and m[1] is not None for m in found], bool)[codes]
    if len(columns) == 1 and (places := fixedtimes.template(dialect.shown(dialect.fields(dialect.example) or []), dialect.order)):
        read = fixedtimes.read(columns[0], places)
        if read is not None:
            return read, np.zeros(len(read), bool)
    halves = _halves(columns, dialect)
    if halves is None:
        joined = columns[0] if len(columns) == 1 else pc.binary_join_element_wise(*(pc.fill_null(c, "") for c in columns), " ")
        texts, codes = _codes(joined)
        return _placed([instants.moment(text, order=dialect.order) for text in texts], codes)
    dates, date_codes = _codes(halves[0])
    clocks, clock_codes = _codes(halves[1])
    days = np.array([NO_TIME if (d := instants.day(text, dialect.order)) is None else d * instants.DAY_US for text in dates], "int64")[date_codes]
    of_day = [instants.clock(text) for text in clocks]
    micro = np.array([NO_TIME if c is None else c[0] - 1_000_000 * (c[1] or 0) for c in of_day], "int64")[clock_codes]
    known = (days != NO_TIME) & (micro != NO_TIME)
    zoned = np.array([c is not None and c[1] is not None for c in of_day], bool)[clock_codes]
    return np.where(known, days + np.where(known, micro, 0), NO_TIME), zoned & known


def _numeric_times(column: pa.Array, kind: str, *, decimal: str) -> tuple[np.ndarray, np.ndarray] | None:
    """Epochs or day numbers all at once, None where one of the texts is no plain number."""
    text = pc.utf8_trim(pc.fill_null(column, ""), " ")
    try:
        values = pc.cast(pc.replace_substring(text, ",", ".") if decimal == "," else text, pa.float64()).to_numpy(zero_copy_only=False)
    except pa.ArrowInvalid:
        return None
    low, high = NUMERIC_TIMES[kind]
    known = (values >= low) & (values < high)
    days = kind == "day_number"
    scale = {"epoch_s": 1e6, "epoch_ms": 1e3, "epoch_us": 1.0, "day_number": 86_400.0}[kind]
    whole = np.round((np.where(known, values, low) - (25_569 if days else 0)) * scale).astype("int64") * (1_000_000 if days else 1)
    return np.where(known, whole, NO_TIME), known & (not days)


def _placed(found: list[tuple[int, int | None] | None], codes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    micro = np.array([NO_TIME if m is None else m[0] - 1_000_000 * (m[1] or 0) for m in found], "int64")
    return micro[codes], np.array([m is not None and m[1] is not None for m in found], bool)[codes]


def _halves(columns: list[pa.Array], dialect: Dialect) -> tuple[pa.Array, pa.Array] | None:
    """Date and time of day as two columns, None where the texts cannot be cut alike."""
    if len(columns) > 1:
        if dialect.date_fields != 1:
            return None
        clock = columns[1] if len(columns) == 2 else pc.binary_join_element_wise(*(pc.fill_null(c, "") for c in columns[1:]), " ")
        return columns[0], clock
    text = pc.utf8_trim(pc.fill_null(columns[0], ""), " \t\"'")
    example = dialect.fields(dialect.example)
    shown = instants.clean(example[dialect.time_at[0]]) if example and dialect.time_at[0] < len(example) else ""
    parts = instants.split(shown)
    if not parts or not parts[1] or not shown.isascii() or not (shown.startswith(parts[0]) and shown.endswith(parts[1])):
        return None
    mark = shown[len(parts[0]) : len(shown) - len(parts[1])]
    if not mark or parts[1].count(mark) > 1:
        return None
    return _cut_alike(text, len(shown), len(parts[0]), mark) or _cut_at(text, mark, 1 + parts[1].count(mark))


def _cut_alike(text: pa.Array, length: int, at: int, mark: str) -> tuple[pa.Array, pa.Array] | None:
    """Cut texts of one length at one place; texts of another shape come out empty (they are read one by one)."""
    raw, filler = text.cast(pa.binary()), b" " * length
    alike = pc.equal(pc.binary_length(raw), length)
    if (pc.mean(alike).as_py() or 0.0) < 0.9:
        return None
    if not pc.all(alike).as_py():
        raw = pc.if_else(alike, raw, filler)  # binary_slice wants no text shorter than its start
    marked = pc.equal(pc.binary_slice(raw, at, at + len(mark)), mark.encode())
    if not pc.all(marked).as_py():
        raw = pc.if_else(marked, raw, filler)
    cut = pc.binary_slice(raw, 0, at), pc.binary_slice(raw, at + len(mark), length)
    try:
        return cut[0].cast(pa.string()), cut[1].cast(pa.string())
    except pa.ArrowInvalid:  # a letter of several bytes was cut through
        return None


def _cut_at(text: pa.Array, mark: str, pieces: int) -> tuple[pa.Array, pa.Array]:
    """Cut texts before their last one or two pieces; texts with too few come out empty (they are read one by one)."""
    split = pc.split_pattern(text, mark, max_splits=pieces, reverse=True)
    whole = pc.equal(pc.list_value_length(split), pieces + 1)
    if not pc.all(whole).as_py():
        split = pc.split_pattern(pc.if_else(whole, text, mark * pieces), mark, max_splits=pieces, reverse=True)
    flat = split.flatten()
    parts = [flat.take(pa.array(np.arange(at, len(flat), pieces + 1))) for at in range(pieces + 1)]
    return parts[0], parts[1] if pieces == 1 else pc.binary_join_element_wise(parts[1], parts[2], mark)
