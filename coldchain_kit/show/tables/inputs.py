"""What we were given: the case, the storage conditions, the devices, the files."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from coldchain_kit.model import Condition
from coldchain_kit.register import Certificate, Logger, UnitEntry
from coldchain_kit.show import wording
from coldchain_kit.show.tables.table import Table, Tables, capped, facts

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment

MOST_ROWS = 40  # a longer list is cut on the page and whole in the record's CSV tables


def identification(assessment: Assessment) -> Table:
    """Which case, which units, which window; when and by whom it was found stands in the form."""
    case, site = assessment.case, assessment.site
    zone, month = site.timezone, case.path == site.path
    units = [f"{name} ({wording.word(site.units[name].kind)}: {site.units[name].description})" for name in case.units]
    rows = [
        ("Month" if month else "Case", case.id),
        ("Title", case.title),
        ("Site", site.name),
        *([("Address", site.extra["address"])] if site.extra.get("address") else []),
        ("Units", units),
    ]
    rows += [
        ("Window, start (included)", wording.when(assessment.window.start, zone)),
        ("Window, end (not included)" if case.end is not None else "Window, end", wording.when(assessment.window.end, zone)),
    ]
    if not month:
        rows.append(("Window set by", "the case file" if case.start is not None or case.end is not None else "the first and the last reading"))
    rows += [("Times on this page", f"{zone}, each with its offset from UTC"), ("Temperatures on this page", "°C, unless another unit stands beside them")]
    return facts("The month" if month else "The case", rows)


def conditions(assessment: Assessment) -> Tables:
    """The storage condition of each unit with the document and edition that each limit comes from."""
    return Tables(_condition(name, assessment.site.units[name].condition) for name in assessment.case.units)


def own_document(condition: Condition) -> list[tuple[str, str]]:
    """The site's own label or procedure by name, document and edition, or that it is asked for."""
    asked = f"NOT NAMED: enter the label or procedure that these limits are taken from, with its edition, under [conditions.{condition.id}] in the register (document, edition)"
    if condition.status:  # built in
        asked = "NOT NAMED: these are the kit's own limits, not your label. Enter the label's or your procedure's under [conditions.NAME] in the register (low_c, high_c, document, edition)"
    return [("Label or procedure", f"{condition.document}, {condition.edition or 'edition not stated'}" if condition.document else asked)]


def _condition(unit: str, condition: Condition) -> Table:
    low, high = (f"{value:g} °{condition.unit}" if value is not None else "none" for value in (condition.low, condition.high))
    inside = "the limit itself is outside" if condition.high_exclusive else "the limit itself is inside"
    rows = [
        ("Storage condition", condition.title),
        ("Low limit", f"{low}, the limit itself is inside" if condition.low is not None else low),
        ("High limit", f"{high}, {inside}" if condition.high is not None else high),
    ]
    if condition.unit == "F":
        rows.append(("The same in °C", f"{wording.celsius(condition.limit_c('below'))} to {wording.celsius(condition.limit_c('above'))} (judged in °F)"))
    rows.append(("Possible freezing", f"where a probe's lowest reading less its uncertainty lies {condition.freezing_rule()}, for any time, in stock that must not freeze"))
    if condition.mkt:
        rows.append(("MKT rule", f"at most {wording.celsius(condition.mkt.limit_c)} over {condition.mkt.window_hours:g} h ({condition.mkt.source or 'source not stated'})"))
    rows += own_document(condition)
    rows += [("Source", condition.source or "not stated in the register"), ("How the source was seen", _SEEN.get(condition.status, "given by the site"))]
    rows += [("Note", note) for note in condition.notes]
    return facts(f"Storage condition of unit {unit}", rows, notes=("Editions differ. The label and the manufacturer decide.",))


_SEEN = {"READ": "read in the document itself", "READ-2": "not in the document itself: read in a text that quotes it", "MEMORY": "no text was read, from memory: check it against the document"}


def devices(assessment: Assessment) -> Tables:
    """Loggers as set, and probes with their certificates, as the register has them."""
    views = {name: assessment.site.units[name].each_logger() for name in assessment.case.units}
    return Tables(table for name in views for table in (*(_logger(assessment, name, *one) for one in views[name].items()), _probes(assessment, name)))


