"""Alarm rules replayed on a trace; the logger's own alarm as it was set at each time.

The kit replays what a device would have done. It never takes the time an alarm rule allows for time that a product may be out.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypedDict

import numpy as np
import pandas as pd

from coldchain_kit.base import KitError, zones
from coldchain_kit.model import AlarmRow, Condition, Direction, LoggerEvent, Trace, Unit, one_sided, rows_of, timeline
from coldchain_kit.quality.checks import mine
from coldchain_kit.quality.series import runs
from coldchain_kit.register import Alarm, LogEntry, UnitEntry

LONG_DELAY_MIN = 60.0  # reference rule for freezing: 60 min (FACTS B13, READ-2); a longer delay is told
SLIP_NEAR_C, SLIP_FAR_C = 1.5, 5.0  # limits this near the condition in the other unit, this far in their own: a slip of units
_ALARM_WORD = re.compile(r"al+arm", re.IGNORECASE)
_NO_ALARM = re.compile(r"\b(off|disabled?|cleared?|ended|end|acknowledged?|reset|test|no)\b", re.IGNORECASE)



class _Seen(TypedDict):
    """What of an excursion seen by readings is looked at here."""

    probe: str
    direction: Direction
    first_out: pd.Timestamp
    last_out: pd.Timestamp
    end_latest: pd.Timestamp


class _Finding(TypedDict):
    """A row of alarms without its unit."""

    finding: str
    since: pd.Timestamp | None
    until: pd.Timestamp | None
    text: str


@dataclass(frozen=True)
class Rule:
    """An alarm rule: beyond ``limit_c`` [°C] (at it too, if ``inclusive``) for ``minutes`` [min] in one go, or in total if ``cumulative``."""

    limit_c: float
    direction: str
    minutes: float = 0.0
    cumulative: bool = False
    inclusive: bool = False
    source: str = ""

    def __post_init__(self) -> None:
        if self.direction not in ("above", "below"):
            raise KitError(f"an alarm rule's direction is '{self.direction}'", expected="above or below")
        if not self.minutes >= 0:
            raise KitError(f"an alarm rule's minutes are {self.minutes}", expected="zero or more")


# Reference rules of open device specifications. They are not time that is allowed.
REFERENCE = {
    "heat_10_h": Rule(8.0, "above", 600.0, source="WHO PQS E006/DS01 Annex 1 (FACTS B13, READ-2)"),
    "freeze_60_min": Rule(-0.5, "below", 60.0, inclusive=True, source="WHO PQS E006/DS01 Annex 1 (FACTS B13, READ-2)"),
    "shipment_45": Rule(45.0, "above", 60.0, inclusive=True, source="WHO 10-day devices type I and II (FACTS B15, READ)"),
    "shipment_30": Rule(30.0, "above", 600.0, cumulative=True, inclusive=True, source="WHO 10-day devices type I and II (FACTS B15, READ)"),
    "shipment_freeze": Rule(-0.5, "below", 60.0, inclusive=True, source="WHO 10-day devices type I (FACTS B15, READ)"),
    "shipment_10": Rule(10.0, "above", 1200.0, cumulative=True, inclusive=True, source="WHO 10-day devices type II (FACTS B15, READ)"),
}


def held(series: pd.Series) -> pd.DataFrame:
    """Readings with a value and the minutes each stands for: until the next one, before a gap and at the end for one interval.

    Returns
    -------
    DataFrame on the readings' index: celsius [°C], minutes [min], last (bool: a gap or the record's end follows).
    """
    valued = series.dropna()
    steps = timeline.neighbours(pd.Series(0.0, index=valued.index))  # HI and LO may be infinite here
    minutes, last = np.zeros(len(valued)), np.ones(len(valued), dtype=bool)
    usual = timeline.usual_min(valued.index) or 0.0
    if len(valued):
        gap = steps.gap
        minutes[:-1] = np.where(gap, np.fmin(steps.minutes, steps.interval_min), steps.minutes)
        minutes[-1], last[:-1] = usual, gap
    return pd.DataFrame({"celsius": valued.to_numpy(), "minutes": minutes, "last": last}, index=valued.index)


def replay(series: pd.Series, rule: Rule) -> pd.DataFrame:
    """When a device with this rule would have alarmed: one row an alarm.

    A reading stands for the time until the next one. A continuous rule starts again after any reading inside and after a gap,
    and alarms once a run. A cumulative rule adds up everything and alarms once.

    Returns
    -------
    DataFrame: since (start of the run; for a cumulative rule of the first), at (the alarm), minutes [min, held in all].

    Cannot see
    ----------
    What happened between readings; a device that samples more often may alarm where this does not.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=5, freq="15min", tz="UTC")
    >>> replay(pd.Series([5.0, 9.0, 9.0, 9.0, 5.0], index=times), Rule(8.0, "above", 30.0))["at"].tolist()
    [Timestamp('2026-03-01 00:45:00+0000', tz='UTC')]
    """
    table = held(series)
    sign = 1.0 if rule.direction == "above" else -1.0
    beyond = np.round(sign * (table["celsius"].to_numpy() - rule.limit_c), 6)
    out = beyond >= 0 if rule.inclusive else beyond > 0
    minutes = table["minutes"].to_numpy()
    if rule.cumulative:
        total = np.cumsum(np.where(out, minutes, 0.0))
        reached = np.flatnonzero(out & (total >= rule.minutes))
        spans = [(int(np.flatnonzero(out)[0]), int(reached[0]), total[-1], rule.minutes - (total[reached[0]] - minutes[reached[0]]))] if len(reached) else []
        rows = [(table.index[a], table.index[b] + pd.Timedelta(minutes=into), whole) for a, b, whole, into in spans]
    else:
        unbroken = [(a, b, minutes[a : b + 1].sum()) for a, b in _unbroken(out, table["last"].to_numpy())]
        rows = [(table.index[a], table.index[a] + pd.Timedelta(minutes=rule.minutes), whole) for a, b, whole in unbroken if whole >= rule.minutes]
    return pd.DataFrame(rows, columns=["since", "at", "minutes"])


def _unbroken(mask: np.ndarray, last: np.ndarray) -> list[tuple[int, int]]:
    """Runs of True that also end where ``last`` says that a gap follows."""
    parts = []
    for first, stop in runs(mask):
        cuts = first + np.flatnonzero(last[first:stop])
        parts += list(zip([first, *(cuts + 1).tolist()], [*cuts.tolist(), stop], strict=True))
    return parts


def settings(entry: UnitEntry, *, zone: str) -> list[tuple[pd.Timestamp | None, Alarm | None]]:
    """The logger's alarm settings in order of time: (from when [UTC], settings); the first from None = the start of the register."""
    rows: list[tuple[pd.Timestamp | None, Alarm | None]] = [(None, entry.logger.alarm)]
    return rows + [(zones.instant(since, zone=zone), logger.alarm) for since, logger in entry.settings]


