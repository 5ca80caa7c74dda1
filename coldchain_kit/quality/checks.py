"""Checks of the display against the readings: what the display saw and the record does not have.

A displayed minimum or maximum outside while the readings are inside is an excursion between two checks whose time nobody
knows (CONTRACTS, logbook.csv). Two figures that merely differ are something to look at.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import cast

import numpy as np
import pandas as pd

from coldchain_kit.model import FLAG_WORDS, CheckRow, Condition, Direction, ExcursionRow, Trace, Unit, one_sided
from coldchain_kit.register import LogEntry, UnitEntry

DIFFERS_C = 1.0  # two instruments of +-0.5 °C each (FACTS B9, READ)
DISPLAY_U_C = 0.5  # expanded uncertainty of a display without a certificate [°C] (FACTS B9, READ)
SIDES: tuple[Direction, ...] = ("below", "above")


def mine(logbook: Sequence[LogEntry], unit: str) -> list[LogEntry]:
    """Entries of a unit, and those that name none, by time."""
    return sorted((entry for entry in logbook if entry.unit in (None, unit)), key=lambda entry: (entry.time, entry.line))


def displays(
    logbook: Sequence[LogEntry], unit: Unit, condition: Condition, *, start: pd.Timestamp, end: pd.Timestamp, stays_from: pd.Timestamp | None = None
) -> list[ExcursionRow[pd.Timestamp]]:  # fmt: skip
    """Excursions by the display: rows of CONTRACTS ``excursions[]`` with ``basis`` "display", without ``id``.

    Parameters
    ----------
    logbook : sequence of LogEntry
    unit : Unit
    condition : Condition
        The limits that the figures are held against.
    start, end : Timestamp [UTC]
        The window; rows that do not overlap it are left out.
    stays_from : Timestamp, optional
        Beginning of the first stay in the unit, where no reading came before a check.

    Returns
    -------
    list of dict, by time of the check. ``start``: the last check with a reset, else the first reading (or the stay's beginning),
    with ``open_start``. A reset that is not stated gives the longer span, and readings before that check explain nothing after it;
    only a display said not to be reset that shows the same figure again is the same excursion.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=48, freq="1h", tz="UTC")
    >>> unit = Unit("F2", {"A": Trace.of(pd.Series(5.0, index=times), u_c=0.25)})
    >>> book = [LogEntry(times[9], "check", "", low_c=4.0, high_c=6.0, reset=True), LogEntry(times[33], "check", "", low_c=4.0, high_c=9.5)]
    >>> (row,) = displays(book, unit, Condition("own", "Own", 2.0, 8.0), start=times[0], end=times[-1])
    >>> row["extreme_c"], row["minutes_least"], row["minutes_most"], row["open_start"]
    (9.5, 0.0, 1440.0, False)
    """
    book = [entry for entry in mine(logbook, unit.name) if entry.kind == "check" or entry.low_c is not None or entry.high_c is not None]  # a figure is a figure, whatever the line is called
    deciding = [trace for trace in unit.traces.values() if trace.probe.decides]
    found = [row for side in SIDES for row in _of_side(book, deciding, condition, side, unit.name, stays_from)]
    met = [row for row in found if row["start"] < end and (row["end"] > start or row["start"] >= start)]
    return sorted(met, key=lambda row: (row["end"], row["direction"]))


def _of_side(
    book: Sequence[LogEntry], deciding: Sequence[Trace], condition: Condition, side: Direction, unit: str, stays_from: pd.Timestamp | None
) -> Iterable[ExcursionRow[pd.Timestamp]]:  # fmt: skip
    """Rows of one side. ``since``: the last sure reset; ``maybe``: the last check that is not said to have left the display as it was."""
    since: pd.Timestamp | None = None
    maybe: pd.Timestamp | None = None
    shown: float | None = None  # goes on being shown: the display was said not to be reset
    echo: float | None = None  # the readings explained it, and nothing says that the display was reset
    for check in book:
        figure, explained = (check.high_c if side == "above" else check.low_c), False
        if figure is not None and figure != shown and bool(condition.outside([figure], side)[0]):
            begin = since if since is not None else _beginning(deciding, check.time, stays_from)
            near = begin if maybe is None else maybe
            explained = figure == echo or any(_left(trace, condition, side, near, check.time) for trace in deciding)
            if not explained:
                yield _row(check, figure, condition, side, unit, begin, opened=since is None)
        if check.reset:
            since = maybe = check.time
            shown = echo = None
        elif check.reset is None:
            maybe, shown, echo = check.time, None, figure if explained else None
        elif figure is not None:
            shown = figure


def _beginning(deciding: Sequence[Trace], before: pd.Timestamp, stays_from: pd.Timestamp | None) -> pd.Timestamp:
    """The first reading before a check, else the stay's beginning, else the check itself: nothing says since when."""
    firsts = [trace.readings.index[0] for trace in deciding if len(trace.readings) and trace.readings.index[0] < before]
    return min(firsts, default=stays_from if stays_from is not None and stays_from < before else before)


