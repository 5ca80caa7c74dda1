"""Write a random trace in many layouts, with the truth beside it (nothing here uses the kit)."""

from __future__ import annotations

import gzip
import io
import random
import zipfile
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal

MONTHS = {
    "en": ["January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December"],
    "de": ["Januar", "Februar", "März", "April", "Mai", "Juni", "Juli", "August", "September", "Oktober", "November", "Dezember"],
    "fr": ["janvier", "février", "mars", "avril", "mai", "juin", "juillet", "août", "septembre", "octobre", "novembre", "décembre"],
    "es": ["enero", "febrero", "marzo", "abril", "mayo", "junio", "julio", "agosto", "septiembre", "octubre", "noviembre", "diciembre"],
    "pt": ["janeiro", "fevereiro", "março", "abril", "maio", "junho", "julho", "agosto", "setembro", "outubro", "novembro", "dezembro"],
}


@dataclass(frozen=True)
class Content:
    """Readings as decimal texts in the unit to be written; None where there is no value."""

    times: list[datetime]
    probes: dict[str, list[str | None]]
    humidity: list[str] | None = None


@dataclass(frozen=True)
class Layout:
    """One way to write a download. ``time`` is a strftime pattern or one of the words below in :func:`shown_time`."""

    name: str
    separator: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    bom: bytes = b""
    line_end: str = "\n"
    final_line_end: bool = True
    preamble: tuple[str, ...] = ()
    header: str | None = "time"
    probe_header: str = "{} (°C)"
    blank_header_line: bool = False
    units_row: bool = False
    time: str = "%Y-%m-%d %H:%M:%S"
    apart: bool = False
    offset_h: int | None = None
    utc: bool = False
    unit: str = "C"
    cell: str = "{}"
    quote: str = ""
    newest_first: bool = False
    index: bool = False
    long: bool = False
    humidity: bool = False
    no_value: str = "---"
    blank_every: int = 0
    comment: str = ""
    events: tuple[str, ...] = ()
    footer: tuple[str, ...] = ()
    wrap: str = ""


def content(seed: int, *, rows: int = 60, minutes: int = 5, start: datetime = datetime(2026, 2, 27, 22, 10), probes: tuple[str, ...] = ("Oben", "Unten"), gaps: bool = False) -> Content:
    """A random trace that starts before a month's end and crosses midnight."""
    rng = random.Random(seed)
    times, now = [], start
    for _ in range(rows):
        times.append(now)
        now += timedelta(minutes=minutes * (1 if not gaps or rng.random() > 0.05 else rng.randint(2, 300)))
    values = {name: [f"{rng.uniform(-28, 12):.1f}" for _ in times] for name in probes}
    if gaps:
        for series in values.values():
            for i in range(1, rows - 1):
                if rng.random() < 0.1:
                    series[i] = None
    return Content(times, values, [f"{rng.uniform(30, 90):.1f}" for _ in times])


def shown_time(moment: datetime, layout: Layout) -> str:
    """The text of an instant in a layout's own way."""
    pattern = layout.time
    if pattern == "epoch_s":
        return str(int(moment.replace(tzinfo=UTC).timestamp()))
    if pattern == "epoch_ms":
        return str(int(moment.replace(tzinfo=UTC).timestamp()) * 1000)
    if pattern == "day_number":
        days = Decimal(int((moment - datetime(1899, 12, 30)).total_seconds())) / Decimal(86400)
        return f"{days:.10f}".replace(".", layout.decimal)
    if pattern.startswith("month:"):
        _, language, order = pattern.split(":")
        word = MONTHS[language][moment.month - 1]
        return order.format(d=moment.day, dd=f"{moment.day:02d}", m=word, mmm=word[:3] if language != "fr" else word, y=moment.year, t=f"{moment:%H:%M}")
    text = moment.strftime(pattern)
    if "{half}" in text:
        text = text.replace("{half}", "a.m." if moment.hour < 12 else "p.m.")
    if layout.offset_h is not None:
        text += moment.replace(tzinfo=timezone(timedelta(hours=layout.offset_h))).strftime("%z")
    return text


