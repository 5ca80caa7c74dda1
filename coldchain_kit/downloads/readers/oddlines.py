"""Lines of the block that are not like the others: read with care, set aside as events, or refused with a reason."""

from __future__ import annotations

import datetime as dt
import re
from functools import lru_cache

from coldchain_kit.downloads.readers import cells, instants, labels
from coldchain_kit.downloads.readers.block import BLANK, COMMENTED, EVENT, HEADER, NO_TIME, REJECT, ROW, Block
from coldchain_kit.downloads.readers.dialect import COMMENT, Dialect, Lines
from coldchain_kit.model import EventRow

CUT = "the line is cut short"
QUIET = frozenset({"", "ok", "normal", "good", "none", "0", "1", "-", "--", "no", "yes", "valid", "n", "y", "null", "false", "true", "nan", "na", "n/a"})
_SENSOR = re.compile(r"(?i)sensor|probe|fühler|sonde|sonda|capteur|error|fehler|erreur|erro\b|open circuit|short circuit|disconnect|missing|no data")
_EVENTS = (
    ("door", r"door|tür|porte\b|puerta|porta\b"), ("power", r"power|mains|netz|strom|secteur|corriente|energia|energía|stromausfall|outage"), ("battery", r"batt|akku|bateria|batería|pile\b"),
    ("alarm", r"alarm|alerte|alerta|limit exceed|above limit|below limit"), ("settings", r"setting|config|einstell|réglage|ajuste|interval|clock set|time set|uhr gestellt"),
    ("start", r"\bstart|begin|démarr|inicio|início|gestartet"), ("stop", r"\bstop|\bend\b|ende\b|fin\b|fim\b|arrêt|parada|gestoppt"),
    ("download", r"download|read ?out|ausgelesen|télécharg|descarga|transfer"), ("mark", r"\bmark|button|taste\b|bouton|botón|botão|acknowledg|quittiert|reset"),
)  # fmt: skip
_EVENTS_RE = tuple((kind, re.compile(pattern, re.I)) for kind, pattern in _EVENTS)


@lru_cache(maxsize=10_000)
def event_kind(text: str) -> str | None:
    """What an event's text is about (door, power, battery, alarm, settings, start, stop, download, mark), or None.

    Examples
    --------
    >>> event_kind("High alarm acknowledged"), event_kind("Netz aus"), event_kind("4.6")
    ('alarm', 'power', None)
    """
    return next((kind for kind, pattern in _EVENTS_RE if pattern.search(text)), None)


def read(block: Block, lines: Lines, i: int) -> None:
    """Decide what line index ``i`` of the block is and store it."""
    dialect, at = block.dialect, block.first + i
    block.time_us[i], block.zoned[i] = NO_TIME, False
    if lines.long(at):
        _reject(block, i, "the line is longer than 65,536 characters")
        return
    text = lines[at]
    if not text.strip(" \t\r\x1a\x00\"'" + dialect.separator):
        block.kind[i] = BLANK
        return
    fields = dialect.fields(text)
    moment = dialect.moment(fields) if fields and _whole_time(dialect, fields) else None
    if fields is None or moment is None:
        _untimed(block, lines, i, text, quotes_open=fields is None)
        return
    last = at == len(lines) - 1 and not lines.text.endswith(b"\n")
    _timed(block, i, fields, moment, last=last)


def _whole_time(dialect: Dialect, fields: list[str]) -> bool:
    """Whether the time of a line is all there: one at a line's end must look like the others, and only a full line may leave midnight out."""
    shown = dialect.shown(fields)
    if len(fields) == max(dialect.time_at) + 1 < dialect.width:
        example = dialect.fields(dialect.example)
        return example is not None and _shape(shown) == _shape(dialect.shown(example))
    parts = instants.split(shown) if dialect.clocked else None
    return parts is None or bool(parts[1]) or len(fields) >= dialect.width


def _shape(text: str) -> str:
    return re.sub(r"\d", "9", re.sub(r"(?<!\d)\d(?!\d)", "99", text))


def _untimed(block: Block, lines: Lines, i: int, text: str, *, quotes_open: bool) -> None:
    header = block.dialect.header_line
    if COMMENT.match(text):
        block.kind[i] = COMMENTED
    elif header is not None and text.strip() == lines[header].strip():
        block.kind[i] = HEADER
        block.headers.append((i, True))
    else:
        if header is not None and not quotes_open and _names_columns(text, block.dialect):
            block.headers.append((i, False))
        _reject(block, i, "the quotes do not close" if quotes_open else "no time can be read in it")


