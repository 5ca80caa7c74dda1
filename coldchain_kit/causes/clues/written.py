"""Clues from door and power channels and from the logbook."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from coldchain_kit.base import zones
from coldchain_kit.causes import evidence
from coldchain_kit.causes.clues.clue import Clue, answer
from coldchain_kit.causes.evidence import Course, Facts
from coldchain_kit.model import LoggerEvent
from coldchain_kit.register import LogEntry

# An entry is often written down some time after the act: common practice, no source.
SLACK = pd.Timedelta(minutes=60)
REPAIR = pd.Timedelta(hours=24)  # a repair is written down when it is done
LOG_KINDS = ("door", "power", "service", "load", "move", "download", "settings", "coolant")


def of_channels(facts: Facts, channels: dict[str, pd.Series]) -> dict[str, Clue]:
    """Clues from door and power channels, over the time from shortly before the onset to the extreme."""
    found: list[Clue] = []
    for name in sorted(channels):
        series = channels[name].dropna()
        kind = series.attrs.get("kind") or channels[name].attrs.get("kind")
        if kind in ("door", "power") and len(series) >= 4:
            clue = (_door if kind == "door" else _power)(series.astype("float64"), name, facts.lead)
            found += [clue] if clue is not None else []
    return {clue.key: clue for clue in found}


def _span(series: pd.Series, lead: Course) -> tuple[pd.Series, pd.Series]:
    """The channel during the change, and before it."""
    step = pd.Timedelta(minutes=max(5.0, lead.step_min))
    during = series[(series.index >= lead.onset - 2 * step) & (series.index <= lead.peak_time + step)]
    return during, series[(series.index < lead.onset - 2 * step) & (series.index >= lead.onset - evidence.BEFORE)]


def _door(series: pd.Series, name: str, lead: Course) -> Clue | None:
    during, before = _span(series, lead)
    if not len(during):
        return None
    # Seconds open an interval, or a state 0/1: either way "open" is more than the everyday openings before.
    everyday = float(before.quantile(0.99)) if len(before) >= 20 else 0.0
    together = during.rolling(3, min_periods=1).sum().max()
    usual = before.rolling(3, min_periods=1).sum().quantile(0.99) if len(before) >= 20 else 0.0
    opened = bool(together > 1.5 * usual and during.max() > 0) or bool(during.max() > 1.5 * everyday and during.max() > 0)
    if opened:
        return answer(
            "door_channel",
            1.0,
            f"The door channel {name} shows the door open then, longer than on usual days.",
            "",
            float(during.max()),
            "as recorded",
            "A channel outranks the shape of the trace.",
            threshold=float(1.5 * usual),
        )
    return answer(
        "door_channel",
        -1.0 if not during.max() > 0 else -0.5,
        "",
        f"The door channel {name} shows no unusual opening.",
        float(during.max()),
        "as recorded",
        "A channel outranks the shape of the trace.",
        threshold=float(1.5 * usual),
    )


def _power(series: pd.Series, name: str, lead: Course) -> Clue | None:
    during, before = _span(series, lead)
    if not len(during):
        return None
    usual = before if len(before) >= 20 else series
    floor, top = float(usual.min()), float(usual.quantile(0.95))
    low = during <= (0.0 if floor > 0 else 0.05 * max(top, 1e-9))
    # A compressor's power is low between its runs as well: only a pause three times the longest usual one says "off".
    quiet = _longest(usual <= (0.0 if floor > 0 else 0.05 * max(top, 1e-9))) if floor <= 0 else 0
    off = _longest(low) > max(1 if floor > 0 else 3 * quiet, 0)
    if off and quiet and not floor > 0:
        return answer(
            "compressor_channel",
            1.0,
            f"Channel {name} shows no compressor run for unusually long.",
            "",
            float(_longest(low)),
            "readings",
            "No power, or a compressor that does not start.",
            threshold=3.0 * quiet,
        )
    if off:
        return answer(
            "power_channel",
            1.0,
            f"The power channel {name} shows no power then.",
            "",
            float(during.min()),
            "as recorded",
            "A channel outranks the shape of the trace.",
            threshold=0.0,
        )
    return answer(
        "power_channel",
        -1.0,
        "",
        f"The power channel {name} shows power all the time.",
        float(during.min()),
        "as recorded",
        "A channel outranks the shape of the trace.",
        threshold=0.0,
    )


def _longest(mask: pd.Series) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.to_numpy().astype(int), [0]])))
    return int((edges[1::2] - edges[::2]).max()) if len(edges) else 0


def of_logbook(facts: Facts, logbook: Sequence[LogEntry], *, unit: str | None = None, zone: str = "UTC") -> dict[str, Clue]:
    """Clues ``log_KIND`` from entries that meet the change.

    Doors, loads, settings, moves and downloads must meet its beginning or its turning point (a door found open is written down when it is
    shut); power and service may stand anywhere up to the end, a repair up to a day later. Entries of other units are left out.
    """
    lead = facts.lead
    late = facts.end + SLACK
    found: dict[str, Clue] = {}
    for entry in logbook:
        other = getattr(entry, "unit", None)
        until = entry.until if entry.until is not None else entry.time
        if entry.kind not in LOG_KINDS or (other is not None and unit is not None and other != unit) or until < lead.onset - SLACK:
            continue
        last = {"power": late, "service": late + REPAIR}.get(entry.kind, lead.onset + SLACK)
        turning = abs(entry.time - lead.peak_time) <= SLACK
        if entry.time > last and not turning:
            continue
        away = abs((entry.time - lead.onset) / pd.Timedelta(minutes=1))
        key = f"log_{entry.kind}"
        where = f"logbook line {entry.line}" if entry.line else "logbook"
        clue = Clue(
            key,
            1.0,
            f"The {where} says: “{entry.text}” ({entry.kind}, {zones.shown(entry.time, zone=zone)}).",
            round(float(away), 1),
            60.0,
            "min from the onset",
            "Somebody wrote down what was done; that outranks the shape of the trace.",
            entry.time,
            entry.until,
        )
        if key not in found or away < (found[key].number or 0.0):
            found[key] = clue
    return found


def of_events(facts: Facts, events: Sequence[LoggerEvent], *, zone: str = "UTC") -> dict[str, Clue]:
    """Clues ``event_door``, ``event_power`` from the logger's own event lines between shortly before the onset and the extreme."""
    lead = facts.lead
    slack = pd.Timedelta(minutes=max(30.0, 2 * lead.step_min))
    found: dict[str, Clue] = {}
    for event in events:
        at, kind = event.get("time"), event.get("kind")
        if kind in ("door", "power") and at is not None and lead.onset - slack <= at <= lead.peak_time + slack and f"event_{kind}" not in found:
            said = f"The logger's own line {event.get('line')} says: “{event.get('text')}” ({zones.shown(at, zone=zone)})."
            found[f"event_{kind}"] = Clue(f"event_{kind}", 1.0, said, None, None, "", "The logger noted it by itself.", at)
    return found
