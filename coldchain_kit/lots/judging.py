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
from coldchain_kit.lots import allowed, beside, reach, reasons, stays
from coldchain_kit.lots.stays import Place, Spent, Steps
from coldchain_kit.model import (
    CalibrationRow,
    Condition,
    Direction,
    EarlierRow,
    EpisodeRow,
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
from coldchain_kit.quality import checks
from coldchain_kit.register import Allowance, LogEntry, Lot, Site, Stay, stock

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


class _FreezingPoint(TypedDict):
    """The part of a row of freezing that says what it is held against."""

    do_not_freeze: bool
    freeze_c: float
    freeze_rule: str


class _OutsideTimes(TypedDict):
    """The part of a row of exposures about the readings outside."""

    readings_outside: int
    first_out: pd.Timestamp | None
    last_out: pd.Timestamp | None
    first_back: pd.Timestamp | None


def assess(
    lots: Sequence[Lot], allowances: Sequence[Allowance], units: dict[str, Unit], *, excursions: Sequence[ExcursionRow[pd.Timestamp]], faults: Sequence[FaultRow[pd.Timestamp]], site: Site,
    window: Window, calibration: Sequence[CalibrationRow] = (), logbook: Sequence[LogEntry] = (), episodes: Sequence[EpisodeRow[pd.Timestamp]] = (), earlier: Sequence[EarlierRow[str]] = (),
    no_readings: str = "",
) -> list[LotRow[pd.Timestamp]]:  # fmt: skip
    """Rows of CONTRACTS ``lots[]``, one a lot, in the order of the stock list.

    Parameters
    ----------
    lots, allowances : as read by ``stock.read`` and ``stock.read_allowances``
    units : dict of name -> Unit
        The units of the case with corrected, flagged traces.
    excursions, faults, episodes : rows of CONTRACTS ``excursions[]``, ``faults[]``, ``episodes[]`` (times as Timestamp or ISO text)
        Excursions by the display among them.
    window : object with ``start``, ``end``, ``stop``, ``declared_start`` [UTC]
        The case's window. A declared edge cuts every stay (CONTRACTS rule 10); where none was declared (the edge is the
        record's own) the whole stay counts, and its time outside the record is time without readings.
    calibration : rows of ``calibration.state`` (a row without ``unit`` counts for every unit).
    logbook : as read by ``logbook.read``: loads, and minima on a display that are below the freezing point.
    earlier : rows of :func:`earlier` from frozen cases.
    no_readings : str
        Why no deciding probe has a reading in the window, as the case says; every lot needs a decision then.

    Returns
    -------
    list of dict: lot, product, presentation, manufacturer, expiry, goes_with, stays[], exposures[], bands[], outside{}, missing_readings,
    missing_share (of the stays' time, the worst probe of each), without_readings_min, earlier_out_hours, earlier_known, earlier_cases[],
    allowances[], sides_without_statement[], product_beside[], freezing{} or None, possible_freezing (None: no reading says), needs_decision, why[].
    """
    steps, edges = Steps(), _edges(window)
    notes = reasons.Notes(excursions, faults, calibration, site, window=window, logbook=logbook, episodes=episodes, no_readings=no_readings)
    contents = beside.Beside(site)
    return [
        _lot(lot, [row for row in allowances if row.lot == lot.lot], units, steps, contents, edges, notes, [row for row in earlier if row["lot"] == lot.lot])
        for lot in lots
    ]  # fmt: skip


def _edges(window: Window) -> stays.Edges:
    """Declared start and end of the window (None: not declared), and where a stay ends that has no end."""
    return window.declared_start, (window.end if window.stop == window.end else None), window.stop


def _lot(
    lot: Lot, allowances: list[Allowance], units: dict[str, Unit], steps: Steps, contents: beside.Beside, edges: stays.Edges, notes: reasons.Notes, before: list[EarlierRow[str]]
) -> LotRow[pd.Timestamp]:
    places = _places(lot, units, edges, notes)
    freezing = _freezing(lot, places, notes)
    stated = lot.earlier_out_hours or 0.0
    earlier_hours = (stated + sum(row["out_hours_least"] for row in before), stated + sum(row["out_hours_most"] for row in before))
    directions = dict.fromkeys(side for here in places for side in SIDES if here.stay.condition.limit_c(side) is not None)
    outside = {side: _outside(places, steps, side) for side in directions}
    silent_min = _without_readings(places, steps)
    statements = [allowed.row(row, lot, places, steps, silent_min, earlier_hours, notes) for row in allowances]
    exposures = [row for here in places for trace in here.traces for row in _exposures(here, trace, steps, notes)]
    exposures += [row for here in places for row in _displays(here, notes)]
    missing = [[reach.losses(trace, here, steps) for trace in here.traces] for here in places]
    lost_min = sum(max((one.share for one in found), default=1.0) * here.minutes for here, found in zip(places, missing, strict=True))
    why = reasons.why(lot, places, steps, units=units, freezing=freezing, before=before, statements=statements, edges=edges, notes=notes)
    return {
        "lot": lot.lot, "product": lot.product, "presentation": lot.presentation, "manufacturer": lot.manufacturer, "expiry": lot.expiry, "goes_with": lot.goes_with,
        "stays": [_stay(stay, places, steps) for stay in lot.stays], "exposures": exposures, "allowances": statements,
        "sides_without_statement": allowed.sides_without(statements, list(directions)), "bands": _bands(places, steps), "outside": outside,
        "product_beside": [row for here in places for row in contents.rows(here)],
        "missing_readings": sum(max((one.count for one in found), default=0) for found in missing),
        "missing_share": lost_min / sum(here.minutes for here in places) if places else None,
        "without_readings_min": silent_min, "earlier_out_hours": lot.earlier_out_hours, "earlier_known": lot.earlier_known, "earlier_cases": before,
        "freezing": freezing, "possible_freezing": freezing["possible"] if freezing else None, "needs_decision": bool(why), "why": why,
    }  # fmt: skip


def _places(lot: Lot, units: dict[str, Unit], edges: stays.Edges, notes: reasons.Notes) -> list[Place]:
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
        shown = notes.displays_of(stay.unit)
        if same is None:
            found.append(stays.place(stay, units.get(stay.unit), opens=opens, closes=closes, shown=shown))
        else:
            whole = {"opens": found[same].opens, "closes": max(closes, found[same].closes)}
            found[same] = stays.place(found[same].stay, units.get(stay.unit), **whole, shown=shown)
    return found


def _stay(stay: Stay, places: list[Place], steps: Steps) -> StayRow[pd.Timestamp]:
    """One row of ``stays[]``: as the stock list has it, and what the probes there showed."""
    here = next((place for place in places if place.stay.unit == stay.unit and place.opens < (stay.moved_out or place.closes) and place.closes > stay.moved_in), None)
    return {
        "unit": stay.unit, "moved_in": stay.moved_in, "moved_out": stay.moved_out, "quantity": stay.quantity, "state": stay.state or stock.UNOPENED,
        "state_stated": stay.state is not None, "opened_at": stay.opened_at, "condition": stay.condition.id,
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
            "direction": direction, "limit_c": limit_c, **_bounds(here, trace, steps, limit_c, direction), **times, **exposure.extremes(part),
            "excursions": [row["id"] for row in listed if row["direction"] == direction],
        })  # fmt: skip
    return rows