def _logger(assessment: Any, unit: str, named: str | None, view: UnitEntry) -> Table:
    site, logger = assessment.site, view.logger
    alarm = logger.alarm
    limits = f"{wording.celsius(alarm.low_c)} to {wording.celsius(alarm.high_c)}, delay {wording.minutes(alarm.delay_min)}" if alarm else None
    rows = [
        ("Serial number", logger.serial), ("Model", logger.model), ("Interval set", " or ".join(map(wording.minutes, logger.interval_min)) or wording.NOT_KNOWN), ("Clock", _clock(logger, site.timezone)),
        ("Unit of measure", logger.temperature_unit and f"°{logger.temperature_unit}"), ("Alarm", None if not alarm or alarm.enabled is None else "on" if alarm.enabled else "off"), ("Alarm limits", limits),
    ]  # fmt: skip
    rows += [row for row in _manual(logger) if row[1]]
    for since, _ in view.settings:
        rows.append(("Settings changed", wording.when(site.instant(since), site.timezone)))
    return facts(f"Logger {named} of unit {unit}, from the register" if named else f"Logger of unit {unit}, from the register", rows)


def _manual(logger: Logger) -> list[tuple[str, str | None]]:
    """What the register has from the logger's manual: how long it keeps readings, and how long it runs in a power cut."""
    full = {"stop": "stops when full", "overwrite": "overwrites the oldest when full"}.get(logger.when_full or "")
    held = None if logger.memory_readings is None else f"{wording.count(logger.memory_readings)} readings"
    return [
        ("Memory", ", ".join(filter(None, (held, full)))),
        ("Runs without mains power for", None if logger.backup_hours is None else wording.hours(logger.backup_hours)),
    ]


def _clock(logger: Logger, zone: str) -> str | None:
    """How the register says that the logger's clock runs, in words."""
    if not logger.clock:
        return None
    told = {"local": f"follows {zone}", "utc": "shows UTC", "as_set": "keeps the offset of the day it was set"}.get(logger.clock, f"keeps the offset {logger.clock}")
    return f"{told}, set on {logger.set_on}" if logger.set_on else told


def _probes(assessment: Assessment, unit: str) -> Table:
    entry, rows = assessment.site.units[unit], []
    for name, trace in assessment.units[unit].traces.items():
        held = entry.probes.get(name)
        last = held.certificates[-1] if held and held.certificates else None
        probe = trace.probe
        rows.append(
            (
                name,
                probe.column or name,
                wording.word(probe.role),
                "yes" if probe.decides else "no",
                held.place if held else None,
                wording.minutes(probe.time_constant_min),
                *_certificate(last),
            )
        )
    columns = ("Probe", "Column in the download", "Role", "Decides on the product", "Place", "Time constant", "Certificate", "Date", "Due", "Expanded uncertainty", "Points of the certificate: reference, reading")
    unregistered = [name for name, trace in assessment.units[unit].traces.items() if not trace.probe.registered]
    notes = (f"Not registered, kept and reported: {wording.several(unregistered)}.",) if unregistered else ()
    return Table(f"Probes of unit {unit}", columns, tuple(rows), notes, "No temperature column was found.")


def _certificate(held: Certificate | None) -> tuple[object, ...]:
    if held is None:
        return ("none in the register", None, None, None, "none")
    u = f"{wording.celsius(held.expanded_uncertainty_c)} (k = {held.coverage:g})" if held.expanded_uncertainty_c else None
    number = f"{held.number or wording.NOT_KNOWN} ({held.laboratory})" if held.laboratory else held.number
    points = [f"{wording.celsius(true)} read as {wording.celsius(read)}" for true, read in held.points]
    return (number, held.date, held.due, u, points or "none stated: readings stand uncorrected")


def sources(assessment: Assessment) -> Table:
    """Every file with its rows, span and hash; rows = read + refused."""
    zone = assessment.site.timezone
    rows = tuple(
        (
            row["file"],
            row.get("unit"),
            wording.count(row["rows"]),
            wording.count(row["read"]),
            wording.count(row["rejected"]),
            wording.when(row["first"], zone),
            wording.when(row["last"], zone),
            wording.minutes(row["interval_min"]),
            row["sha256"][:16],
        )
        for row in assessment.results["sources"]
    )
    columns = ("File", "Unit", "Data lines", "Read", "Refused", "First reading", "Last reading", "Interval", "SHA-256, first 16 characters")
    return Table("Files the readings come from", columns, rows, ("Data lines = read + refused. The full SHA-256 of every file stands at the end.",), "No file was read.")


