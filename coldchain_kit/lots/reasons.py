"""Why a lot asks for a decision: plain sentences from the rows of a case (CONTRACTS rule 14)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, cast

import numpy as np
import pandas as pd

from coldchain_kit.base import zones
from coldchain_kit.lots import left_out, moves, reach, stays
from coldchain_kit.lots.stays import Place, Steps, hours
from coldchain_kit.model import AllowanceRow, CalibrationRow, Direction, EarlierRow, EpisodeRow, ExcursionRow, FaultRow, FreezingRow, Trace, Unit, one_sided
from coldchain_kit.register import LogEntry, Lot, Site

FAULT_WORDS = {
    "spike": "single readings that jump", "flat_line": "a flat line", "rate": "a change too fast to be real", "range": "readings outside the sensor's range",
    "no_value": "readings without a value", "one_sided": "readings at the end of the range", "disagreement": "probes that disagree", "clock": "the clock",
    "unit_mixup": "the unit of measure", "repeated": "a repeated stretch", "interval": "an interval that nothing states", "resolution": "a display step other than the declared one",
}  # fmt: skip
COLD_C, INSIDE_SHARE, LEAST_READINGS = 15.0, 0.9, 48  # a room that staff work in is warmer than this (common practice, no source); the share and the least are our own
MANY = 5  # more excursions of one probe and direction than this are one sentence; the results list them all


NOTHING_JUDGED = "No stay of the lot lies within the time of this case: nothing was judged."


class Notes:
    """The rows of a case that a lot's stay is compared with."""

    def __init__(
        self, excursions: Sequence[ExcursionRow[pd.Timestamp]], faults: Sequence[FaultRow[pd.Timestamp]], calibration: Sequence[CalibrationRow], site: Site, *, window: Any,
        logbook: Sequence[LogEntry] = (), episodes: Sequence[EpisodeRow[pd.Timestamp]] = (), no_readings: str = "",
    ):  # fmt: skip
        self.excursions, self.faults, self.calibration, self.site = excursions, faults, calibration, site
        self.window, self.logbook, self.episodes, self.no_readings = window, logbook, episodes, no_readings

    def local(self, time: pd.Timestamp) -> str:
        """An instant in the site's time with its offset."""
        return zones.shown(pd.Timestamp(time).floor("min"), zone=self.site.timezone)

    def excursions_of(self, here: Place, probe: str | None = None) -> list[ExcursionRow[pd.Timestamp]]:
        """Excursions of the stay's unit that may have met it; those by the display belong to no probe."""
        rows = [row for row in self.excursions if row["unit"] == here.stay.unit and (probe is None or row["probe"] == probe)]
        return [row for row in rows if self.meets(here, row)]

    def displays_of(self, unit: str) -> tuple[ExcursionRow[pd.Timestamp], ...]:
        """Excursions of a unit by the display."""
        return tuple(row for row in self.excursions if row["unit"] == unit and row.get("basis") == "display")

    def meets(self, here: Place, row: ExcursionRow[pd.Timestamp]) -> bool:
        """Whether an excursion may have met the stay."""
        return _meets(here, row["start_earliest"], row["end_latest"])


def _meets(here: Place, start: pd.Timestamp | None, end: pd.Timestamp | None) -> bool:
    """Whether a span meets the stay; an end that is not known reaches on."""
    opens = pd.Timestamp.min.tz_localize("UTC") if start is None or pd.isna(start) else pd.Timestamp(start)
    closes = pd.Timestamp.max.tz_localize("UTC") if end is None or pd.isna(end) else pd.Timestamp(end)
    return opens < here.seen_to and closes >= here.seen_from