def _bounds(here: Place, trace: Trace, steps: Steps, limit_c: float, direction: Direction) -> _Bounds:
    """Minutes beyond a temperature by one probe during one stay, widened by the clock's doubt but for "at least"."""
    table = steps.table(trace, limit_c=limit_c, direction=direction, condition=here.stay.condition)
    seen = {"start_us": stays.micros(here.seen_from), "end_us": stays.micros(here.seen_to)}
    whole, single = time_beyond.total(table, **seen), time_beyond.longest(table, **seen)
    held = stays.spent([replace(here, traces=(trace,), shown=())], steps, limit_c=limit_c, direction=direction, unknown_counts=False)
    return {
        "minutes": whole.minutes, "minutes_least": held.total_least, "minutes_most": held.total_most,
        "longest": single.minutes, "longest_least": held.single_least, "longest_most": held.single_most,
    }  # fmt: skip


def _displays(here: Place, notes: reasons.Notes) -> list[ExposureRow[pd.Timestamp]]:
    """Rows of ``exposures[]`` for what only the display saw, beyond the product's own limit: the time is not known."""
    rows: list[ExposureRow[pd.Timestamp]] = []
    none: _OutsideTimes = {"readings_outside": 0, "first_out": None, "last_out": None, "first_back": None}
    for row in here.shown:
        side, figure = row["direction"], row["extreme_c"]
        limit_c = here.stay.condition.limit_c(side)
        if limit_c is None or figure is None or not notes.meets(here, row) or not here.stay.condition.outside([figure], side).any():
            continue
        start, end = max(row["start"], here.opens), min(row["end"], here.closes)
        most = max(0.0, (end - start) / pd.Timedelta(minutes=1))
        times: _Bounds = {"minutes": 0.0, "minutes_least": 0.0, "minutes_most": most, "longest": 0.0, "longest_least": 0.0, "longest_most": most}
        ends: exposure.Extremes = {
            "min_c": figure if side == "below" else None, "min_time": None, "min_bound": False, "min_one_sided": None, "min_text": None,
            "max_c": figure if side == "above" else None, "max_time": None, "max_bound": False, "max_one_sided": None, "max_text": None,
            "as_read_min_c": None, "as_read_max_c": None,
        }  # fmt: skip
        rows.append({
            "unit": here.stay.unit, "probe": None, "role": "display", "start": start, "end": end, "condition": here.stay.condition.id, "direction": side,
            "limit_c": limit_c, **times, **none, **ends, "excursions": [row["id"]],
        })  # fmt: skip
    return rows


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
    """Time beyond each temperature of the conditions' bands over all stays, the worst probe of each [min]."""
    cuts = dict.fromkeys(cut for here in places for cut in here.stay.condition.bands())
    return [
        {"direction": direction, "limit_c": limit_c, **_asdict(stays.spent(places, steps, limit_c=limit_c, direction=direction, unknown_counts=False))}
        for direction, limit_c in cuts
    ]


