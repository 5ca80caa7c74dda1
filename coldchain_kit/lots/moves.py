"""Stock that comes and goes: what the probe of a unit cannot show of it.

A probe shows the unit it stands in. What was put in warm, or while the unit was out, and where stock went afterwards, no
reading of that unit says.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from coldchain_kit.lots import stays
from coldchain_kit.lots.stays import Place
from coldchain_kit.model import Trace, Unit, one_sided, timeline
from coldchain_kit.register import Lot, Stay

# How far a logbook line or the beginning of an episode may lie from the time that the stock list has (own rule, no source).
LOAD_NEAR = pd.Timedelta(hours=2)
LOAD_CAUSES = {"warm_load": "warm", "cold_load": "cold"}
NOT_SHOWN = "the probe does not show what temperature the stock itself had"
_WARM = re.compile(r"\b(warm|hot|ambient|room temperature)\b", re.IGNORECASE)


def reasons(lot: Lot, places: Sequence[Place], units: dict[str, Unit], notes: Any) -> list[str]:
    """Sentences about every stay of a lot that began or ended within the time of the case.

    Parameters
    ----------
    notes : reasons.Notes
    """
    said: list[str] = []
    for here in places:
        for stay in lot.stays:
            if stay.unit == here.stay.unit and here.opens <= stay.moved_in < here.closes and notes.window.start <= stay.moved_in < notes.window.stop:
                said += _put_in(stay, here, notes)
                said += _came_warm(stay, lot, units, notes)
                said += _load(stay, notes)
    return list(dict.fromkeys(said)) + _moved_on(lot, units, notes)


def _put_in(stay: Stay, here: Place, notes: Any) -> list[str]:
    """Stock put in while readings were outside."""
    for trace in here.traces:
        for side in ("above", "below"):
            value = at(trace, stay.moved_in, side)
            if value is not None and stay.condition.outside([value], side).any():
                return [f"Stock was put into {stay.unit} at {notes.local(stay.moved_in)} while probe {trace.probe.name} was {side} {stay.condition.limit_c(side):g} °C: {NOT_SHOWN}."]
    return []


def at(trace: Trace, time: pd.Timestamp, side: str) -> float | None:
    """The temperature at an instant on the straight line between two readings, the further outside of as read and corrected [°C]; None in a gap, infinite beside a reading without a number.

    Examples
    --------
    >>> times = pd.date_range("2026-03-01", periods=20, freq="10min", tz="UTC")
    >>> at(Trace.of(pd.Series([5.0, 9.0] + [5.0] * 18, index=times), u_c=0.25), times[0] + pd.Timedelta("5min"), "above")
    7.0
    """
    part = trace.readings[one_sided.heard(trace.readings)]
    after = int(part.index.searchsorted(time, side="left"))
    if after < len(part) and part.index[after] == time:
        return float(stays.further(part.iloc[[after]], side)[0])
    if not 0 < after < len(part) or bool(timeline.pairs(trace).gap[after - 1]):
        return None
    pair = part.iloc[[after - 1, after]]
    share = (time - pair.index[0]) / (pair.index[1] - pair.index[0])
    first, second = stays.further(pair, side)
    if not np.isfinite([first, second]).all():  # beside a reading without a number there is no line (CONTRACTS rule 9)
        return float(max(first, second) if side == "above" else min(first, second))
    return float(np.round(first + share * (second - first), 6))


def _came_warm(stay: Stay, lot: Lot, units: dict[str, Unit], notes: Any) -> list[str]:
    """Stock that came out of a place beyond the limits it was put into."""
    before = [(other.moved_out, other.line, other) for other in lot.stays if other.moved_out is not None and other.moved_out <= stay.moved_in]
    if not before:
        return []
    left, _, last = max(before, key=lambda one: one[:2])
    unit = units.get(last.unit)
    for trace in unit.traces.values() if unit else ():
        for side in ("above", "below") if trace.probe.decides else ():
            value = at(trace, left, side)
            if value is not None and stay.condition.outside([value], side).any():
                told = f"at {value:.1f} °C" if np.isfinite(value) else f"at a reading without a number, {side} the limit,"
                word = "warm" if side == "above" else "cold"
                return [f"The stock came {word} into {stay.unit} at {notes.local(stay.moved_in)}: {last.unit} was {told} when it left there. In {stay.unit} {NOT_SHOWN}."]
    return []


def _load(stay: Stay, notes: Any) -> list[str]:
    """A load of warm goods that the logbook tells of, or that the course of the unit speaks of, about the time the stock was put in."""
    said = []
    for entry in notes.logbook:
        if entry.kind != "load" or entry.unit not in (None, stay.unit) or abs(entry.time - stay.moved_in) > LOAD_NEAR:
            continue
        figures = [(value, side) for value, side in ((entry.high_c, "above"), (entry.low_c, "below")) if value is not None and stay.condition.outside([value], side).any()]
        if figures or _WARM.search(entry.text):
            told = f"measured at {figures[0][0]:g} °C" if figures else f"“{entry.text}”"
            said.append(f"Logbook line {entry.line} has goods put into {stay.unit} at {notes.local(entry.time)}, {told}: {NOT_SHOWN}.")
    for row in notes.episodes:
        cause = row["causes"][0]["cause"] if row["unit"] == stay.unit and row["causes"] else None
        if cause in LOAD_CAUSES and abs(pd.Timestamp(row["start"]) - stay.moved_in) <= LOAD_NEAR:
            said.append(f"Episode {row['id']}, about the time stock was put into {stay.unit}, looks like {LOAD_CAUSES[cause]} goods put in: {NOT_SHOWN}.")
    return said


def _moved_on(lot: Lot, units: dict[str, Unit], notes: Any) -> list[str]:
    """Stays that end in the window and whose next unit is not in the case."""
    said = []
    for stay in lot.stays:
        if stay.unit not in units or stay.moved_out is None or not notes.window.start < stay.moved_out < notes.window.stop:
            continue
        later = [other for other in lot.stays if other.moved_in >= stay.moved_out]
        following = min(later, key=lambda other: (other.moved_in, other.line), default=None)
        if following is not None and following.unit not in units:
            said.append(f"The stay in {stay.unit} ended at {notes.local(stay.moved_out)}, and {following.unit}, where the lot went, is not part of this case: what it met there is not known.")
    return said
