"""A download against itself: a highest or lowest in its summary, or an alarm in its event list, that none of its
readings shows."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from coldchain_kit.model import Condition, FaultRow, Trace, Unit
from coldchain_kit.quality.alarms import alarm_events, slack
from coldchain_kit.register import Logger

# A stated figure this much further out than every reading is said even where the limits are not concerned: the
# accuracy of a logger [°C]
# (FACTS B9, READ). An alarm belongs to readings up to this long before it, where its delay is not known (common
# practice, no source).
APART_C, BEFORE_HOURS = 0.5, 24.0
_OF_TEMPERATURE = re.compile(
    r"(?i)high|low|above|below|over|under|temp|limit|exceed|hoch|tief|über|unter|haut|bas\b|alta|baix|alto|bajo|<|>|"
    r"°|\bhi\b|\blo\b"
)
_OTHER = ("battery", "door", "power", "settings", "download", "start", "stop", "mark")


def contradictions(
    unit: Unit, *, condition: Condition, logger: Logger | Mapping[str | None, Logger] | None = None
) -> list[FaultRow[pd.Timestamp]]:
    """Statements of the downloads that their readings do not bear out: rows {unit, probe (None), start, end, kind
    "disagreement", readings, text}.

    A stated highest (lowest) is told where it lies beyond the storage limit while every reading of that file lies
    inside, or further out than every
    reading by more than 0.5 °C. An alarm is told where readings were taken around it and none in the day before is
    beyond the limits (the
    logger's own alarm limits where they are known and tighter).

    A stated count of readings is told where the file holds fewer data lines, and no whole multiple of them for its columns.

    Cannot see
    ----------
    Which of the two is wrong: a summary may reach further back than the rows of the file.
    """
    rows = [*_summaries(unit, condition), *_counts(unit)]
    for name in dict.fromkeys(trace.probe.logger for trace in unit.traces.values()):
        own = logger.get(name) if isinstance(logger, Mapping) else logger
        rows += _alarms(unit, name, [trace for trace in unit.traces.values() if trace.probe.logger == name], condition, own)
    return rows


def _summaries(unit: Unit, condition: Condition) -> list[FaultRow[pd.Timestamp]]:
    rows = []
    for number, source in enumerate(unit.sources):
        values = _of_file(unit, number, source.file) if source.stated else np.zeros(0)
        for told in source.stated if len(values) else ():
            sign = 1.0 if told["side"] == "above" else -1.0
            furthest = sign * float((sign * values).max())
            beyond = bool(condition.outside(np.array([told["value_c"]]), told["side"])[0]) and not bool(
                condition.outside(np.array([furthest]), told["side"])[0]
            )
            if beyond or sign * (told["value_c"] - furthest) > APART_C:
                rows.append(
                    _row(unit, source.first, source.last, len(values), _summary_text(source.file, told, furthest, sign))
                )
    return rows


def _counts(unit: Unit) -> list[FaultRow[pd.Timestamp]]:
    rows = []
    for source in unit.sources:
        columns = max(1, sum(column.get("kind") == "temperature" for column in source.layout.get("columns", ())))
        for told in source.layout.get("rows_stated", ()):
            if told["count"] > source.rows and told["count"] not in {source.rows * many for many in range(1, columns + 1)}:
                text = (
                    f'{source.file} line {told["line"]} states {told["count"]} readings ("{told["text"][:120]}"), but the file holds {source.rows} data lines. '
                    "Rows may be missing. Read the logger out again in full."
                )
                rows.append(_row(unit, source.first, source.last, source.rows, text))
    return rows


def _of_file(unit: Unit, number: int, file: str) -> np.ndarray:
    """All values of one file, those that another reading replaced included [°C]; none from probes of the room."""
    parts = [np.zeros(0)]
    for trace in unit.traces.values():
        parts.append(trace.as_read_c.to_numpy()[trace.readings["source"].to_numpy() == number])
    parts.append(
        np.array(
            [row["value_c"] for row in unit.conflicts if row["file"] == file and row["value_c"] is not None],
            dtype="float64",
        )
    )
    values = np.concatenate(parts)
    return values[np.isfinite(values)]


def _summary_text(file: str, told: dict[str, Any], furthest: float, sign: float) -> str:
    word, other = ("highest", "maximum") if sign > 0 else ("lowest", "minimum")
    return (
        f'{file} line {told["line"]} states a {other} of {told["value_c"]:.1f} °C ("{told["text"][:120]}"), but the '
        f'{word} of its readings is {furthest:.1f} °C. '
        "Rows may be missing or changed, the logger may measure more often than it stores, or the summary covers "
        "more than these rows. Read the logger out again in full."
    )


def _alarms(
    unit: Unit, name: str | None, traces: Sequence[Trace], condition: Condition, logger: Logger | None
) -> list[FaultRow[pd.Timestamp]]:
    rows = []
    for event in alarm_events(unit, name):
        at = event["time"]
        if at is None or event["kind"] in _OTHER or not _OF_TEMPERATURE.search(event["text"] or ""):
            continue
        near = max((slack(trace) for trace in traces), default=pd.Timedelta(0))
        parts = [
            trace.as_read_c[at - pd.Timedelta(hours=BEFORE_HOURS) : at + near].dropna()
            for trace in traces
        ]
        around = sum(int((part.index >= at - near).sum()) for part in parts)
        values = np.concatenate([part.to_numpy() for part in parts]) if parts else np.zeros(0)
        if around and not _beyond(values, condition, logger):
            text = (
                f'{event["file"]} line {event["line"]} tells of an alarm at {at:%Y-%m-%d %H:%M} UTC '
                f'("{event["text"][:120]}"), but every reading of the {BEFORE_HOURS:g} h before '
                f"it lies inside, from {values.min():.1f} to {values.max():.1f} °C. Rows may be missing or changed, "
                "the logger may measure more often than it stores, or its alarm limits are others."
            )
            rows.append(_row(unit, at, at, around, text))
    return rows


def _beyond(values: np.ndarray, condition: Condition, logger: Logger | None) -> bool:
    """Whether any value is beyond the storage limits, or beyond the logger's own alarm limits."""
    if bool((condition.outside(values, "above") | condition.outside(values, "below")).any()):
        return True
    alarm = logger.alarm if logger else None
    high, low = (alarm.high_c, alarm.low_c) if alarm else (None, None)
    return (high is not None and bool((values > high).any())) or (low is not None and bool((values < low).any()))


def _row(unit: Unit, start: pd.Timestamp | None, end: pd.Timestamp | None, readings: int, text: str) -> FaultRow[pd.Timestamp]:
    return {
        "unit": unit.name,
        "probe": None,
        "start": start,
        "end": end,
        "kind": "disagreement",
        "readings": readings,
        "text": text,
    }