def _outside(places: list[Place], steps: Steps, direction: Direction) -> LotOutsideRow:
    """Over all stays, each held against its own limit on that side; ``limit_c`` None where the stays have several."""
    limits = list(dict.fromkeys(limit for here in places if (limit := here.stay.condition.limit_c(direction)) is not None))
    spent = stays.spent(places, steps, direction=direction, unknown_counts=False)
    return {"limit_c": limits[0] if len(limits) == 1 else None, "limits_c": limits, **_asdict(spent)}


def _asdict(spent: Spent) -> _Spent:
    return {
        "minutes_least": spent.total_least, "minutes_most": spent.total_most, "longest_least": spent.single_least, "longest_most": spent.single_most,
    }  # fmt: skip


def _freezing(lot: Lot, places: list[Place], notes: reasons.Notes) -> FreezingRow[pd.Timestamp] | None:
    """The lowest reading of any probe, or figure on a display, less U over all stays; None where nothing says anything."""
    rows: list[FreezingRow[pd.Timestamp]] = []
    for here in places:
        kind, condition = notes.site.units[here.stay.unit].kind, here.stay.condition
        matters = any(freeze_matters(stay, kind) for stay in lot.stays if stay.unit == here.stay.unit)
        point: _FreezingPoint = {"do_not_freeze": matters, "freeze_c": condition.freezing_c, "freeze_rule": condition.freezing_rule()}
        for trace in here.unit.traces.values() if here.unit else ():
            if trace.probe.role == "room" and kind != "room":
                continue
            row = exposure.freezing(trace, freeze_c=condition.freezing_c, start=here.seen_from, end=here.seen_to)
            if row is not None:
                rows.append({"unit": here.stay.unit, **row, "possible": row["possible"] and matters, **point})
        rows += [{**row, "possible": matters, **point} for row in _frozen_by_display(here, notes)]
    return min(rows, key=lambda row: (not row["possible"], -np.inf if row["lowest_less_u_c"] is None else row["lowest_less_u_c"])) if rows else None


def _frozen_by_display(here: Place, notes: reasons.Notes) -> list[FreezingRow[pd.Timestamp]]:
    """Displayed minima that, less the uncertainty of a display, lie at or below the freezing point and that no reading explains."""
    if here.unit is None:
        return []
    u_c = checks.DISPLAY_U_C
    floor = replace(here.stay.condition, low=here.stay.condition.freezing_c + u_c + 1e-6, high=None, unit="C")
    shown = checks.displays(notes.logbook, here.unit, floor, start=here.seen_from, end=here.seen_to, stays_from=here.opens)
    return [
        {
            "unit": here.stay.unit, "probe": None, "role": "display", "time": row["end"], "lowest_c": row["extreme_c"], "lowest_one_sided": None, "lowest_text": None, "expanded_c": u_c,
            "lowest_less_u_c": round(row["extreme_c"] - u_c, 6), "possible": True,
        }
        for row in shown if row["direction"] == "below" and row["extreme_c"] is not None
    ]  # fmt: skip


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