def why(
    lot: Lot, places: Sequence[Place], steps: Steps, *, units: dict[str, Unit], freezing: FreezingRow[pd.Timestamp] | None, before: Sequence[EarlierRow[str]],
    statements: Sequence[AllowanceRow], edges: stays.Edges, notes: Notes,
) -> list[str]:  # fmt: skip
    """Every reason for a decision (CONTRACTS rule 14), one sentence each; an empty list where there is none."""
    said = [f"No probe that decides has a reading in the time of this case ({notes.no_readings}): nothing is known but what the paper checks say."] if notes.no_readings else []
    if not places:
        return [*said, NOTHING_JUDGED]
    for here in places:
        said += _excursions(here, notes)
        said += _silence(here, steps, notes)
        said += _interval(here)
        said += _missing(here, steps, notes)
        said += _one_sided(here, notes)
        said += _aside(here, notes)
        said += _faults(here, notes)
        said += _calibration(here, notes)
    said += moves.reasons(lot, places, units, notes)
    said += _between(places, notes)
    said += _freezing(freezing, notes)
    said += _own_limits(places, notes)
    said += left_out.reasons(places, edges, notes.logbook)
    said += _over(statements)
    said += [f"Case {row['case']} found possible freezing of this lot before." for row in before if row["possible_freezing"]]
    return list(dict.fromkeys(said))


def _excursions(here: Place, notes: Notes) -> list[str]:
    """A sentence an excursion; many of one probe and direction in one sentence."""
    groups: dict[tuple[str | None, Direction], list[ExcursionRow[pd.Timestamp]]] = {}
    shown = notes.displays_of(here.stay.unit)
    for row in notes.excursions_of(here):
        if row not in shown:
            groups.setdefault((row["probe"], row["direction"]), []).append(row)
    said = [_by_display(row, notes) for row in shown if notes.meets(here, row)]
    for (probe, direction), rows in groups.items():
        place = f"{direction} {rows[0]['limit_c']:g} °C in {here.stay.unit}, probe {probe}"
        if len(rows) > MANY:
            first, last = _out(rows[0], rows[-1], notes)
            said.append(f"{len(rows)} excursions ({rows[0]['id']} to {rows[-1]['id']}) {place}, the first from {first}, the last until {last}.")
            continue
        for row in rows:
            doubt = ", within the probe's uncertainty: handle as an excursion" if row["verdict"] == "undecided" else ""
            first, last = _out(row, row, notes)
            said.append(f"Excursion {row['id']} {place}, from {first} to {last}{doubt}.")
    return said


def _out(first: ExcursionRow[pd.Timestamp], last: ExcursionRow[pd.Timestamp], notes: Notes) -> tuple[str, str]:
    """First reading outside of one excursion by readings and last of another, as local times."""
    return notes.local(cast(pd.Timestamp, first["first_out"])), notes.local(cast(pd.Timestamp, last["last_out"]))


def _by_display(row: ExcursionRow[pd.Timestamp], notes: Notes) -> str:
    """An excursion by the display in one sentence."""
    side = "high" if row["direction"] == "above" else "low"
    return (
        f"Excursion {row['id']} {row['direction']} {row['limit_c']:g} °C in {row['unit']}: outside by the display ({row['extreme_c']:g} °C as its {side}est, logbook line "
        f"{row['logbook_line']}), time not known, between {notes.local(row['start'])} and {notes.local(row['end'])}; no reading shows it."
    )


def _silence(here: Place, steps: Steps, notes: Notes) -> list[str]:
    if not here.traces:
        return [f"No probe of {here.stay.unit} that decides is part of this case: {hours(here.minutes)} of the stay are without readings."]
    mute = [name for name, trace in here.unit.traces.items() if trace.probe.decides and not len(trace.readings)] if here.unit else []
    said = [f"Probe {name} of {here.stay.unit} decides and has no reading at all: nothing is known of what it would have shown." for name in mute]
    for trace in here.traces:
        spans = steps.silence(trace, here, coarse=False)
        if len(spans):
            total, (start, end) = stays.length_min(spans), max(spans.tolist(), key=lambda span: span[1] - span[0])
            count = "One stretch" if len(spans) == 1 else f"{len(spans)} stretches"
            first, last = (notes.local(pd.Timestamp(round(us), unit="us", tz="UTC")) for us in (start, end))
            longest = f"from {first} to {last}" if len(spans) == 1 else f"the longest from {first} to {last}"
            said.append(f"{count} without readings of {here.stay.unit}, probe {trace.probe.name}: {hours(total)}, {longest}.")
    return said