def own(trace: Trace, entry: UnitEntry, *, zone: str) -> pd.DataFrame:
    """The probe's logger's own alarm replayed on the values as read, with the settings in force at each reading.

    One row for each run beyond a limit that the logger had: it alarms once and not again until back inside.

    Returns
    -------
    DataFrame: probe, direction, since, due (since and the delay), until (last reading of the run), limit_c [°C], delay_min [min],
    alarm: "yes" (on, and still outside at a reading when due), "no" (off, or back before it was due), "unknown" (on or off or delay not
    known, or due between the last reading outside and the first inside).
    """
    table = held(pd.Series(one_sided.judged_c(trace.readings, "as_read_c"), index=trace.readings.index))
    entry = entry.of_logger(trace.probe.logger)
    rows = []
    limits = {side: np.full(len(table), np.nan) for side in ("above", "below")}
    delay, enabled = np.full(len(table), np.nan), np.full(len(table), np.nan)
    for since, alarm in settings(entry, zone=zone):
        start = 0 if since is None else table.index.searchsorted(since)
        stated = (None, None, None, None) if alarm is None else (alarm.high_c, alarm.low_c, alarm.delay_min, alarm.enabled)
        for target, value in zip((limits["above"], limits["below"], delay, enabled), stated, strict=True):
            target[start:] = np.nan if value is None else float(value)
    celsius, minutes, last = (table[name].to_numpy() for name in ("celsius", "minutes", "last"))
    for side, sign in (("above", 1.0), ("below", -1.0)):
        out = np.round(sign * (celsius - limits[side]), 6) > 0
        for a, b in _unbroken(out, last):
            since, held_min = table.index[a], float(minutes[a : b + 1].sum())
            wait = delay[b]
            due = since + pd.Timedelta(minutes=0.0 if np.isnan(wait) else wait)
            if (enabled[a : b + 1] == 0).all():
                answer = "no"
            elif not (enabled[a : b + 1] == 1).all() or np.isnan(wait):
                answer = "unknown"
            else:
                answer = "yes" if table.index[b] >= due else "no" if held_min < wait else "unknown"
            rows.append((trace.probe.name, side, since, due, table.index[b], float(limits[side][b]), float(wait), answer))
    frame = pd.DataFrame(rows, columns=["probe", "direction", "since", "due", "until", "limit_c", "delay_min", "alarm"])
    return frame.sort_values(["since", "direction"], ignore_index=True)


