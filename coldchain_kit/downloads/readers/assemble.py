"""From a parsed block to a :class:`Download`: kinds of columns, units, wide or long, and the layout in words."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from coldchain_kit.base import LayoutError
from coldchain_kit.downloads.readers import cells, instants, labels, longform, oddlines
from coldchain_kit.downloads.readers.block import BLANK, COMMENTED, EVENT, HEADER, REJECT, ROW, UNITS, Block, picked
from coldchain_kit.downloads.readers.dialect import Dialect
from coldchain_kit.downloads.readers.download import Column, Download, Hints
from coldchain_kit.downloads.readers.files import Content
from coldchain_kit.downloads.readers.frame import Frame
from coldchain_kit.model import EventRow, Notice, Source, cadence

MAX_LISTED = 10_000
ABSOLUTE_ZERO_C = -273.15
_OPEN = frozenset({"open", "opened", "offen", "auf", "ouvert", "ouverte", "abierto", "abierta", "aberto", "aberta", "on", "an", "ein", "marche", "encendido", "ligado", "true", "yes", "1"})
_SHUT = frozenset({"closed", "close", "shut", "zu", "geschlossen", "fermé", "fermée", "cerrado", "cerrada", "fechado", "fechada", "off", "aus", "arrêt", "apagado", "desligado", "false", "no", "0", "fail", "failed"})


def download(content: Content, dialect: Dialect, block: Block, frame: Frame, hints: Hints) -> Download:
    """Everything known of one download, rows in the file's order; the text itself is no longer needed."""
    _refuse_second_table(block, content.file)
    zone = _header_offset(dialect)
    _one_kind_of_time(block, zone)
    keep = np.flatnonzero(block.kind == ROW)
    if not len(keep):
        raise LayoutError("no line could be read", where=content.file, expected="lines with a date and time and numbers", mend="Download it again")
    time_us = picked(block.time_us, keep)
    utc = bool(picked(block.zoned, keep).any() or zone is not None)
    time = (time_us - zone * 1_000_000 if zone else time_us).view("datetime64[us]")
    line = keep.astype("int64") + block.first + 1
    notices: list[Notice] = []
    unread = {key: text for key, text in block.unread.items() if block.kind[key[0]] == ROW}
    columns, shape = _columns(block, keep, frame, hints, content.file, notices, time, unread)
    layout = _layout(content, dialect, block, frame, columns, shape, time)
    source = _source(content, block, frame, keep, time, layout, unread, columns, utc=utc)
    if zone is not None:
        source = replace(source, events=tuple({**event, "time": _with_offset(event["time"], zone)} for event in source.events))
    return Download(source, time, "utc" if utc else "wall", line, tuple(columns), frame.serial, tuple(notices), frame.interval_min)


def _refuse_second_table(block: Block, shown: str) -> None:
    """LayoutError where readings stand under a second header with other names: they would go to the wrong columns."""
    headers = sorted(block.headers)
    ends = [i for i, _ in headers[1:]] + [len(block.kind)]
    for (i, same), until in zip(headers, ends, strict=False):
        if not same and (block.kind[i:until] == ROW).any():
            raise LayoutError("a second table with other columns begins here", where=f"{shown} line {block.first + i + 1}", expected="one table of readings a file",
                              mend="Put the two tables in files of their own")  # fmt: skip


def _header_offset(dialect: Dialect) -> int | None:
    """Offset from UTC [s] that the header of the time column states, None where it states none."""
    text = " ".join(dialect.names[i] for i in dialect.time_at) if dialect.header_line is not None else ""
    hit = re.search(r"(?i)\b(?:utc|gmt)\s*(?:([+\-−])\s*(\d{1,2})(?::?(\d{2}))?)?", text.replace("_", " "))
    if not hit:
        return None
    seconds = int(hit[2] or 0) * 3600 + int(hit[3] or 0) * 60
    return -seconds if (hit[1] or "+") in "-−" else seconds