def _names_columns(text: str, dialect: Dialect) -> bool:
    """Whether a line without a time heads another table: it names a time, and holds no number."""
    fields = [cell.strip(" \"'") for cell in dialect.fields(text) or [] if cell.strip(" \"'")]
    return len(fields) >= 2 and any(labels.is_time(cell) for cell in fields[:3]) and all(cells.read(cell).status == cells.TEXT for cell in fields)


def _reject(block: Block, i: int, reason: str) -> None:
    block.kind[i] = REJECT
    block.rejects.append((i, reason))


def event_text(fields: list[str], dialect: Dialect) -> str | None:
    """Text of the event that a line with a time tells, or None where it is a reading.

    A line with a number is a reading, unless a whole sentence about an event stands where a number belongs.
    """
    found = {at: cells.read(fields[at], decimal=dialect.decimal) for at in dialect.value_at if at < len(fields)}
    number = any(cell.status == cells.NUMBER for cell in found.values())
    stray = [fields[at].strip() for at, cell in found.items() if cell.status == cells.TEXT]
    beyond = [cell.strip() for cell in fields[dialect.width :] if cell.strip()]
    noted = [text for at in dialect.text_at if at < len(fields) and _tells(text := fields[at].strip(" \"'"), dialect.names[at])]
    about = [text for text in stray if tells(text)]
    if number:
        return " ".join(about) if any(" " in text for text in about) else None
    if about or (noted and all(cell.status == cells.EMPTY for cell in found.values())):
        return " ".join((*stray, *noted, *beyond))
    if len(fields) != dialect.width and (stray or beyond) and not any(_SENSOR.search(text) for text in stray):
        return " ".join((*stray, *noted, *beyond))
    return None


def _tells(text: str, header: str) -> bool:
    return text.lower() not in QUIET and (labels.is_event(header) or event_kind(text) is not None)


@lru_cache(maxsize=10_000)
def tells(text: str) -> bool:
    """Whether a text where a number belongs tells an event, not the state of a sensor."""
    return event_kind(text) is not None and not _SENSOR.search(text)


def event(fields: list[str], dialect: Dialect, text: str, line: int) -> EventRow:
    """An event row: time as shown, kind, text, 1-based line."""
    shown = dialect.shown(fields)
    if dialect.numeric_time and (moment := dialect.moment(fields)):
        shown = dt.datetime.fromtimestamp(moment[0] / 1e6, dt.UTC).strftime("%Y-%m-%d %H:%M:%S") + "Z" * (moment[1] is not None)
    return {"time": shown, "kind": event_kind(text) or "other", "text": " ".join(text.strip(" \"'").split())[:300], "line": line}


def _timed(block: Block, i: int, fields: list[str], moment: tuple[int, int | None], *, last: bool) -> None:
    dialect = block.dialect
    told = event_text(fields, dialect)
    if told is not None:
        block.kind[i] = EVENT
        block.events.append(event(fields, dialect, told, block.first + i + 1))
        return
    if any(cell.strip() for cell in fields[dialect.width :]):
        _reject(block, i, f"it has {len(fields)} fields where the others have {dialect.width}")
        return
    block.kind[i] = ROW
    block.time_us[i], block.zoned[i] = moment[0] - 1_000_000 * (moment[1] or 0), moment[1] is not None
    for at in dialect.text_at:
        block.texts[at][i] = block.code(" ".join(fields[at].strip(" \"'").split())) if at < len(fields) else 0
    ends_early = len(fields) < dialect.width
    for at in dialect.value_at:
        _cell(block, i, at, fields, doubtful=at == len(fields) - 1 and (ends_early or last), certain=not ends_early)


def _cell(block: Block, i: int, at: int, fields: list[str], *, doubtful: bool, certain: bool) -> None:
    """One cell; the last one of a line that may be cut counts only with all its decimals."""
    if at >= len(fields):
        block.values[at][i] = float("nan")
        block.without_value(i, at, CUT)
        return
    cell = cells.read(fields[at], decimal=block.dialect.decimal)
    places = block.dialect.places.get(at)
    whole = cells.decimals(fields[at]) == places if places else certain
    if cell.status == cells.NUMBER and doubtful and not whole:
        cell = cells.Cell(float("nan"), 0, None, cells.TEXT)
        block.put(at, i, cell)
        block.without_value(i, at, f"{fields[at].strip()} ({CUT})")
        return
    block.put(at, i, cell, fields[at])
    if cell.status != cells.NUMBER:
        block.without_value(i, at, fields[at].strip())
    else:
        block.unread.pop((i, at), None)
