"""A download's layout in plain words, and the lines of TOML that pin it."""

from __future__ import annotations

from collections import Counter

from coldchain_kit.downloads.readers.download import Column, Download

_MARKS = {"tab": "tabs", "semicolon": "semicolons", "comma": "commas", "bar": "bars", "blanks": "blanks"}
_ORDER_FROM = {
    "stated": "the year stands first or the month is written", "alike": "day and month are the same number", "values": "some days are over 12", "cadence": "only so the readings follow each other evenly",
    "monotony": "only so the times run one way", "pinned": "the register says so",
}  # fmt: skip
_ORDERS = {"dmy": "day, month, year", "mdy": "month, day, year", "ymd": "year, month, day"}
_UNIT_FROM = {"cell": "by the cells", "header": "by the header", "preamble": "by the lines above", "register": "by the register", "assumed": "assumed: the file does not say"}


def describe(download: Download) -> str:
    """One plain paragraph: the layout as understood, probes, span, interval, refused rows.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> from coldchain_kit import downloads
    >>> file = pathlib.Path(tempfile.mkdtemp()) / "F2.csv"
    >>> _ = file.write_text("Zeit;Oben (°C)\\n13.03.2026 00:00;4,6\\n13.03.2026 00:05;4,7\\n", encoding="utf-8")
    >>> describe(downloads.read(file)[0]).split(". ")[1]
    "Times stand in 'Zeit' as DD.MM.YYYY hh:mm, read as day, month, year because some days are over 12; the file states no offset from UTC"
    """
    layout, source = download.source.layout, download.source
    head = "no header" if layout["header_line"] is None else f"the header is line {layout['header_line']}"
    parts = [
        f"{source.file}: text in {layout['encoding']}, {_MARKS[layout['separator']]} between the columns, {'comma' if layout['decimal'] == ',' else 'point'} as decimal mark; {head}.",
        _times(download), _columns(download), _span(download), _counts(layout),
        f"{source.rows} row{'s' if source.rows != 1 else ''} of readings: {source.read} read, {source.rejected} refused.",
    ]  # fmt: skip
    if source.rejects:
        parts.append("Refused: " + "; ".join(f"line {line}, {reason}" for line, reason in source.rejects[:3]) + ("; and more." if source.rejected > 3 else "."))
    return " ".join(part for part in parts if part)


def _times(download: Download) -> str:
    layout = download.source.layout
    text = f"Times stand in {' and '.join(repr(name) for name in layout['time_columns'])} as {layout['time_format']}"
    if layout["date_order"]:
        text += f", read as {_ORDERS[layout['date_order']]} because {_ORDER_FROM[layout['date_order_from']]}"
    return text + ("; they are UTC by the file." if download.time_kind == "utc" else "; the file states no offset from UTC.")


def _columns(download: Download) -> str:
    temperatures = [c for c in download.columns if c.kind == "temperature"]
    text = f"Temperatures: {', '.join(_temperature(c) for c in temperatures)}."
    others = [f"{c.label} ({c.kind})" for c in download.columns if c.kind not in ("temperature", "other")]
    unused = Counter(c.kind for c in download.columns)["other"]
    text += f" Other channels: {', '.join(others)}." if others else ""
    return text + (f" {unused} other column{'s' if unused > 1 else ''} not used." if unused else "")


def _temperature(column: Column) -> str:
    unit = "K" if column.unit == "K" else f"°{column.unit}"
    return f"{column.label} ({unit}, {_UNIT_FROM[column.unit_from or 'assumed']})"


def _span(download: Download) -> str:
    source = download.source
    every = f", one every {source.interval_min:g} min" if source.interval_min else ""
    order = ", newest first" if source.layout["newest_first"] else ""
    zone = " UTC" if download.time_kind == "utc" else " as shown"
    return f"From {source.first:%Y-%m-%d %H:%M:%S} to {source.last:%Y-%m-%d %H:%M:%S}{zone}{every}{order}."


def _counts(layout: dict) -> str:
    names = {"preamble_lines": "above the header", "comment_lines": "of comment", "event_lines": "of the logger's events", "blank_lines": "blank", "footer_lines": "below the readings"}
    counted = [f"{layout[key]} {words}" for key, words in names.items() if layout[key]]
    return f"Other lines: {', '.join(counted)}." if counted else ""


def toml_lines(download: Download) -> list[str]:
    """Lines for a unit in site.toml that pin what was worked out; put the unit's name in place of X.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> from coldchain_kit import downloads
    >>> file = pathlib.Path(tempfile.mkdtemp()) / "F2.csv"
    >>> _ = file.write_text("Zeit;Oben (°C)\\n13.03.2026 00:00;4,6\\n13.03.2026 00:05;4,7\\n", encoding="utf-8")
    >>> print(*toml_lines(downloads.read(file)[0]), sep="\\n")
    [units.X.logger]
    temperature_unit = "C"
    date_order = "dmy"
    # interval_min = …  # from the logger's own settings
    <BLANKLINE>
    [units.X.probes."Oben"]
    column = "Oben (°C)"
    """
    layout = download.source.layout
    temperatures = [c for c in download.columns if c.kind == "temperature"]
    lines = ["[units.X.logger]"]
    if download.serial:
        lines.append(f"serial = {_quoted(download.serial)}")
    units = {c.unit for c in temperatures}
    if len(units) == 1:
        lines.append(f'temperature_unit = "{units.pop()}"')
    if layout["date_order"]:
        lines.append(f'date_order = "{layout["date_order"]}"')
    if download.interval_min:
        stated = [f"{one:g}" for one in download.interval_min]
        lines.append(f"interval_min = {stated[0] if len(stated) == 1 else '[' + ', '.join(stated) + ']'}")
    elif download.source.interval_min:
        lines.append(f"# interval_min = {download.source.interval_min:g}  # kept by these readings; take it from the logger's own settings")
    else:
        lines.append("# interval_min = …  # from the logger's own settings")
    for column in temperatures:
        lines += ["", f"[units.X.probes.{_quoted(column.label)}]", f"column = {_quoted(column.header)}"]
    return lines


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in escaped) + '"'