def layouts(assessment: Assessment) -> Table:
    """How each file was understood, in words."""
    rows = tuple((row["file"], _layout(row["layout"]), _columns(row["layout"])) for row in assessment.results["sources"])
    assumed = [row["file"] for row in assessment.results["sources"] if "assumed" in str(row["layout"].get("unit_from"))]
    notes = (f"The unit of measure stands nowhere in {wording.several(assumed)}: °C is assumed.",) if assumed else ()
    return Table("How the files were understood", ("File", "Layout", "Temperature columns"), rows, notes)


_LAYOUT = (
    ("encoding", "encoding"), ("separator", "separated by"), ("decimal", "decimal mark"), ("header_line", "header in line"), ("preamble_lines", "lines before it"), ("event_lines", "event lines"), ("footer_lines", "closing lines"),
    ("blank_lines", "blank lines"), ("comment_lines", "comment lines"), ("time_columns", "time in"), ("time_format", "written as"), ("date_order", "order of the date"), ("date_order_from", "order known from"), ("unit_from", "unit of measure from"),
    ("shape", "layout"), ("newest_first", "newest first"),
)  # fmt: skip
_IN_WORDS = {
    "dmy": "day, month, year", "mdy": "month, day, year", "ymd": "year, month, day", "values": "the values", "cadence": "the even spacing of the readings",
    "wide": "a column for each probe", "long": "a line for each reading of a probe",
}  # fmt: skip


def _layout(layout: dict[str, Any]) -> str:
    return "; ".join(f"{words} {_IN_WORDS.get(str(layout[key]), flat(layout[key]))}" for key, words in _LAYOUT if layout.get(key) not in (None, "", [], {}, 0, False)) or wording.NOT_KNOWN


def _columns(layout: dict[str, Any]) -> list[str] | None:
    """The temperature columns with their unit and where the unit stands."""
    held = [column for column in layout.get("columns") or () if isinstance(column, dict) and column.get("kind") == "temperature"]
    return [
        f"{column.get('header')} (°{column.get('unit')}, from the {column.get('unit_from')})"
        if column.get("unit_from") != "assumed"
        else f"{column.get('header')} (°{column.get('unit')}, assumed)"
        for column in held
    ] or None


def flat(value: object) -> str:
    """Nested values as one line of words."""
    if isinstance(value, dict):
        return ", ".join(f"{key} {flat(inner)}" for key, inner in value.items() if inner is not None)
    if isinstance(value, list):
        return " / ".join(map(flat, value))
    return {"\t": "tab", " ": "blank", ";": "semicolon", ",": "comma", ".": "point", "|": "bar"}.get(str(value), wording.word(value) if isinstance(value, bool) else str(value))


def refused(assessment: Assessment) -> Table:
    """Lines that could not be read, and cells without a value, with file, line and reason."""
    rows = [(row["file"], wording.count(one["line"]), "line refused", one["reason"]) for row in assessment.results["sources"] for one in row["rejects"]]
    rows += [
        (row["file"], wording.count(one["line"]), f"no value in '{one['column']}'", f"the cell says '{one['text']}'" if one["text"] else "the cell is empty")
        for row in assessment.results["sources"]
        for one in row.get("no_value", ())
    ]
    shown, notes = capped(rows, MOST_ROWS, "lines")
    return Table("Lines and cells without a reading", ("File", "Line", "What", "Reason"), shown, notes, "Every data line was read and every cell held a value.")


def logger_events(assessment: Assessment) -> Table:
    """The logger's own event lines, as they stand in the files."""
    rows = [(one.get("time"), row["file"], one.get("line"), one.get("kind"), one.get("text")) for row in assessment.results["sources"] for one in row["events"]]
    shown, notes = capped(rows, MOST_ROWS, "events")
    return Table(
        "The logger's own events, times as the file shows them",
        ("Time shown", "File", "Line", "Kind", "Text"),
        shown,
        notes,
        "The files hold no event lines. An alarm that was off leaves none.",
    )


def attachments(assessment: Assessment) -> Table:
    """Papers kept with the record."""
    return Table("Attachments", ("File", "Size (bytes)"), tuple((path.name, wording.count(path.stat().st_size)) for path in assessment.case.attachments), empty="No paper is attached.")