def _left(trace: Trace, condition: Condition, side: str, begin: pd.Timestamp, end: pd.Timestamp) -> bool:
    """Whether a reading between two instants explains the display: outside on that side, as read or corrected."""
    part = trace.readings[(trace.readings.index >= begin) & (trace.readings.index <= end)]
    part = part[one_sided.heard(part) & ~one_sided.unknown(part, condition)]
    return any(bool(condition.outside(one_sided.judged_c(part, column), side).any()) for column in ("celsius", "as_read_c"))


def _row(check: LogEntry, figure: float, condition: Condition, side: Direction, unit: str, begin: pd.Timestamp, *, opened: bool) -> ExcursionRow[pd.Timestamp]:
    none = dict.fromkeys(("first_out", "last_out", "first_back", "extreme_time", "p_outside", "degree_minutes"))
    row = {
        "unit": unit, "probe": None, "direction": side, "limit_c": condition.limit_c(side), "limit_source": condition.source, "basis": "display",
        "start": begin, "end": check.time, "start_earliest": begin, "end_latest": check.time, **none, "minutes": 0.0, "minutes_least": 0.0,
        "minutes_most": (check.time - begin) / pd.Timedelta(minutes=1), "minutes_in_window": 0.0, "extreme_c": float(figure), "extreme_bound": False, "extreme_text": None, "degree_minutes_bound": False, "readings": 0,
        "verdict": "undecided", "faulty": False, "open_start": opened, "open_end": False, "flags": dict.fromkeys(FLAG_WORDS.values(), 0),
        "trustworthy": {"minutes": 0.0, "degree_minutes": None, "extreme_c": None, "extreme_bound": False, "readings": 0}, "logger_alarm": "unknown", "logbook_line": check.line,
    }  # fmt: skip
    return cast("ExcursionRow[pd.Timestamp]", row)  # whoever numbers the excursions of the unit adds its id


