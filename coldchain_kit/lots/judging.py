"""Which lots were there, what each received over its whole stay, and what of the manufacturer's allowances that used.

Nothing here says that product is safe or must be discarded. Time without readings is never good news: it counts
as used, and it asks for a decision.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Protocol, TypedDict

import numpy as np
import pandas as pd

from coldchain_kit import exposure
from coldchain_kit.excursions import bounds, time_beyond
from coldchain_kit.lots import reach, reasons, stays
from coldchain_kit.lots.stays import Place, Spent, Steps
from coldchain_kit.model import (
    AllowanceRow,
    CalibrationRow,
    CheckRow,
    Condition,
    Direction,
    EarlierRow,
    ExcursionRow,
    ExposureRow,
    FaultRow,
    FreezingRow,
    LotBandRow,
    LotOutsideRow,
    LotRow,
    Results,
    StayProbeRow,
    StayRow,
    Trace,
    Unit,
    one_sided,
    timeline,
)
from coldchain_kit.register import Allowance, Lot, Site, Stay

COLD_KINDS = ("refrigerator", "cold_room")  # where product counts as not to be frozen unless the stock list says otherwise
SIDES: tuple[Direction, Direction] = ("above", "below")


class Window(Protocol):
    """The span of a case (UTC): ``assessment.investigation.Window``."""

    @property
    def start(self) -> pd.Timestamp: ...
    @property
    def end(self) -> pd.Timestamp: ...
    @property
    def stop(self) -> pd.Timestamp: ...
    @property
    def declared_start(self) -> pd.Timestamp | None: ...


class _Spent(TypedDict):
    """The part of a row that says how long a lot was beyond a temperature [min]."""

    minutes_least: float
    minutes_most: float
    longest_least: float
    longest_most: float


class _Bounds(_Spent):
    """The same of one stay by one probe, with the straight line."""

    minutes: float
    longest: float


class _Extremes(TypedDict):
    """The part of a row of exposures about lowest and highest [°C]."""

    min_c: float | None
    min_time: pd.Timestamp | None
    max_c: float | None
    max_time: pd.Timestamp | None
    as_read_min_c: float | None
    as_read_max_c: float | None


class _OutsideTimes(TypedDict):
    """The part of a row of exposures about the readings outside."""

    readings_outside: int
    first_out: pd.Timestamp | None
    last_out: pd.Timestamp | None
    first_back: pd.Timestamp | None


def assess(
    lots: Sequence[Lot], allowances: Sequence[Allowance], units: dict[str, Unit], *, excursions: Sequence[ExcursionRow[pd.Timestamp]], faults: Sequence[FaultRow[pd.Timestamp]], site: Site,
    window: Window, calibration: Sequence[CalibrationRow] = (), checks: Sequence[CheckRow[pd.Timestamp]] = (), earlier: Sequence[EarlierRow[str]] = (),
) -> list[LotRow[pd.Timestamp]]:  # fmt: skip
    """Rows of CONTRACTS ``lots[]``, one a lot, in the order of the stock list.

    Parameters
    ----------
    lots, allowances : as read by ``stock.read`` and ``stock.read_allowances``
    units : dict of name -> Unit
        The units of the case with corrected, flagged traces.
    excursions, faults : rows of CONTRACTS ``excursions[]`` and ``faults[]`` (times as Timestamp or ISO text).
    window : object with ``start``, ``end``, ``stop``, ``declared_start`` [UTC]
        The case's window. A declared edge cuts every stay (CONTRACTS rule 10); where none was declared (the edge is the
        record's own) the whole stay counts, and its time outside the record is time without readings.
    calibration : rows of ``calibration.state`` (a row without ``unit`` counts for every unit).
    checks : rows of ``alarms.checks``; the undecided ones (display outside, readings inside) ask for a decision.
    earlier : rows of :func:`earlier` from frozen cases.

    Returns
    -------
    list of dict: lot, product, presentation, manufacturer, expiry, stays[], exposures[], bands[], outside{}, missing_readings, missing_share (of the stays' time, the worst probe of each), without_readings_min,
    earlier_out_hours, earlier_cases[], allowances[], freezing{} or None, possible_freezing (None: no reading says), needs_decision, why[].
    """
    steps, edges = Steps(), _edges(window)
    notes = reasons.Notes(excursions, faults, calibration, checks, site)
    return [_lot(lot, [row for row in allowances if row.lot == lot.lot], units, steps, edges, notes, [row for row in earlier if row["lot"] == lot.lot]) for lot in lots]


def _edges(window: Window) -> stays.Edges:
    """Declared start and end of the window (None: not declared), and where a stay ends that has no end."""
    return window.declared_start, (window.end if window.stop == window.end else None), window.stop


def _lot(lot: Lot, allowances: list[Allowance], units: dict[str, Unit], steps: Steps, edges: stays.Edges, notes: reasons.Notes, before: list[EarlierRow[str]]) -> LotRow[pd.Timestamp]:
    places = _places(lot, units, edges)
    freezing = _freezing(lot, places, notes.site)
    stated = lot.earlier_out_hours or 0.0
    earlier_hours = (stated + sum(row["out_hours_least"] for row in before), stated + sum(row["out_hours_most"] for row in before))
    directions = dict.fromkeys(side for here in places for side in SIDES if here.stay.condition.limit_c(side) is not None)
    outside = {side: _outside(places, steps, side) for side in directions}
    silent_min = _without_readings(places, steps)
    exposures = [row for here in places for trace in here.traces for row in _exposures(here, trace, steps, notes)]
    used = [_allowance(row, places, steps, silent_min, earlier_hours, notes) for row in allowances]
    missing = [[reach.losses(trace, here, steps) for trace in here.traces] for here in places]
    lost_min = sum(max((one.share for one in found), default=1.0) * here.minutes for here, found in zip(places, missing, strict=True))
    why = reasons.why(places, steps, freezing, before, edges, notes)
    return {
        "lot": lot.lot, "product": lot.product, "presentation": lot.presentation, "manufacturer": lot.manufacturer, "expiry": lot.expiry,
        "stays": [_stay(stay, places, steps) for stay in lot.stays], "exposures": exposures, "allowances": used, "bands": _bands(places, steps), "outside": outside,
        "missing_readings": sum(max((one.count for one in found), default=0) for found in missing),
        "missing_share": lost_min / sum(here.minutes for here in places) if places else None,
        "without_readings_min": silent_min, "earlier_out_hours": lot.earlier_out_hours, "earlier_cases": before,
        "freezing": freezing, "possible_freezing": freezing["possible"] if freezing else None, "needs_decision": bool(why), "why": why,
    }  # fmt: skip


def _places(lot: Lot, units: dict[str, Unit], edges: stays.Edges) -> list[Place]:
    """The stays as far as the window reaches; rows of one unit that overlap are one stay."""
    start, end, last = edges
    found: list[Place] = []
    for stay in lot.stays:
        opens = stay.moved_in if start is None else max(stay.moved_in, start)
        closes = max(last, opens) if stay.moved_out is None else stay.moved_out
        closes = closes if end is None else min(closes, end)
        if closes <= opens:
            continue
        same = next((at for at, here in enumerate(found) if here.stay.unit == stay.unit and here.stay.condition == stay.condition and opens <= here.closes), None)
        if same is None:
            found.append(stays.place(stay, units.get(stay.unit), opens=opens, closes=closes))
        else:
            found[same] = stays.place(found[same].stay, units.get(stay.unit), opens=found[same].opens, closes=max(closes, found[same].closes))
    return found


def _stay(stay: Stay, places: list[Place], steps: Steps) -> StayRow[pd.Timestamp]:
    """One row of ``stays[]``: as the stock list has it, and what the probes there showed."""
    here = next((place for place in places if place.stay.unit == stay.unit and place.opens < (stay.moved_out or place.closes) and place.closes > stay.moved_in), None)
    return {
        "unit": stay.unit, "moved_in": stay.moved_in, "moved_out": stay.moved_out, "quantity": stay.quantity, "state": stay.state, "condition": stay.condition.id,
        "condition_title": stay.condition.title, "condition_source": stay.condition.source, "condition_status": stay.condition.status,
        "judged_from": here.opens if here else None, "judged_to": _to(here) if here else None,
        "probes": [_readings(here, trace, steps) for trace in here.traces] if here else [],
    }  # fmt: skip


def _readings(here: Place, trace: Trace, steps: Steps) -> StayProbeRow:
    part, condition = stays.within(trace, here), here.stay.condition
    celsius = part["celsius"]
    valued, mkt, no_mean = part[one_sided.heard(part)], None, one_sided.why_no_mean(part)
    gap = None if no_mean else timeline.gap_marks(trace, start=here.seen_from, stop=here.seen_to)
    refusal = exposure.mkt_refusal(condition, role=trace.probe.role, decides=True)
    if not refusal and len(valued) and condition.outside(stays.further(valued, "below"), "below").any():
        refusal = "MKT is not computed where a reading lies below the low limit: a mean would hide it."
    refusal = refusal or no_mean
    if not refusal:
        mkt = exposure.mkt_c(celsius, ea_kj_mol=condition.activation_energy_kj_mol, gap=gap)
    return {
        "probe": trace.probe.name, "role": trace.probe.role, "readings": len(valued), "mean_c": None if no_mean else exposure.mean_c(celsius, gap=gap), "mean_why_not": no_mean, "mkt_c": mkt, "mkt_why_not": refusal,
        "ea_kj_mol": condition.activation_energy_kj_mol, "covered_share": timeline.coverage(bounds.known(trace, condition), start=here.opens, end=here.closes)["covered_share"] if len(part) else 0.0,
        "without_readings_min": _silent_min(trace, here, steps), "u_c": float(part["u_c"].max()) if len(part) else None,
    }  # fmt: skip


def _to(here: Place) -> pd.Timestamp:
    """The stay's end to show; the instant just past the last reading is that reading's."""
    return here.closes.floor("s")


def _silent_min(trace: Trace, here: Place, steps: Steps) -> float:
    return stays.length_min(steps.silence(trace, here))


def _without_readings(places: list[Place], steps: Steps) -> float:
    """Minutes of all stays and between them in which nothing is known, the worst probe of each stay [min]."""
    total, end = 0.0, None
    for here in places:
        total += 0.0 if end is None else max(0.0, (here.opens - end) / pd.Timedelta(minutes=1))
        total += max((_silent_min(trace, here, steps) for trace in here.traces), default=here.minutes)
        end = here.closes if end is None else max(end, here.closes)
    return total


def _exposures(here: Place, trace: Trace, steps: Steps, notes: reasons.Notes) -> list[ExposureRow[pd.Timestamp]]:
    """Rows of ``exposures[]``: one stay, one probe, one limit of the product's own condition."""
    part, condition = stays.within(trace, here), here.stay.condition
    valued = part[one_sided.heard(part) & ~one_sided.unknown(part, condition)]
    listed = notes.excursions_of(here, trace.probe.name)
    rows: list[ExposureRow[pd.Timestamp]] = []
    for direction in SIDES:
        limit_c = condition.limit_c(direction)
        if limit_c is None:
            continue
        times = _outside_times(trace, valued, condition, direction)
        rows.append({
            "unit": here.stay.unit, "probe": trace.probe.name, "role": trace.probe.role, "start": here.opens, "end": _to(here), "condition": condition.id,
            "direction": direction, "limit_c": limit_c, **_bounds(here, trace, steps, limit_c, direction), **times, **one_sided.extremes(part),
            "excursions": [row["id"] for row in listed if row["direction"] == direction],
        })  # fmt: skip
    return rows


def _bounds(here: Place, trace: Trace, steps: Steps, limit_c: float, direction: str) -> _Bounds:
    """Minutes beyond a temperature by one probe during one stay, widened by the clock's doubt but for "at least"."""
    table = steps.table(trace, limit_c=limit_c, direction=direction, condition=here.stay.condition)
    seen = {"start_us": stays.micros(here.seen_from), "end_us": stays.micros(here.seen_to)}
    whole, single = time_beyond.total(table, **seen), time_beyond.longest(table, **seen)
    held = stays.spent([replace(here, traces=(trace,))], steps, limit_c=limit_c, direction=direction, unknown_counts=False, own=here.stay.condition)
    return {
        "minutes": whole.minutes, "minutes_least": held.total_least, "minutes_most": held.total_most,
        "longest": single.minutes, "longest_least": held.single_least, "longest_most": held.single_most,
    }  # fmt: skip


def _outside_times(trace: Trace, valued: pd.DataFrame, condition: Condition, direction: str) -> _OutsideTimes:
    """First and last reading outside during the stay, and the first back inside, which may lie after it."""
    out = condition.outside(stays.further(valued, direction), direction)
    if not out.any():
        return {"readings_outside": 0, "first_out": None, "last_out": None, "first_back": None}
    last = valued.index[np.flatnonzero(out)[-1]]
    later = trace.readings[(trace.readings.index > last) & one_sided.heard(trace.readings) & ~one_sided.unknown(trace.readings, condition)]
    back = np.flatnonzero(~condition.outside(stays.further(later, direction), direction))
    return {
        "readings_outside": int(out.sum()), "first_out": valued.index[int(np.argmax(out))], "last_out": last,
        "first_back": later.index[back[0]] if len(back) else None,
    }  # fmt: skip


def _bands(places: list[Place], steps: Steps) -> list[LotBandRow]:
    """Time beyond each temperature of the condition's bands over all stays, the worst probe of each [min]."""
    cuts = dict.fromkeys(cut for here in places for cut in here.stay.condition.bands())
    own = places[0].stay.condition if places else None
    return [
        {"direction": direction, "limit_c": limit_c, **_asdict(stays.spent(places, steps, limit_c=limit_c, direction=direction, unknown_counts=False, own=own))}
        for direction, limit_c in cuts
    ]


def _outside(places: list[Place], steps: Steps, direction: Direction) -> LotOutsideRow:
    """Over all stays, beyond the first stay's limit on that side."""
    condition, limit_c = next((here.stay.condition, limit) for here in places if (limit := here.stay.condition.limit_c(direction)) is not None)
    return {"limit_c": limit_c, **_asdict(stays.spent(places, steps, limit_c=limit_c, direction=direction, unknown_counts=False, own=condition))}


def _asdict(spent: Spent) -> _Spent:
    return {
        "minutes_least": spent.total_least, "minutes_most": spent.total_most, "longest_least": spent.single_least, "longest_most": spent.single_most,
    }  # fmt: skip


def _freezing(lot: Lot, places: list[Place], site: Site) -> FreezingRow[pd.Timestamp] | None:
    """The lowest reading of any probe less U over all stays; None where no probe says anything."""
    rows: list[FreezingRow[pd.Timestamp]] = []
    for here in places:
        kind = site.units[here.stay.unit].kind
        limit = here.stay.condition.freeze_c
        matters = any(freeze_matters(stay, kind) for stay in lot.stays if stay.unit == here.stay.unit)
        for trace in here.unit.traces.values() if here.unit else ():
            if trace.probe.role == "room" and kind != "room":
                continue
            row = exposure.freezing(trace, freeze_c=0.0 if limit is None else limit, start=here.seen_from, end=here.seen_to)
            if row is not None:
                rows.append({"unit": here.stay.unit, **row, "possible": row["possible"] and matters, "do_not_freeze": matters})
    return min(rows, key=lambda row: (not row["possible"], -np.inf if row["lowest_less_u_c"] is None else row["lowest_less_u_c"])) if rows else None


def freeze_matters(stay: Stay, kind: str) -> bool:
    """Whether the product must not freeze: as the stock list says, else yes in a refrigerator or where the condition says so.

    Examples
    --------
    >>> stay = Stay("F2", pd.Timestamp("2026-03-01", tz="UTC"), None, None, 2, Condition("own", "Own", 15.0, 25.0))
    >>> freeze_matters(stay, "refrigerator"), freeze_matters(stay, "room"), freeze_matters(replace(stay, do_not_freeze=False), "refrigerator")
    (True, False, False)
    """
    if stay.do_not_freeze is not None:
        return stay.do_not_freeze
    return not stay.condition.frozen and (stay.condition.do_not_freeze or kind in COLD_KINDS)


def _allowance(row: Allowance, places: list[Place], steps: Steps, silent_min: float, earlier_hours: tuple[float, float], notes: reasons.Notes) -> AllowanceRow:
    """One row of ``allowances[]``: hours used, at least and at most, or why it does not apply."""
    direction, from_c, to_c = band(row, places)
    used = stays.spent(places, steps, limit_c=from_c, direction=direction, unknown_counts=True, own=places[0].stay.condition if places else None)
    if row.counting == "total":
        least, most = used.total_least / 60 + earlier_hours[0], used.total_most / 60 + earlier_hours[1]
    else:
        least, most = max(used.single_least / 60, earlier_hours[0]), max(used.single_most / 60, earlier_hours[1])
    beyond_end = reasons.beyond_ceiling(places, direction, to_c, notes)
    applicable = not beyond_end
    return {
        "lot": row.lot, "from_c": row.from_c, "to_c": row.to_c, "direction": direction, "hours": row.hours, "counting": row.counting, "source": row.source,
        "dated": None if row.dated is None else row.dated.isoformat(), "line": row.line, "used_least": least, "used_most": most, "applicable": applicable,
        "share_least": least / row.hours if applicable else None, "share_most": most / row.hours if applicable else None,
        "earlier_hours": earlier_hours[1], "without_readings_hours": silent_min / 60,
        "why": " ".join(beyond_end or reasons.counted(row, silent_min, earlier_hours[1])),
    }  # fmt: skip


def band(row: Allowance, places: Sequence[Place] = ()) -> tuple[Direction, float, float]:
    """Direction, near end and far end [°C] of an allowance.

    ``to_c`` is the far end; a band written upwards but lying wholly at or below the product's low limit ("from 0 to 2")
    is a cold one: its far end is the colder.
    """
    low = next((here.stay.condition.limit_c("below") for here in places if here.stay.condition.limit_c("below") is not None), None)
    if row.from_c > row.to_c:
        return "below", row.from_c, row.to_c
    if low is not None and row.to_c <= low:
        return "below", row.to_c, row.from_c
    return "above", row.from_c, row.to_c


def earlier(results: Results[str]) -> list[EarlierRow[str]]:
    """What a frozen case found for its lots, for the ``earlier`` of a later case.

    Returns
    -------
    list of dict: case, lot, start, end, out_hours_least, out_hours_most (out of range in either direction and without readings) [h],
    possible_freezing.
    """
    rows: list[EarlierRow[str]] = []
    for lot in results.get("lots", ()):
        sides = lot.get("outside", {}).values()
        rows.append({
            "case": results["case"]["id"], "lot": lot["lot"], "start": results["case"]["window"][0], "end": results["case"]["window"][1],
            "out_hours_least": sum(side["minutes_least"] for side in sides) / 60,
            "out_hours_most": (sum(side["minutes_most"] for side in sides) + lot.get("without_readings_min", 0.0)) / 60,
            "possible_freezing": lot.get("possible_freezing"),
        })  # fmt: skip
    return rows
