"""The lines around the readings: preamble, header, events before and after, footer; what they say about the readings."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from coldchain_kit.downloads.readers import cells, instants, oddlines, stated, stating
from coldchain_kit.downloads.readers.dialect import COMMENT, Dialect, Lines, split_line
from coldchain_kit.model import EventRow

MAX_PREAMBLE = 5000  # lines searched for a unit or a serial number
MOST_STATED = 100  # statements kept
_SERIAL = re.compile(r"(?i)(?:serial(?:\s*(?:no|number|nr|num))?|s/n|\bsn|seriennummer|serien-?nr|num[ée]ro de s[ée]rie|n[°º]?\s*(?:de\s*)?s[ée]rie)\b\.?\s*(?:#|:|=|;|,|\t|\|)?\s*[\"']?([A-Za-z0-9][A-Za-z0-9\-_/]{1,40})")
_UNIT_KEY = re.compile(r"(?i)\b(?:units?|einheit(?:en)?|unités?|unidade?s?|temperature scale|scale)\b[^;,:=|\t]*[;,:=|\t]\s*[\"']?(°?\s?[cfk]\b|deg\s?[cf]|degrees?\s?[cf]\b|celsius|fahrenheit|kelvin|℃|℉)")
_UNIT_SEEN = re.compile(r"(?i)(?<=[\d\s(\[;,:=])(°\s?[cf]|deg\s?[cf]|celsius|fahrenheit|℃|℉)(?![a-z])")
_ZONE_SEEN = re.compile(r"(?i)(?:time ?zone|zeitzone|fuso|fuseau|zona horaria|utc offset)[^;,:=|\t]*[;,:=|\t]\s*[\"']?([^;,|\t\"']{1,40})")
_MADE = re.compile(
    r"(?i)\b(?:download(?:ed)?|read ?out|export(?:ed)?|transferred|report (?:created|generated|date)|file created|created on|generated|printed|"
    r"ausgelesen|exportiert|erstellt|téléchargée?|exportée?|généré|descargado|exportado|transferido|gerado|impresso)\b"
    r"(?:\s*(?:date(?: and time)?|time|date/time|at|on|am|le|el|em))?\W{0,6}"
    r"(\d{1,4}[-./]\d{1,2}[-./]\d{1,4})(?:[ T;,\t\"']+(\d{1,2}:\d{2}(?::\d{2})?(?:\s?[ap]\.?m\.?)?(?:\s?(?:Z|[+-]\d{2}:?\d{2}))?))?"
)


@dataclass
class Frame:
    """Counts of all ``lines`` and of those outside of the block, the events among them, and what the preamble states."""

    lines: int = 0
    final_newline: bool = True
    preamble: int = 0
    blank: int = 0
    comment: int = 0
    header: int = 0
    event: int = 0
    footer: int = 0
    events: list[EventRow] = field(default_factory=list)
    unit: str | None = None
    serial: str | None = None
    zone: str | None = None
    interval_min: tuple[float, ...] = ()
    made: str | None = None  # when the file says that it was made; a date alone means the end of that day
    stated: list[dict[str, Any]] = field(default_factory=list)  # highest and lowest temperatures in words (readers.stated)
    counted: list[dict[str, Any]] = field(default_factory=list)  # how many readings the file says that it holds


def widen(dialect: Dialect, lines: Lines) -> Dialect:
    """The block from the line after its header to the last line that is, or was, one of readings."""
    heads = [i for i in (dialect.header_line, dialect.units_line) if i is not None]
    first = max(heads) + 1 if heads else dialect.first
    last = dialect.last
    for i in range(last + 1, len(lines)):
        text = "" if lines.long(i) else lines[i]
        if not text.strip():
            continue
        if not (_is_reading(dialect, text) or _is_cut(dialect, text)):
            break
        last = i
    return replace(dialect, first=first, last=last)


def _is_reading(dialect: Dialect, text: str) -> bool:
    fields = dialect.fields(text)
    return bool(fields and dialect.moment(fields) is not None and oddlines.event_text(fields, dialect) is None)


def _is_cut(dialect: Dialect, text: str) -> bool:
    """Whether a line begins like the readings do: digits where they have digits, signs where they have signs."""
    shape, ours = re.sub(r"\d", "9", dialect.example.lstrip()), re.sub(r"\d", "9", text.strip("\x00").lstrip())
    length = min(len(ours), 10)
    return length > 0 and shape[:length] == ours[:length] and any(c.isdigit() for c in text)


def around(dialect: Dialect, lines: Lines) -> Frame:
    """Classify every line before and after the block."""
    frame = Frame(len(lines), lines.text.endswith(b"\n"))
    heads = {i for i in (dialect.header_line, dialect.units_line) if i is not None}
    before = ""
    for i in (*range(dialect.first), *range(dialect.last + 1, len(lines))):
        text = "" if lines.long(i) else lines[i]
        if i not in heads and len(frame.stated) < MOST_STATED:
            frame.stated += stated.statements(text, i + 1, before=before)
        if i not in heads and len(frame.counted) < MOST_STATED and (told := stated.count(text, i + 1)) is not None:
            frame.counted.append(told)
        before = text
        if i in heads:
            frame.header += 1
        else:
            _outside(frame, dialect, lines, i)
    _stated(frame, [lines[i] for i in range(min(dialect.first, MAX_PREAMBLE)) if i not in heads and not lines.long(i)])
    frame.made = _made([lines[i] for i in (*range(min(dialect.first, MAX_PREAMBLE)), *range(dialect.last + 1, min(len(lines), dialect.last + MAX_PREAMBLE))) if i not in heads and not lines.long(i)], dialect.order)
    return frame


def _made(texts: list[str], order: str) -> str | None:
    """When a file says that it was downloaded or made, year first; the latest of several and of what a date may mean. None for nothing that is a time.

    Examples
    --------
    >>> _made(["Serial number;TB-1", "Download date: 09.03.2026;09:05"], "ymd")
    '2026-03-09 09:05:00'
    """
    found = []
    for day, clock in ((hit[1], hit[2]) for text in texts for hit in _MADE.finditer(text)):
        orders = ("ymd",) if re.match(r"\d{4}", day) else (order,) if order != "ymd" else ("dmy",) if "." in day else ("dmy", "mdy")
        found += [moment for one in orders if (moment := instants.moment(f"{day} {clock or '23:59:59'}", order=one)) is not None]
    if not found:
        return None
    wall, offset_s = max(found, key=lambda moment: moment[0])
    zone = "" if offset_s is None else "Z" if not offset_s else f"{'-' if offset_s < 0 else '+'}{abs(offset_s) // 3600:02d}:{abs(offset_s) // 60 % 60:02d}"
    return str(np.datetime64(wall, "us").astype("M8[s]")).replace("T", " ") + zone


def _outside(frame: Frame, dialect: Dialect, lines: Lines, i: int) -> None:
    text = "" if lines.long(i) else lines[i]
    if not text.strip(" \t\x00\x1a;,|") and not lines.long(i):
        frame.blank += 1
    elif COMMENT.match(text):
        frame.comment += 1
    elif (told := _event(dialect, text, i)) is not None:
        frame.event += 1
        frame.events.append(told)
    elif i < dialect.first:
        frame.preamble += 1
    else:
        frame.footer += 1


def _event(dialect: Dialect, text: str, i: int) -> EventRow | None:
    """The event that a line outside of the block tells: a time at its start and words after it."""
    for mark in [dialect.separator, *(mark for mark in ("\t", ";", "|", ",") if mark != dialect.separator and mark in text)]:
        fields = split_line(text, mark, dialect.quote) or []
        for start, width in ((0, 2), (0, 1), (1, 2), (1, 1)):
            shown = " ".join(instants.clean(cell) for cell in fields[start : start + width])
            rest = [cell.strip(" \"'") for cell in fields[start + width :] if cell.strip(" \"'")]
            if start and not re.fullmatch(r"\s*\d+\s*", fields[0] if fields else ""):
                continue
            if instants.moment(shown, order=dialect.order) is not None and any(cells.read(cell).status == cells.TEXT for cell in rest):
                told = " ".join(" ".join(rest).split())[:300]
                return {"time": shown, "kind": oddlines.event_kind(told) or "other", "text": told, "line": i + 1}
    return None


def _stated(frame: Frame, texts: list[str]) -> None:
    keyed = {unit for text in texts if (hit := _UNIT_KEY.search(text)) and (unit := cells.unit_of(hit[1]))}
    seen = {unit for text in texts for hit in _UNIT_SEEN.findall(text) if (unit := cells.unit_of(hit))}
    found = keyed or seen
    frame.unit = found.pop() if len(found) == 1 else None
    frame.serial = next((hit[1] for text in texts if (hit := _SERIAL.search(text))), None)
    frame.interval_min = stating.all_min(texts)
    frame.zone = next((" ".join(hit[1].split()) for text in texts if (hit := _ZONE_SEEN.search(text))), None)