def _interval(here: Place) -> list[str]:
    """Probes for which nothing states how often they read: readings left out at even steps would not be seen."""
    opens, closes = stays.micros(here.opens), stays.micros(here.closes)
    silent = [trace.probe.name for trace in here.traces if not trace.cadences or any(one.says_nothing(opens, closes) for one in trace.cadences)]
    if not silent:
        return []
    names = f"probe {silent[0]}" if len(silent) == 1 else f"probes {', '.join(silent)}"
    return [
        f"Nothing states how often the logger of {here.stay.unit}, {names}, reads, so that readings left out evenly would not be seen: "
        "put interval_min into the register, as the logger is set."
    ]


def _missing(here: Place, steps: Steps, notes: Notes) -> list[str]:
    """Missing readings between which a limit could have been crossed, and 1 % of the stay missing; isolated losses out of reach are no reason."""
    said = []
    for trace in here.traces:
        found, place = reach.losses(trace, here, steps), f"{here.stay.unit}, probe {trace.probe.name}"
        if found.crossed:
            start, end, side, rise_k = found.crossed[0]
            pace = "no sound pace of this probe is known" if np.isinf(rise_k) else f"at its fastest sound pace it goes {rise_k:.2g} °C beyond and back in that time"
            places = "At one place" if len(found.crossed) == 1 else f"At {len(found.crossed)} places, the first"
            limit_c = here.stay.condition.limit_c(side)
            said.append(
                f"{places} from {notes.local(start)} to {notes.local(end)}, readings of {place} are missing, and between them it could have been "
                f"{side} {limit_c:g} °C: {pace}."
            )
        if found.share >= reach.SHARE and found.isolated:
            said.append(f"{100 * found.share:.1f} % of the stay is without readings of {place}: {found.count} readings are missing.")
    return said


def _one_sided(here: Place, notes: Notes) -> list[str]:
    said = []
    for trace in here.unit.traces.values() if here.unit else ():
        part = stays.within(trace, here)
        count = int((part["one_sided"] != 0).sum())
        if count:
            said.append(f"Readings that say on which side and not how far{one_sided.quoted(part)} of {here.stay.unit}, probe {trace.probe.name}: {count}, first at {notes.local(part.index[int(np.argmax(part['one_sided'].to_numpy() != 0))])}.")
    return said


def _aside(here: Place, notes: Notes) -> list[str]:
    """Probes that are said not to decide, or that are not registered, and that left the limits of the product.

    A probe in the room around the unit is not in it, unless its own readings say that it is; one that stands aside only because another
    decides is not said not to.
    """
    entries, said = notes.site.units[here.stay.unit].probes, []
    for name, trace in here.unit.traces.items() if here.unit else ():
        registered = trace.probe.registered
        of_room = trace.probe.role == "room" and notes.site.units[here.stay.unit].kind != "room"
        within = of_room and _lies_inside(trace, here)
        aside = not trace.probe.decides and (not registered or (name in entries and entries[name].decides is False) or within)
        if not aside or of_room and not within:
            continue
        what = "is called a room probe, but its readings lie inside the unit's limits nearly all the time," if within else "is said not to decide" if registered else "is not registered"
        said += [f"Probe {name} of {here.stay.unit} {what}, and it left the limits: {words}." for words in _beyond(trace, here, notes)]
    return said


def _lies_inside(trace: Trace, here: Place) -> bool:
    """Whether a "room" probe reads like one in a cold place: nearly all its readings within limits that no room has."""
    condition, values = here.stay.condition, trace.celsius.dropna().to_numpy()
    high = condition.limit_c("above")
    if high is None or high > COLD_C or len(values) < LEAST_READINGS:
        return False
    return float((condition.outside(values, "above") | condition.outside(values, "below")).mean()) <= 1 - INSIDE_SHARE


def _beyond(trace: Trace, here: Place, notes: Notes) -> list[str]:
    """How many readings of a probe lie beyond the product's own limits during the stay, and the furthest, a side each."""
    part, condition, said = stays.within(trace, here).dropna(subset="celsius"), here.stay.condition, []
    for side, pick in (("above", np.argmax), ("below", np.argmin)):
        values = stays.further(part, side)
        out = condition.outside(values, side)
        if out.any():
            at = int(pick(values))
            count = f"{int(out.sum())} readings" if out.sum() > 1 else "one reading"
            said.append(f"{count} {side} {condition.limit_c(side):g} °C, the furthest {values[at]:g} °C at {notes.local(part.index[at])}")
    return said