def _one_kind_of_time(block: Block, header_offset: int | None) -> None:
    """Refuse the rows without an offset from UTC where most lines state one, and the other way about."""
    rows = block.kind == ROW
    zoned = int((block.zoned & rows).sum())
    if zoned in (0, int(rows.sum())):
        return
    if header_offset is not None:
        block.time_us[block.zoned & rows] += header_offset * 1_000_000
        return
    mostly = zoned * 2 > rows.sum()
    for i in np.flatnonzero(rows & (block.zoned != mostly)):
        block.kind[i] = REJECT
        block.rejects.append((int(i), "its time has no offset from UTC, the others have" if mostly else "its time has an offset from UTC, the others have none"))


def _columns(
    block: Block, keep: np.ndarray, frame: Frame, hints: Hints, shown: str, notices: list[Notice], time: np.ndarray, unread: dict[tuple[int, int], str]
) -> tuple[list[Column], str]:
    dialect = block.dialect
    kinds = _kinds(block, keep, hints)
    split = longform.sensors(block, keep, kinds)
    if "temperature" not in kinds.values() and split is None:
        known = ", ".join(repr(dialect.names[i]) for i in range(dialect.width) if i not in dialect.time_at)
        raise LayoutError(f"no column of temperatures was found among {known}", where=shown, expected="a column named for a temperature, a unit (°C, °F, K), a probe or a channel",
                          mend="Name the column of the register's probe as it stands in the file (column = …)")  # fmt: skip
    fields = [at for at in range(dialect.width) if kinds.get(at) in ("temperature", "humidity", "battery", "door", "power", "other")]
    named = dict(zip(fields, labels.plain_all([dialect.names[at] for at in fields]), strict=True))
    if split is not None:
        return longform.columns(block, keep, kinds, named, split, _celsius_of(frame, hints, notices, time, unread)), "long"
    make = _celsius_of(frame, hints, notices, time, unread)
    out = []
    for at in fields:
        out.append(make(block, keep, at, dialect.names[at], named[at], kinds[at], None))
        block.values.pop(at, None)  # nobody reads it again, and a column may be a copy
    return out, "wide"