def _events(unit: Unit, logger: str | None) -> list[LoggerEvent]:
    """The logger's own event lines."""
    return [event for event in unit.events if event.get("logger") == logger]


def alarm_events(unit: Unit, logger: str | None) -> list[LoggerEvent]:
    """The logger's event lines that tell of an alarm going off, with an instant."""
    found = []
    for event in _events(unit, logger):
        words = f"{event.get('kind', '')} {event.get('text', '')}"
        if event.get("time") is not None and _ALARM_WORD.search(words) and not _NO_ALARM.search(words):
            found.append(event)
    return found


def compare(excursions: pd.DataFrame, unit: Unit, entry: UnitEntry, *, zone: str) -> list[str]:
    """Whether the logger alarmed for each excursion: "yes", "no" or "unknown".

    "yes": its event list has an alarm then. "no": its event list has alarms, reaches back that far and has none then; or its settings say that it
    would not have. Without an event list the replay of the settings answers; what is not known of them gives "unknown".

    Parameters
    ----------
    excursions : DataFrame with probe, direction, first_out, last_out, end_latest
    unit : Unit
    entry : UnitEntry
    zone : str
        The site's zone, for dated settings.
    """
    replays = {name: own(trace, entry, zone=zone) for name, trace in unit.traces.items() if len(excursions) and name in set(excursions["probe"])}
    rows, whose = rows_of(excursions, _Seen), {name: trace.probe.logger for name, trace in unit.traces.items()}
    events = {logger: alarm_events(unit, logger) for logger in set(whose.values())}
    return [_logger_alarm(row, events[whose[row["probe"]]], replays[row["probe"]], unit, entry.of_logger(whose[row["probe"]]), zone) for row in rows]


def _logger_alarm(row: _Seen, events: Sequence[LoggerEvent], replayed: pd.DataFrame, unit: Unit, entry: UnitEntry, zone: str) -> str:
    if _heard(events, row["first_out"], row["end_latest"], slack(unit.traces[row["probe"]])):
        return "yes"
    if events and _reaches_back(unit, row["first_out"], entry, unit.traces[row["probe"]].probe.logger):
        return "no"
    mine = replayed[(replayed["direction"] == row["direction"]) & (replayed["since"] <= row["last_out"]) & (replayed["until"] >= row["first_out"])]
    answers = set(mine["alarm"])
    if answers:
        return "yes" if "yes" in answers else "unknown" if "unknown" in answers else "no"
    alarm = _at(entry, row["first_out"], zone)
    limit = None if alarm is None else alarm.high_c if row["direction"] == "above" else alarm.low_c
    if alarm is not None and alarm.enabled is False:
        return "no"
    return "no" if alarm is not None and alarm.enabled and limit is not None else "unknown"


def slack(trace: Trace) -> pd.Timedelta:
    """How far an event may lie beside the readings that belong to it: two intervals, ten minutes at least."""
    return pd.Timedelta(minutes=max(10.0, 2 * (timeline.usual_min(trace.readings.index) or 0.0)))