def _faults(here: Place, notes: Notes) -> list[str]:
    """Open faults by probe and kind; gaps and one-sided readings have sentences of their own."""
    groups: dict[tuple[str | None, str], list[FaultRow[pd.Timestamp]]] = {}
    for row in notes.faults:
        if row["unit"] == here.stay.unit and row["kind"] not in ("gap", "one_sided") and _meets(here, row["start"], row["end"]):
            groups.setdefault((row["probe"], row["kind"]), []).append(row)
    return [
        f"Open question about the record of {here.stay.unit}{f', probe {probe}' if probe else ''}: {FAULT_WORDS.get(kind, kind)}"
        + (f", {len(rows)} times, first: {rows[0]['text']}" if len(rows) > 1 else f": {rows[0]['text']}")
        for (probe, kind), rows in groups.items()
    ]


def _calibration(here: Place, notes: Notes) -> list[str]:
    """Certificates that ran out before the stay's end, and probes found out of tolerance afterwards."""
    names = {trace.probe.name for trace in here.traces}
    said = []
    for row in notes.calibration:
        if row["probe"] not in names or row.get("unit") not in (None, here.stay.unit):
            continue
        zone = zones.database(notes.site.timezone)
        first, last = (str(time.tz_convert(zone).date()) for time in (here.opens, here.closes))
        if row.get("as_found_out"):
            if (row["doubt_since"] or "") <= last and (row["doubt_until"] or "9999") >= first:
                said.append(row["text"])
        elif row["due"] is not None and last > str(row["due"]):
            said.append(f"The calibration of {here.stay.unit}, probe {row['probe']}, was due on {row['due']}, before the stay ended.")
    return said


def _between(places: Sequence[Place], notes: Notes) -> list[str]:
    said, end = [], places[0].closes
    for here in places[1:]:
        if here.opens > end:
            said.append(f"Between two stays, from {notes.local(end)} to {notes.local(here.opens)}, there are no readings: {hours((here.opens - end) / pd.Timedelta(minutes=1))}.")
        end = max(end, here.closes)
    return said


def _freezing(row: FreezingRow[pd.Timestamp] | None, notes: Notes) -> list[str]:
    if not row or not row["possible"]:
        return []
    if row.get("lowest_one_sided"):
        said = f"“{row['lowest_text']}”" if row["lowest_text"] else "the end of the declared range"
        return [f"Possible freezing: a reading of {row['unit']}, probe {row['probe']}, at {notes.local(row['time'])} says {said} and no number: how cold it was is not known."]
    where = "by the display, time not known, before" if row["probe"] is None else f"probe {row['probe']}, at"
    return [
        f"Possible freezing: {row['lowest_c']:g} °C in {row['unit']}, {where} {notes.local(row['time'])}, less its uncertainty of {row['expanded_c']:.2g} °C, "
        f"is {row['lowest_less_u_c']:.2f} °C; counted is what lies {row['freeze_rule']}."
    ]


def _own_limits(places: Sequence[Place], notes: Notes) -> list[str]:
    """Readings outside the product's own condition where that is not the unit's, so that no excursion of the case shows them."""
    found = []
    for here in places:
        if here.stay.condition == notes.site.units[here.stay.unit].condition:
            continue
        for trace in here.traces:
            part = stays.within(trace, here)
            part = part[one_sided.heard(part) & ~one_sided.unknown(part, here.stay.condition)]
            for direction in ("above", "below"):
                values = stays.further(part, direction)
                count = int(here.stay.condition.outside(values, direction).sum())
                if count:
                    found.append(f"{count} readings of {here.stay.unit}, probe {trace.probe.name}, lie {direction} the product's own limit of {here.stay.condition.limit_c(direction):g} °C.")
    return found


def _over(statements: Sequence[AllowanceRow]) -> list[str]:
    """Statements of which more is used than was stated, even by this case's readings at least."""
    return [
        f"More than was stated: at least {row['used_least']:.1f} h between {row['from_c']:g} and {row['to_c']:g} °C, stated are {row['hours']:g} h ({row['source']})."
        for row in statements if row["more_than_stated"] == "yes"
    ]  # fmt: skip