def checks(
    logbook: Sequence[LogEntry], unit: Unit, entry: UnitEntry, *, start: pd.Timestamp, end: pd.Timestamp, shown: Sequence[ExcursionRow[pd.Timestamp]] | None = None
) -> list[CheckRow[pd.Timestamp]]:  # fmt: skip
    """Displayed minima and maxima against the readings since the check before: rows that somebody must look at.

    ``verdict`` "undecided": the display was outside while the readings are inside, an excursion between the two checks (a row of
    :func:`displays`); "differs": the two differ by more than 1 °C, both inside or both outside. A check that did not reset the display does
    not start a new period; the first one in the book is only compared with the limits, since nobody knows since when its display had
    counted. Rows that end before ``start`` or begin at or after ``end`` (UTC) are left out.

    Parameters
    ----------
    shown : rows of :func:`displays`, where they are worked out already

    Returns
    -------
    list of {unit, direction, verdict, start, end, displayed_c, readings_c (None: no readings), limit_c, line, text}; times UTC.
    """
    book = [row for row in mine(logbook, unit.name) if row.kind == "check"]
    deciding = [trace.readings[one_sided.heard(trace.readings)] for trace in unit.traces.values() if trace.probe.decides]
    deciding = [readings for readings in deciding if len(readings)]
    found = displays(logbook, unit, entry.condition, start=start, end=end) if shown is None else shown
    rows = [_undecided(row, deciding) for row in found]
    known = {(row["line"], row["direction"]) for row in rows}
    since: pd.Timestamp | None = None
    for check in book:
        begin = since if since is not None else min((one.index[0] for one in deciding if one.index[0] < check.time), default=check.time)
        if since is not None and check.time >= start and begin < end:
            parts = [one[(one.index >= begin) & (one.index <= check.time)] for one in deciding]
            differing = [_differs(check, side, parts, begin, unit.name, entry.condition) for side in SIDES if (check.line, side) not in known]
            rows += [row for row in differing if row is not None]
        if check.reset is not False:
            since = check.time
    return sorted(rows, key=lambda row: (row["end"], row["line"], SIDES.index(row["direction"])))


def _undecided(row: ExcursionRow[pd.Timestamp], deciding: Sequence[pd.DataFrame]) -> CheckRow[pd.Timestamp]:
    """The row of ``checks[]`` beside an excursion by the display."""
    parts = [one[(one.index >= row["start"]) & (one.index <= row["end"])] for one in deciding]
    (read, bound), side = _furthest(parts, row["direction"]), row["direction"]
    figure, line = cast(float, row["extreme_c"]), cast(int, row["logbook_line"])  # a display's row has both
    span = "record began" if row["open_start"] else "last check with reset"
    text = f"{_told(line, figure, side, read, bound)} since the {span}. An excursion between the two checks is undecided: handle it as an excursion."
    return {
        "unit": row["unit"], "direction": side, "verdict": "undecided", "start": row["start"], "end": row["end"], "displayed_c": figure, "readings_c": read,
        "limit_c": row["limit_c"], "line": line, "text": text,
    }  # fmt: skip


def _differs(check: LogEntry, side: Direction, parts: Sequence[pd.DataFrame], begin: pd.Timestamp, unit: str, condition: Condition) -> CheckRow[pd.Timestamp] | None:
    figure, (read, bound) = (check.high_c if side == "above" else check.low_c), _furthest(parts, side)
    if figure is None or read is None or abs(figure - read) <= DIFFERS_C:
        return None
    text = f"{_told(check.line, figure, side, read, bound)} since the check before. They differ by {abs(figure - read):.1f} °C: two instruments, a display not reset, or a wrong record."
    return {
        "unit": unit, "direction": side, "verdict": "differs", "start": begin, "end": check.time, "displayed_c": figure, "readings_c": read,
        "limit_c": condition.limit_c(side), "line": check.line, "text": text,
    }  # fmt: skip


def _furthest(parts: Sequence[pd.DataFrame], side: str) -> tuple[float | None, bool]:
    """The furthest reading as read [°C]; None, and whether there are readings that have no number of their own (CONTRACTS rule 9)."""
    pick = np.max if side == "above" else np.min
    values = [float(pick(one_sided.judged_c(part, "as_read_c"))) for part in parts if len(part)]
    bound = any(one_sided.any_of(part) for part in parts)
    return float(pick(values)) if values and not bound else None, bound


def _told(line: int, figure: float, side: str, read: float | None, bound: bool) -> str:
    word = "highest" if side == "above" else "lowest"
    readings = f"the {word} reading has no number of its own" if bound else "there are no readings" if read is None else f"the {word} reading is {read:.2f} °C"
    return f"Check in logbook line {line}: the display showed {figure:.1f} °C as its {word}, {readings}"