def _heard(events: Sequence[LoggerEvent], first: pd.Timestamp, last: pd.Timestamp, near: pd.Timedelta) -> bool:
    return any(event["time"] is not None and first - near <= event["time"] <= last + near for event in events)


def _at(entry: UnitEntry, time: pd.Timestamp, zone: str) -> Alarm | None:
    return [alarm for since, alarm in settings(entry, zone=zone) if since is None or since <= time][-1]


def _reaches_back(unit: Unit, time: pd.Timestamp, entry: UnitEntry, logger: str | None) -> bool:
    """Whether the event list still holds what happened at ``time``: it has an older entry, or fewer than the logger keeps."""
    timed = [at for event in _events(unit, logger) if (at := event.get("time")) is not None]
    kept = entry.logger.events_kept
    return bool(timed) and (min(timed) < time or (kept is not None and len(timed) < kept))


def findings(unit: Unit, entry: UnitEntry, *, logbook: Sequence[LogEntry] = (), zone: str) -> list[AlarmRow[pd.Timestamp]]:
    """What is wrong with the logger's own alarm over the record: rows {unit, finding, since, until, text}, times UTC or None.

    finding: alarm_off, alarm_not_known, unit_slip, low_alarm_below_freezing, low_alarm_too_low, high_alarm_too_high, limits_crossed, long_delay,
    alarm_not_listed, and last_proof: the last alarm test, or check with a display inside the limits, before the record ends. The reading of a logbook entry
    as a good test rests on its kind and figures alone.
    """
    times = [trace.readings.index for trace in unit.traces.values() if len(trace.readings)]
    if not times:
        return []
    first, last = min(index[0] for index in times), max(index[-1] for index in times)
    rows: list[_Finding] = []
    for logger, view in entry.each_logger().items():
        rows += _set(view, first, last, f"Logger {logger}: " if logger else "", zone)
        rows += _not_listed(unit, view, logger, zone)
    found: list[AlarmRow[pd.Timestamp]] = [{"unit": unit.name, **row} for row in rows]
    return [*found, _proof_row(unit, entry, logbook, last)]


def _set(view: UnitEntry, first: pd.Timestamp, last: pd.Timestamp, who: str, zone: str) -> list[_Finding]:
    """What is wrong with how one logger was set while the record ran; the same finding in a row stands once."""
    rows: list[_Finding] = []
    spans = settings(view, zone=zone)
    for place, (since, alarm) in enumerate(spans):
        until = spans[place + 1][0] if place + 1 < len(spans) else None
        if (until is not None and until <= first) or (since is not None and since > last):
            continue
        for finding, said in _judge(alarm, view.condition, view.kind):
            text = who + said
            before = next((row for row in rows if (row["finding"], row["until"], row["text"]) == (finding, since, text)), None)
            if before is not None:
                before["until"] = until
            else:
                rows.append({"finding": finding, "since": since, "until": until, "text": text})
    return rows


def _not_listed(unit: Unit, view: UnitEntry, logger: str | None, zone: str) -> list[_Finding]:
    """Alarms that the settings call for and that the event list, which reaches back that far, does not hold."""
    events = alarm_events(unit, logger)
    rows: list[_Finding] = []
    for trace in [trace for trace in unit.traces.values() if trace.probe.logger == logger] if events else ():
        for row in own(trace, view, zone=zone).to_dict("records"):
            if row["alarm"] == "yes" and _reaches_back(unit, row["since"], view, logger) and not _heard(events, row["since"], row["until"], slack(trace)):
                text = f"Probe {trace.probe.name} was {row['direction']} {row['limit_c']:g} °C long enough for an alarm, and the logger's event list has none then. Was the alarm set as the register says?"
                rows.append({"finding": "alarm_not_listed", "since": row["since"], "until": row["until"], "text": text})
    return rows