def _kinds(block: Block, keep: np.ndarray, hints: Hints) -> dict[int, str]:
    """Kind of channel of each field; numeric fields become temperatures where nothing says otherwise."""
    dialect, kinds, open_ = block.dialect, {}, []
    for at in dialect.value_at:
        header = dialect.names[at]
        kind = labels.kind(header) if dialect.header_line is not None else None
        unit = _field_unit(block, keep, at)
        if {header, labels.plain(header)} & set(hints.probes):
            kind = "temperature"
        elif kind in (None, "point") and unit is not None:
            kind = "temperature" if unit in ("C", "F", "K") else {"%": "humidity", "V": "battery"}.get(unit, "other")
        if kind == "point" and longform.numbered(block, keep, at):
            kind = "other"
        if kind in (None, "point"):
            open_.append((at, kind))
        else:
            kinds[at] = kind
    named = "temperature" in kinds.values()
    some = keep[:: max(1, len(keep) // 2000)]
    able = {at: _could_be_temperature(block.values[at][some]) for at, _ in open_}
    headless = dialect.header_line is None
    decimals = any(able[at] and _has_decimals(block.values[at][some]) for at, _ in open_)
    for at, kind in open_:
        good = able[at] and not (headless and decimals and not _has_decimals(block.values[at][some]))
        kinds[at] = "temperature" if good and (kind == "point" or not named) else "other"
    for at in dialect.text_at:
        kind = labels.kind(dialect.names[at]) if dialect.header_line is not None else None
        kinds[at] = kind if kind in ("door", "power") else "text"
    return kinds


def _field_unit(block: Block, keep: np.ndarray, at: int) -> str | None:
    """Unit of a field: that of its cells, else of its header or the row of units."""
    if at in block.units:
        counts = np.bincount(block.units[at][keep], minlength=len(UNITS))
        counts[0] = 0
        return UNITS[int(counts.argmax())] if counts.any() else None
    dialect = block.dialect
    stated = labels.unit(dialect.names[at]) if dialect.header_line is not None else None
    return stated or (cells.unit_of(dialect.units[at].strip("()[] ")) if at < len(dialect.units) else None)


def _has_decimals(values: np.ndarray) -> bool:
    known = values[~np.isnan(values)]
    return bool((known != np.round(known)).any())


def _could_be_temperature(values: np.ndarray) -> bool:
    """Not an identity number, a count of rows or a flag, and within what a sensor can show in °C, °F or K."""
    known = values[~np.isnan(values)]
    known = known[~np.isin(known, cells.PLACEHOLDERS)]
    if not len(known):
        return False
    if (known == np.round(known)).all() and len(known) > 2:
        steps = np.diff(known)
        if not steps.any() and abs(known[0]) > 60 or len(steps) > 3 and (steps == 1).mean() > 0.9:
            return False
    return bool((np.abs(known) <= 1000).mean() > 0.9)


def _celsius_of(frame: Frame, hints: Hints, notices: list[Notice], time: np.ndarray, unread: dict[tuple[int, int], str]) -> longform.Make:
    """A function that makes a Column out of a field: temperatures in °C, states as 1 and 0, other numbers as they stand."""

    def make(block: Block, keep: np.ndarray, at: int, header: str, label: str, kind: str, rows: np.ndarray | None, row_unit: str | None = None) -> Column:
        at_lines = keep if rows is None else keep[rows]
        if at in block.texts:
            return Column(header, label, kind, _states(block, at, at_lines), rows=rows)
        values = picked(block.values[at], at_lines)
        side = picked(block.sides[at], at_lines) if at in block.sides else None
        if kind != "temperature":
            return Column(header, label, kind, values, row_unit or _field_unit(block, keep, at), None, side, rows)
        unit, unit_from = _unit(block, at_lines, at, row_unit, frame, hints)
        values = _without_placeholders(block, values, at_lines, at, unread)
        celsius, mixed = _to_celsius(values, unit, block.units[at][at_lines] if at in block.units else None)
        when = time if rows is None else time[rows]
        if unit_from != "register" and hints.temperature_unit and unit_from != "assumed" and unit != hints.temperature_unit:
            text = f"Column {header!r} is in °{unit} by the file ({unit_from}), but the register says °{hints.temperature_unit}. The file's unit was taken."
            notices.append(_notice(label, when, len(at_lines), text.replace("°K", "K")))
        stated, share = _stated(block.dialect, at), _spoken(block, at_lines, at)[1]
        if unit_from == "cell" and row_unit is None and stated not in (None, unit):
            text = f"Column {header!r} is headed °{stated}, but its cells say °{unit}. The cells' own unit was taken."
            notices.append(_notice(label, when, len(at_lines), text.replace("°K", "K")))
        if unit_from == "cell" and row_unit is None and share < 1.0:
            text = f"Column {header!r} states °{unit} in most of its cells and nothing in others, nor in its header. All were taken as °{unit}."
            notices.append(_notice(label, when, round((1 - share) * len(at_lines)), text.replace("°K", "K")))
        if mixed.any():
            count = int(mixed.sum())
            text = f"Column {header!r} mixes units: {count} of its cells {'is' if count == 1 else 'are'} not in °{unit}, the first in line {at_lines[mixed][0] + block.first + 1}. Each was taken in its own unit."
            notices.append(_notice(label, when[mixed], count, text.replace("°K", "K")))
        below = celsius < ABSOLUTE_ZERO_C
        if below.any():
            for i in at_lines[below][:MAX_LISTED]:
                unread[int(i), at] = f"{block.values[at][i]:g} (below absolute zero)"
            celsius[below] = np.nan
        said = np.array(block.words, dtype=object)[block.said[at][at_lines]] if at in block.said else None
        return Column(header, label, kind, celsius, unit, unit_from, side, rows, said)

    return make


def _notice(label: str, when: np.ndarray, readings: int, text: str) -> Notice:
    return {"kind": "unit_mixup", "probe": label, "start": pd.Timestamp(when.min()), "end": pd.Timestamp(when.max()), "readings": int(readings), "text": text}


def _unit(block: Block, at_lines: np.ndarray, at: int, row_unit: str | None, frame: Frame, hints: Hints) -> tuple[str, str]:
    """Unit of a temperature field and what says so (rule 2 of CONTRACTS.md)."""
    dialect = block.dialect
    if row_unit in ("C", "F", "K"):
        return row_unit, "cell"
    stated = _stated(dialect, at)
    most, share = _spoken(block, at_lines, at)
    if most is not None and (share == 1.0 or (stated is None and share > 0.5)):
        return most, "cell"
    if stated is not None:
        return stated, "header"  # for cells that do not say it themselves
    if frame.unit in ("C", "F", "K"):
        return frame.unit, "preamble"
    return (hints.temperature_unit, "register") if hints.temperature_unit else ("C", "assumed")


def _stated(dialect: Dialect, at: int) -> str | None:
    """Unit of temperature that a column's header, or the row of units below it, states."""
    stated = labels.unit(dialect.names[at]) if dialect.header_line is not None else None
    stated = stated or (cells.unit_of(dialect.units[at].strip("()[] ")) if at < len(dialect.units) else None)
    return stated if stated in ("C", "F", "K") else None


def _spoken(block: Block, at_lines: np.ndarray, at: int) -> tuple[str | None, float]:
    """Unit of temperature that most cells of a field state themselves, and the share of its numbers that state any."""
    if at not in block.units:
        return None, 0.0
    counts = np.bincount(block.units[at][at_lines], minlength=len(UNITS))[1:4]
    numbers = np.count_nonzero(~np.isnan(block.values[at][at_lines]))
    return (UNITS[int(counts.argmax()) + 1], float(counts.sum() / max(numbers, 1))) if counts.any() else (None, 0.0)


def _without_placeholders(block: Block, values: np.ndarray, at_lines: np.ndarray, at: int, unread: dict[tuple[int, int], str]) -> np.ndarray:
    large = np.abs(values) >= min(abs(value) for value in cells.PLACEHOLDERS)
    if not large.any():
        return values
    bad = large & np.isin(values, cells.PLACEHOLDERS)
    for i in at_lines[bad][:MAX_LISTED]:
        unread[int(i), at] = f"{block.values[at][i]:g} (stands for no value)"
    return np.where(bad, np.nan, values)


def _to_celsius(values: np.ndarray, unit: str, codes: np.ndarray | None) -> tuple[np.ndarray, np.ndarray]:
    """°C rounded to 1e-6, each cell by its own unit where it states one; and which cells are in another unit than the column."""
    if codes is None and unit == "C":
        return np.add(np.round(values, 6, out=values), 0.0, out=values), np.zeros(0, bool)  # the block's own array: nobody else has it
    if codes is None:
        return _converted(values, unit), np.zeros(0, bool)
    own = np.where(np.isin(codes, (1, 2, 3)), codes, UNITS.index(unit))
    out = np.full(len(values), np.nan)
    for code, name in enumerate(UNITS[1:4], 1):
        out[own == code] = _converted(values[own == code], name)
    return out, own != UNITS.index(unit)


def _converted(values: np.ndarray, unit: str) -> np.ndarray:
    celsius = (values - 32.0) / 1.8 if unit == "F" else values + ABSOLUTE_ZERO_C if unit == "K" else values
    return np.round(celsius, 6) + 0.0  # no minus zero


def _states(block: Block, at: int, at_lines: np.ndarray) -> np.ndarray:
    """1 for open or on, 0 for shut or off, NaN for anything else."""
    meaning = np.array([1.0 if (low := word.lower()) in _OPEN else 0.0 if low in _SHUT else np.nan for word in block.words])
    return meaning[block.texts[at][at_lines]]


def _beside(block: Block, keep: np.ndarray, columns: list[Column]) -> list[EventRow]:
    """Events written beside the readings: texts of a column of events that are not its usual word."""
    dialect = block.dialect
    out: list[EventRow] = []
    taken = {column.header for column in columns}
    for at in dialect.text_at:
        if dialect.header_line is None or not labels.is_event(dialect.names[at]) or dialect.names[at] in taken:
            continue
        counts = Counter(block.texts[at][keep].tolist())
        usual = counts.most_common(1)[0][0]
        telling = {code for code in counts if block.words[code].lower() not in oddlines.QUIET and (code != usual or counts[code] <= 0.2 * len(keep))}
        for i in keep[np.isin(block.texts[at][keep], list(telling))] if telling else ():
            text = block.words[block.texts[at][i]]
            shown = str(np.datetime64(int(block.time_us[i]), "us")).removesuffix(".000000") + "Z" * bool(block.zoned[i])
            out.append({"time": shown, "kind": oddlines.event_kind(text) or "other", "text": text[:300], "line": int(i) + block.first + 1})
    return out


def _with_offset(shown: str | None, offset_s: int) -> str | None:
    """An event's time with the offset that the header states, unless it has its own."""
    parts = instants.split(shown) if shown else None
    if parts is None or not parts[1] or (instants.clock(parts[1]) or (0, 0))[1] is not None:
        return shown
    minutes = abs(offset_s) // 60
    return f"{shown}{'-' if offset_s < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"


def _source(content: Content, block: Block, frame: Frame, keep: np.ndarray, time: np.ndarray, layout: dict[str, Any], unread: dict[tuple[int, int], str], columns: list[Column], *, utc: bool) -> Source:
    dialect, zone = block.dialect, "UTC" if utc else None
    rejects = sorted((i + block.first + 1, reason) for i, reason in block.rejects)
    temperatures = {column.header for column in columns if column.kind == "temperature"} | ({dialect.names[at] for at in dialect.value_at} if layout["shape"] == "long" else set())
    listed = sorted((i + block.first + 1, dialect.names[at], text) for (i, at), text in unread.items() if dialect.names[at] in temperatures)
    events = sorted((*frame.events, *block.events, *_beside(block, keep, columns)), key=lambda row: row["line"])
    return Source(
        content.file, content.sha256, len(keep) + len(rejects), len(keep), len(rejects), pd.Timestamp(time.min()).tz_localize(zone), pd.Timestamp(time.max()).tz_localize(zone),
        _interval_min(time, frame.interval_min), layout, tuple(rejects), tuple(listed[:MAX_LISTED]), tuple(events), _stated_extremes(frame, columns),
    )  # fmt: skip


def _stated_extremes(frame: Frame, columns: list[Column]) -> tuple[dict[str, Any], ...]:
    """What the lines around the readings state as highest and lowest [°C]; without a unit, in the readings' one."""
    units = {column.unit for column in columns if column.kind == "temperature" and column.unit}
    usual = units.pop() if len(units) == 1 else None
    rows = [(row, row["unit"] or usual) for row in frame.stated]
    return tuple(
        {**row, "value_c": float(_converted(np.array([row["value"]]), unit)[0])}
        for row, unit in rows
        if unit in ("C", "F", "K")
    )


def _interval_min(time: np.ndarray, stated_min: tuple[float, ...]) -> float | None:
    """The interval in force by the file alone [min], None where it has none or several (CONTRACTS rule 4)."""
    steps = np.diff(time).view("int64")
    least, most = (int(steps.min()), int(steps.max())) if len(steps) >= cadence.KEPT else (0, 0)
    if not stated_min and least > 0 and most <= least * (1 + cadence.TENTH):  # one step throughout, and nothing is copied
        return float(np.median(steps, overwrite_input=True)) / cadence.US_PER_MIN
    del steps
    stated = (cadence.Stated(stated_min, source="preamble"),) if stated_min else ()
    return cadence.of(time.astype("M8[us]").view("int64"), stated).one_min


def _layout(content: Content, dialect: Dialect, block: Block, frame: Frame, columns: list[Column], shape: str, time: np.ndarray) -> dict[str, Any]:
    kinds = np.bincount(block.kind, minlength=6).tolist()
    forward, backward = np.count_nonzero(time[1:] > time[:-1]), np.count_nonzero(time[1:] < time[:-1])
    units = sorted({column.unit_from for column in columns if column.unit_from})
    separators = {"\t": "blanks" if dialect.blanks else "tab", ";": "semicolon", ",": "comma", "|": "bar"}
    layout = {
        "encoding": content.encoding, "line_end": content.line_end, "separator": separators[dialect.separator], "quote": dialect.quote, "decimal": dialect.decimal,
        "header_line": None if dialect.header_line is None else dialect.header_line + 1, "units_line": None if dialect.units_line is None else dialect.units_line + 1,
        "lines": frame.lines, "preamble_lines": frame.preamble, "header_lines": frame.header, "blank_lines": frame.blank + kinds[BLANK], "comment_lines": frame.comment + kinds[COMMENTED],
        "repeated_header_lines": kinds[HEADER], "event_lines": frame.event + kinds[EVENT], "footer_lines": frame.footer,
        "time_columns": list(dict.fromkeys(dialect.names[at] for at in dialect.time_at)), "time_format": time_format(dialect), "date_order": None if dialect.numeric_time else dialect.order,
        "date_order_from": None if dialect.numeric_time else dialect.order_from, "unit_from": units[0] if len(units) == 1 else "mixed" if units else None,
        "shape": shape, "newest_first": bool(backward > forward), "final_newline": frame.final_newline, "nul_bytes": content.nul_bytes,
        "zone_stated": frame.zone, "made_stated": frame.made, "interval_stated_min": list(frame.interval_min), "columns": [{"header": c.header, "label": c.label, "kind": c.kind, "unit": c.unit, "unit_from": c.unit_from} for c in columns],
    }  # fmt: skip
    if frame.counted:
        layout["rows_stated"] = frame.counted
    if content.member is not None:
        layout["member"] = content.member
    return layout


def time_format(dialect: Dialect) -> str:
    """The shape of the times in letters: "DD/MM/YYYY hh:mm AM/PM"."""
    if dialect.numeric_time:
        return {"epoch_s": "seconds since 1970 (UTC)", "epoch_ms": "milliseconds since 1970 (UTC)", "epoch_us": "microseconds since 1970 (UTC)", "day_number": "day number of a spreadsheet"}[dialect.numeric_time]
    fields = dialect.fields(dialect.example) or []
    parts = instants.split(dialect.shown(fields))
    if parts is None:
        return ""
    date = _date_format(parts[0], dialect.order)
    if not parts[1]:
        return date
    of_day = re.sub(r"(?i)[ap]\.?\s?m\.?", "AM/PM", parts[1])
    of_day = re.sub(r"[+\-−]\d{1,2}:?(?:\d{2})?$", "±hh:mm", of_day)
    of_day = re.sub(r"^\d{1,2}([:.h])\d{2}", lambda hit: f"hh{hit[1]}mm", of_day)
    of_day = re.sub(r"mm([:.])\d{2}", lambda hit: f"mm{hit[1]}ss", of_day, count=1)
    return f"{date} {re.sub(r'[.,][0-9]+', '.f', of_day)}"


def _date_format(text: str, order: str) -> str:
    runs = iter({"dmy": ("DD", "MM", "YY"), "mdy": ("MM", "DD", "YY"), "ymd": ("YY", "MM", "DD")}[order if not text[:4].isdigit() else "ymd"])
    if any(c.isalpha() for c in text):
        return re.sub(r"[^\W\d_]{3,}\.?", "month", re.sub(r"\d{4}", "YYYY", re.sub(r"(?<!\d)\d{1,2}(?!\d)", "DD", text)))
    return re.sub(r"\d+", lambda hit: (piece := next(runs, "")) * (2 if piece == "YY" and len(hit[0]) == 4 else 1), text)