def celsius(text: str | None, unit: str) -> float | None:
    """°C of a decimal text, by exact arithmetic."""
    if text is None:
        return None
    value = Decimal(text)
    value = (value - 32) * 5 / 9 if unit == "F" else value - Decimal("273.15") if unit == "K" else value
    return float(round(value, 6))


def in_unit(original: Content, unit: str) -> Content:
    """The same trace with its texts in another unit, one decimal."""
    if unit == "C":
        return original
    turn = {"F": lambda v: Decimal(v) * 9 / 5 + 32, "K": lambda v: Decimal(v) + Decimal("273.15")}[unit]
    return replace(original, probes={name: [None if v is None else f"{turn(v):.1f}" for v in series] for name, series in original.probes.items()})


def write(trace: Content, layout: Layout) -> tuple[bytes, dict]:
    """Bytes of the download and its truth: times, °C by probe, number of rows."""
    trace = in_unit(trace, layout.unit)
    lines = [*layout.preamble]
    body = _long_rows(trace, layout) if layout.long else _wide_rows(trace, layout)
    if layout.newest_first:
        body = body[::-1]
    if layout.blank_header_line:
        lines.append("")
    if layout.header is not None:
        lines.append(layout.separator.join(_header(trace, layout)))
    if layout.units_row:
        lines.append(layout.separator.join(["", *[f"°{layout.unit}" for _ in trace.probes]]))
    for i, row in enumerate(body):
        lines.append(row)
        if layout.blank_every and i % layout.blank_every == 0:
            lines.append("")
        if layout.comment and i == 7:
            lines.append(layout.comment)
        if layout.events and i % 20 == 10:
            lines.append(layout.events[i // 20 % len(layout.events)].format(t=shown_time(trace.times[i if not layout.newest_first else -1 - i], layout)))
    lines.extend(layout.footer)
    text = layout.line_end.join(lines) + (layout.line_end if layout.final_line_end else "")
    return _wrapped(layout.bom + text.encode(layout.encoding), layout), _truth(trace, layout, len(body))


def _header(trace: Content, layout: Layout) -> list[str]:
    named = (["Sensor", "Value (°C)"] if layout.long else [layout.probe_header.format(name) for name in trace.probes]) + (["Humidity (%RH)"] if layout.humidity else [])
    time = layout.header.split("|") if layout.apart else [layout.header]
    row = (["#"] if layout.index else []) + time + named
    return [f"{layout.quote}{cell}{layout.quote}" for cell in row]


def _cells(moment: datetime, values: list[str | None], layout: Layout, number: int) -> list[str]:
    shown = shown_time(moment, layout)
    time = shown.split(" ", 1) if layout.apart else [shown]
    cells = [layout.no_value if v is None else layout.cell.format(v.replace(".", layout.decimal)) for v in values]
    row = ([str(number)] if layout.index else []) + time + cells
    return [f"{layout.quote}{cell}{layout.quote}" for cell in row]


def _wide_rows(trace: Content, layout: Layout) -> list[str]:
    rows = []
    for i, moment in enumerate(trace.times):
        row = _cells(moment, [series[i] for series in trace.probes.values()], layout, i + 1)
        if layout.humidity:
            row.append(trace.humidity[i].replace(".", layout.decimal))
        rows.append(layout.separator.join(row))
    return rows


def _long_rows(trace: Content, layout: Layout) -> list[str]:
    rows = []
    for i, moment in enumerate(trace.times):
        for name, series in trace.probes.items():
            shown, value = _cells(moment, [series[i]], replace(layout, index=False, apart=False), 0)
            rows.append(layout.separator.join([shown, f"{layout.quote}{name}{layout.quote}", value]))
    return rows


def _truth(trace: Content, layout: Layout, rows: int) -> dict:
    shift = timedelta(hours=layout.offset_h or 0)
    return {
        "times": [moment - shift for moment in trace.times], "kind": "utc" if layout.utc or layout.offset_h is not None else "wall", "rows": rows,
        "probes": {name: [celsius(v, layout.unit) for v in series] for name, series in trace.probes.items()}, "events": sum(1 for i in range(rows) if layout.events and i % 20 == 10),
    }  # fmt: skip


def _wrapped(data: bytes, layout: Layout) -> bytes:
    if layout.wrap == "gz":
        return gzip.compress(data, mtime=0)
    if layout.wrap == "zip":
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr(zipfile.ZipInfo("export/F2.csv", (2026, 1, 1, 0, 0, 0)), data)
        return out.getvalue()
    return data


PREAMBLE = ("Tern Bay Health Centre", "Serial number: TB-00417", "Interval;5 min", "High alarm;8", "")
EVENTS = ("{t};Door opened;;", "{t};High alarm acknowledged;;")

_ISO = Layout("iso")
LAYOUTS = (
    _ISO,
    replace(_ISO, name="iso T", time="%Y-%m-%dT%H:%M:%S"),
    replace(_ISO, name="iso Z", time="%Y-%m-%dT%H:%M:%SZ", utc=True),
    replace(_ISO, name="iso offset", time="%Y-%m-%dT%H:%M:%S", offset_h=1),
    replace(_ISO, name="iso offset west", time="%Y-%m-%d %H:%M:%S", offset_h=-5),
    replace(_ISO, name="iso no seconds", time="%Y-%m-%d %H:%M"),
    replace(_ISO, name="iso fraction", time="%Y-%m-%d %H:%M:%S.000"),
    replace(_ISO, name="year first slashes", time="%Y/%m/%d %H:%M"),
    replace(_ISO, name="year first dots", time="%Y.%m.%d %H:%M:%S"),
    replace(_ISO, name="compact", time="%Y%m%d %H:%M:%S"),
    replace(_ISO, name="compact both", time="%Y%m%dT%H%M%S"),
    replace(_ISO, name="year first two digits", time="%y-%m-%dT%H:%M:%S"),
    replace(_ISO, name="day first dots", time="%d.%m.%Y %H:%M", separator=";", decimal=","),
    replace(_ISO, name="day first slashes", time="%d/%m/%Y %H:%M:%S", separator=";", decimal=","),
    replace(_ISO, name="day first dashes", time="%d-%m-%Y %H:%M"),
    replace(_ISO, name="day first two-digit years", time="%d.%m.%y %H:%M", separator=";", decimal=","),
    replace(_ISO, name="day first no padding", time="%-d/%-m/%Y %-H:%M", separator="\t"),
    replace(_ISO, name="month first", time="%m/%d/%Y %H:%M"),
    replace(_ISO, name="month first no padding", time="%-m/%-d/%Y %-H:%M"),
    replace(_ISO, name="month first two-digit years", time="%m/%d/%y %H:%M"),
    replace(_ISO, name="12 h", time="%m/%d/%Y %I:%M %p"),
    replace(_ISO, name="12 h seconds", time="%d/%m/%Y %I:%M:%S %p", separator=";", decimal=","),
    replace(_ISO, name="12 h no padding", time="%-m/%-d/%Y %-I:%M %p"),
    replace(_ISO, name="12 h lower case close", time="%m/%d/%Y %I:%M{half}"),
    replace(_ISO, name="12 h dotted", time="%d/%m/%Y %I:%M {half}"),
    replace(_ISO, name="date and time apart", time="%d.%m.%Y %H:%M", apart=True, header="Datum|Uhrzeit", separator=";", decimal=","),
    replace(_ISO, name="date and 12 h apart", time="%m/%d/%Y %I:%M:%S %p", apart=True, header="Date|Time"),
    replace(_ISO, name="date and time apart, tabs", time="%Y-%m-%d %H:%M:%S", apart=True, header="date|time", separator="\t"),
    replace(_ISO, name="clock dots", time="%d.%m.%Y %H.%M", separator=";", decimal=","),
    replace(_ISO, name="french clock", time="%d/%m/%Y %Hh%M", separator=";", decimal=",", header="Date et heure"),
    *(replace(_ISO, name=f"month name {code}", time=f"month:{code}:{{dd}} {{m}} {{y}} {{t}}", separator=";", header="time") for code in MONTHS),
    replace(_ISO, name="month name short dashes", time="month:en:{dd}-{mmm}-{y} {t}"),
    replace(_ISO, name="month first named", time="month:en:{m} {d}, {y} {t}", separator=";"),
    replace(_ISO, name="spanish de", time="month:es:{d} de {m} de {y} {t}", separator=";"),
    replace(_ISO, name="german point", time="month:de:{d}. {m} {y} {t}", separator=";", decimal=",", header="Zeitpunkt"),
    replace(_ISO, name="epoch s", time="epoch_s", utc=True),
    replace(_ISO, name="epoch ms", time="epoch_ms", utc=True, header="timestamp"),
    replace(_ISO, name="day number", time="day_number", header="Time"),
    replace(_ISO, name="day number comma", time="day_number", header="Zeit", separator=";", decimal=","),
    replace(_ISO, name="bar", separator="|"),
    replace(_ISO, name="blanks", separator="   ", probe_header="{}_degC"),
    replace(_ISO, name="blanks headerless", separator=" ", header=None),
    replace(_ISO, name="semicolon point", separator=";"),
    replace(_ISO, name="tab comma", separator="\t", decimal=","),
    replace(_ISO, name="quoted", quote='"'),
    replace(_ISO, name="quoted decimal comma", quote='"', decimal=","),
    replace(_ISO, name="single quotes", quote="'"),
    replace(_ISO, name="BOM", bom=b"\xef\xbb\xbf"),
    replace(_ISO, name="UTF-16 LE", encoding="utf-16-le", bom=b"\xff\xfe"),
    replace(_ISO, name="UTF-16 BE", encoding="utf-16-be", bom=b"\xfe\xff"),
    replace(_ISO, name="UTF-16 LE no mark", encoding="utf-16-le"),
    replace(_ISO, name="cp1252", encoding="cp1252", separator=";", decimal=",", probe_header="Fühler {} [°C]"),
    replace(_ISO, name="CRLF", line_end="\r\n"),
    replace(_ISO, name="CR", line_end="\r"),
    replace(_ISO, name="no final line end", final_line_end=False),
    replace(_ISO, name="preamble", preamble=PREAMBLE, separator=";"),
    replace(_ISO, name="long preamble", preamble=tuple(f"note {i}: nothing to see" for i in range(3000)), separator=";"),
    replace(_ISO, name="preamble and blank line", preamble=PREAMBLE, blank_header_line=True, separator=";", decimal=",", time="%d.%m.%Y %H:%M:%S"),
    replace(_ISO, name="comment preamble", preamble=("# logger TB-00417", "# unit: degC"), probe_header="{}"),
    replace(_ISO, name="units row", units_row=True, probe_header="{}", separator=";"),
    replace(_ISO, name="blank lines", blank_every=3),
    replace(_ISO, name="comment inside", comment="# battery changed"),
    replace(_ISO, name="footer", footer=("", "End of file", "Minimum;-28", "Signature;________"), separator=";"),
    replace(_ISO, name="events between", events=EVENTS, separator=";"),
    replace(_ISO, name="index column", index=True, separator=";"),
    replace(_ISO, name="newest first", newest_first=True),
    replace(_ISO, name="newest first day first", newest_first=True, time="%d/%m/%Y %H:%M", separator=";"),
    replace(_ISO, name="degF header", unit="F", probe_header="{} (°F)"),
    replace(_ISO, name="degF preamble", unit="F", probe_header="{}", preamble=("Temperature unit: °F",)),
    replace(_ISO, name="degF cells", unit="F", probe_header="{}", cell="{} °F"),
    replace(_ISO, name="kelvin", unit="K", probe_header="{} (K)"),
    replace(_ISO, name="cells with unit", cell="{} °C", probe_header="{}", separator=";", decimal=","),
    replace(_ISO, name="cells with unit close", cell="{}°C", probe_header="Channel {}"),
    replace(_ISO, name="long", long=True),
    replace(_ISO, name="long semicolon", long=True, separator=";", decimal=",", time="%d.%m.%Y %H:%M:%S"),
    replace(_ISO, name="long quoted newest first", long=True, quote='"', newest_first=True),
    replace(_ISO, name="humidity", humidity=True),
    replace(_ISO, name="no value empty", no_value=""),
    replace(_ISO, name="no value placeholder", no_value="-999.9"),
    replace(_ISO, name="no value words", no_value="OPEN"),
    replace(_ISO, name="headerless", header=None),
    replace(_ISO, name="gzip", wrap="gz"),
    replace(_ISO, name="zip", wrap="zip"),
)