def _judge(alarm: Alarm | None, condition: Condition, kind: str) -> Iterable[tuple[str, str]]:
    """Findings on one state of the settings."""
    if alarm is None or (alarm.enabled is None and alarm.low_c is None and alarm.high_c is None):
        yield "alarm_not_known", "How the logger's own alarm was set is not known."
        return
    if alarm.enabled is False:
        yield "alarm_off", "The logger's own alarm was off. An excursion in this time made no alarm and stands in no event list."
    low, high = condition.limit_c("below"), condition.limit_c("above")
    if alarm.low_c is not None and alarm.high_c is not None and alarm.low_c >= alarm.high_c:
        yield "limits_crossed", f"The low alarm limit ({alarm.low_c:g} °C) is not below the high one ({alarm.high_c:g} °C)."
        return
    slip = _slip(alarm, low, high)
    if slip:
        yield "unit_slip", slip
        return
    if alarm.low_c is not None and alarm.low_c < 0.0 and not condition.frozen and (low is None or low >= 0.0) and kind in ("refrigerator", "cold_room", "shipper"):
        yield "low_alarm_below_freezing", f"The low alarm limit is {alarm.low_c:g} °C, below freezing: this unit could freeze its stock without an alarm."
    elif alarm.low_c is not None and low is not None and round(alarm.low_c - low, 6) < -0.01:
        yield "low_alarm_too_low", f"The low alarm limit is {alarm.low_c:g} °C, lower than the storage limit of {low:.1f} °C."
    if alarm.high_c is not None and high is not None and round(alarm.high_c - high, 6) > 0.01:
        yield "high_alarm_too_high", f"The high alarm limit is {alarm.high_c:g} °C, higher than the storage limit of {high:.1f} °C."
    if alarm.delay_min is not None and alarm.delay_min > LONG_DELAY_MIN:
        yield "long_delay", f"The alarm waits {alarm.delay_min:g} min: shorter excursions make no alarm."


def _slip(alarm: Alarm, low: float | None, high: float | None) -> str | None:
    """A sentence where the limits fit the condition only in the other unit of measure."""
    pairs = [(set_c, limit) for set_c, limit in ((alarm.low_c, low), (alarm.high_c, high)) if set_c is not None and limit is not None]
    if not pairs or min(abs(set_c - limit) for set_c, limit in pairs) < SLIP_FAR_C:
        return None
    for convert, words in ((lambda x: (x - 32.0) / 1.8, "°F"), (lambda x: x * 1.8 + 32.0, "°C, where the logger took them for °F")):
        if max(abs(convert(set_c) - limit) for set_c, limit in pairs) <= SLIP_NEAR_C:
            shown = " and ".join(f"{set_c:.1f} °C" for set_c, _ in pairs)
            return f"The alarm limits of {shown} fit this storage condition only if the numbers were meant in {words}."
    return None


def _proof_row(unit: Unit, entry: UnitEntry, logbook: Sequence[LogEntry], before: pd.Timestamp) -> AlarmRow[pd.Timestamp]:
    proof = last_proof(logbook, unit=unit.name, condition=entry.condition, before=before)
    if proof is None:
        text = "The logbook holds no alarm test and no check with a display inside the limits: since when the alarm worked is not proven."
        return {"unit": unit.name, "finding": "last_proof", "since": None, "until": None, "text": text}
    what = "alarm test" if proof.kind == "alarm_test" else "check with minimum and maximum inside the limits"
    text = f"The last proof that the logger worked is the {what} in the logbook (line {proof.line}). Look back to it."
    return {"unit": unit.name, "finding": "last_proof", "since": proof.time, "until": None, "text": text}


def last_proof(logbook: Sequence[LogEntry], *, unit: str, condition: Condition, before: pd.Timestamp) -> LogEntry | None:
    """The last alarm test, or check whose displayed minimum and maximum were inside the limits, at or before an instant."""
    good = [entry for entry in mine(logbook, unit) if entry.time <= before and (entry.kind == "alarm_test" or (entry.kind == "check" and _inside(entry, condition)))]
    return good[-1] if good else None


def _inside(entry: LogEntry, condition: Condition) -> bool:
    shown = [value for value in (entry.low_c, entry.high_c) if value is not None]
    return len(shown) == 2 and not (condition.outside(shown, "above").any() or condition.outside(shown, "below").any())
