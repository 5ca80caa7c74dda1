"""Lots: exposures, allowances, freezing and what asks for a decision (rules 6, 9, 14)."""

from __future__ import annotations

import datetime as dt
import itertools
import math

import numpy as np

from tests.oracle.clock import utc_s
from tests.oracle.course import Side, Window, clipped_min, excursions, in_window, outside, pair_least, pair_most, side
from tests.oracle.model import EPS, TICK_S, Allowance, Scenario, Stay
from tests.oracle.probes import deciding, gap_minutes, missing, missing_steps, one_sided
from tests.oracle.readings import Series, edge_is_gap, is_gap

Every = dict[str, dict[str, Series]]  # unit, probe
SHARE = 0.01  # of a stay missing


def lot_rows(scenarios: dict[str, Scenario], every: Every, shown: list[dict], window: Window) -> list[dict]:
    """``shown``: excursions by the display of any unit."""
    case = next(iter(scenarios.values()))
    chosen = {
        unit: {name: s for name, s in found.items() if name in deciding(scenarios[unit].probes)}
        for unit, found in every.items()
    }
    return [
        _lot(lot, scenarios, every, chosen, shown, window) for lot in dict.fromkeys(stay.lot for stay in case.stays)
    ]


def _span(stay: Stay, case: Scenario, window: Window, last: float) -> tuple[Window, Window]:
    """The stay, and what of it is judged; ``last``: the unit's last reading.

    readings: a window that the case states cuts a stay; the record's own span does not, so time before it is time
    without readings. A stay still open lasts as long as window or record.
    """
    a, b = utc_s(stay.moved_in, case.zone), window[1] if stay.moved_out is None else utc_s(stay.moved_out, case.zone)
    whole = (a, max(b, last + 2 * TICK_S) if stay.moved_out is None else b)
    return whole, (a if case.start is None else max(a, window[0]), b if case.end is None else min(b, window[1]))


def _lot(
    lot: str, scenarios: dict[str, Scenario], every: Every, chosen: Every, shown: list[dict], window: Window
) -> dict:
    case = next(iter(scenarios.values()))
    stays = [stay for stay in case.stays if stay.lot == lot]
    last = {unit: max(float(s.t[-1]) for s in found.values()) for unit, found in every.items()}
    known = [(stay, *_span(stay, case, window, last[stay.unit])) for stay in stays if stay.unit in scenarios]
    spans = [(stay.unit, span) for stay, _, span in known if span[1] > span[0]]
    row = {
        "lot": lot,
        "spans": spans,
        "exposures": [],
        "allowances": [],
        "reasons": set(),
        "elsewhere": len(known) < len(stays),
        "cold": any(scenarios[unit].cold for unit, _ in spans),
    }
    for unit, span in spans:
        row["exposures"] += _exposures(scenarios[unit], chosen[unit], unit, span)
        row["reasons"] |= _reasons(scenarios[unit], every[unit], chosen[unit], span, sure=True)
    row["displays"] = [one for one in shown for unit, span in spans if one["unit"] == unit and in_window(one, span)]
    row["reasons"] |= {"display"} if row["displays"] else set()
    row["reasons"] |= _moved_on(stays, scenarios, case, window, sure=True)
    # reading: "during the lot's stay" may reach beyond the window; what lies there may be named as well
    wider = [
        _reasons(scenarios[stay.unit], every[stay.unit], chosen[stay.unit], span, sure=False)
        for stay, *two in known
        for span in two
        if span[1] > span[0]
    ]
    row["may"] = row["reasons"].union(*wider, _moved_on(stays, scenarios, case, window, sure=False))
    frozen = row["cold"] and any(one["direction"] == "below" and one["extreme_c"] <= EPS for one in row["displays"])
    row["unread"] = not any(_read(every[unit], span) for unit, span in spans)
    row["possible_freezing"] = frozen or any(_may_freeze(scenarios[unit], every[unit], span) for unit, span in spans)
    row["allowances"] = [
        _allowance(allowed, chosen, spans, stays) for allowed in case.allowances if allowed.lot == lot and spans
    ]
    return row


def _exposures(scenario: Scenario, chosen: dict[str, Series], unit: str, span: Window) -> list[dict]:
    rows = []
    for (name, s), sign in itertools.product(chosen.items(), (1, -1)):
        limit = scenario.condition.limit(sign)
        if limit is None:
            continue
        seen, step = side(s, sign, limit), clipped_min(s.t[:-1], s.t[1:], span)
        rows.append(
            {
                "unit": unit,
                "probe": name,
                "direction": seen.direction,
                "start": span[0],
                "minutes": sum(row["minutes_in_window"] for row in excursions(s, seen, span)),
                "minutes_least": float(step[pair_least(s, seen)].sum()),
                "minutes_most": float(step[pair_most(s, seen)].sum()),
            }
        )
    return rows


# --- what asks for a decision -------------------------------------------------------------------------------


def _sides(scenario: Scenario, s: Series) -> list[Side]:
    return [
        side(s, sign, scenario.condition.limit(sign)) for sign in (1, -1) if scenario.condition.limit(sign) is not None
    ]


def _left(scenario: Scenario, s: Series, span: Window) -> bool:
    return any(in_window(row, span) for seen in _sides(scenario, s) for row in excursions(s, seen, span))


def _reasons(
    scenario: Scenario, every: dict[str, Series], chosen: dict[str, Series], span: Window, *, sure: bool
) -> set[str]:
    """What of rule 14 the oracle can see; ``sure``: what every reading of the rule calls a reason."""
    found = set()
    for s in chosen.values():
        found |= {"excursion"} if _left(scenario, s, span) else set()
        found |= {"gap"} if gap_minutes(s, span) > 0 else set()
        found |= {"one-sided"} if one_sided(s, span) else set()
        found |= {"interval"} if (clipped_min(s.t[:-1], s.t[1:], span)[s.coarse] > 0).any() else set()
        found |= (
            {"missing"} if _out_of_reach(scenario, s, span, sure=sure) or _share_missing(s, span, sure=sure) else set()
        )
    for probe in scenario.probes:
        last = probe.certificates()[-1:]
        if (
            probe.name in chosen
            and last
            and last[0].due
            and utc_s(dt.datetime.combine(last[0].due, dt.time(23, 59)), scenario.zone) < span[0]
        ):
            found.add("overdue")
        # reading: a probe that does not decide because another does may be meant as well
        found |= {"not stated"} if not sure and probe.name in chosen and not scenario.logger_of(probe).stated else set()
        said = probe.name not in chosen and (probe.decides is False or not sure)
        found |= {"aside"} if said and _left(scenario, every[probe.name], span) else set()
    return found


def pace_c(s: Series, *, sure: bool) -> float:
    """The largest change in one interval; ``sure``: of the calmer three quarters, which no test calls unsound."""
    value = np.where(s.sided, math.nan, s.value)  # reading: a one-sided reading has no pace
    change = np.abs(np.diff(value))[np.diff(s.t) <= 1.5 * s.interval_s + TICK_S]
    change = change[~np.isnan(change)]
    if not len(change):
        return 0.0
    return float(np.quantile(change, 0.75) if sure else change.max())


def peak(left: float, right: float, pace: float, intervals: float) -> float:
    """How high a course can rise between two readings, falling back in time."""
    return (left + right + pace * intervals) / 2


def _out_of_reach(scenario: Scenario, s: Series, span: Window, *, sure: bool) -> bool:
    """Whether the course could have crossed a limit where readings are missing."""
    pace, at = pace_c(s, sure=sure), {float(time): k for k, time in enumerate(s.t)}
    for left, right, usual in missing_steps(s, span):
        a, b = at.get(float(left)), at.get(float(right))
        if a is None or b is None or right <= span[0] or left >= span[1]:
            continue
        for seen in _sides(scenario, s):
            highest = peak(seen.x[a], seen.x[b], pace, round((right - left) / usual))
            if highest > seen.limit + (0.05 if sure else -0.05):
                return True
    return False


def _share_missing(s: Series, span: Window, *, sure: bool) -> bool:
    """reading: by number of readings or by minutes; ``sure``: by both, and clearly."""
    lost, length = missing(s, span), span[1] - span[0]
    usual = np.nanmedian(s.interval_s) if len(s.interval_s) and not np.isnan(s.interval_s).all() else math.nan
    if not math.isfinite(length) or math.isnan(usual):
        return not sure and lost["missing"] > 0
    shares = lost["missing"] * usual / length, lost["lost_min"] * 60 / length
    return min(shares) >= 1.1 * SHARE if sure else max(shares) >= 0.9 * SHARE


def _moved_on(
    stays: list[Stay], scenarios: dict[str, Scenario], case: Scenario, window: Window, *, sure: bool
) -> set[str]:
    """A stay that ends in the window. reading: without a later one the next unit may count as not in the case."""
    for stay in stays:
        if (
            stay.unit not in scenarios
            or stay.moved_out is None
            or not window[0] < utc_s(stay.moved_out, case.zone) < window[1]
        ):
            continue
        later = [other for other in stays if other.moved_in >= stay.moved_out]
        if later and min(later, key=lambda other: other.moved_in).unit not in scenarios or not later and not sure:
            return {"moved on"}
    return set()


def _read(every: dict[str, Series], span: Window) -> bool:
    """Whether any probe has a reading in a span; without one nobody can say whether it froze."""
    return any(bool(((s.t >= span[0]) & (s.t < span[1])).any()) for s in every.values())


def _may_freeze(scenario: Scenario, every: dict[str, Series], span: Window) -> bool:
    """reading: a reading of any probe, as read or corrected, less U, at or below 0 °C, of stock not to freeze."""
    inside = {name: (s.t >= span[0]) & (s.t < span[1]) for name, s in every.items()}
    low = {name: np.minimum(s.as_read, s.value) - s.u_exp for name, s in every.items()}
    return scenario.cold and any(bool((low[name] <= EPS)[inside[name]].any()) for name in every)


# --- allowances ---------------------------------------------------------------------------------------------

Piece = tuple[float, float, bool, bool, bool]  # from, to, least, most, most where a coarse step counts as unknown


def _pieces(span: Window, s: Series, sign: int, limit: float) -> list[Piece]:
    """Time without readings is used time."""
    seen = side(s, sign, limit)
    most = pair_most(s, seen) | is_gap(s)
    parts = [(span[0], s.t[0], False, True, True)] if edge_is_gap(s, s.t[0] - span[0], 0) else []
    parts += list(zip(s.t[:-1], s.t[1:], pair_least(s, seen), most, most | s.coarse, strict=True))
    parts += [(s.t[-1], span[1], False, True, True)] if edge_is_gap(s, span[1] - s.t[-1], -1) else []
    return [(max(a, span[0]), min(b, span[1]), *what) for a, b, *what in parts if min(b, span[1]) > max(a, span[0])]


def used_hours(stays: list[tuple[Window, Series]], sign: int, limit: float, counting: str) -> tuple[float, ...]:
    """(least, most, most with coarse steps) hours beyond ``limit`` over a lot's stays, holes between them used."""
    pieces: list[Piece] = []
    for number, (span, s) in enumerate(stays):
        if number and span[0] > stays[number - 1][0][1]:
            pieces.append((stays[number - 1][0][1], span[0], False, True, True))
        pieces += _pieces(span, s, sign, limit)
    return tuple(_hours(pieces, which, counting) for which in (2, 3, 4))


def _hours(pieces: list[Piece], which: int, counting: str) -> float:
    longest = run = total = 0.0
    before = None
    for piece in pieces:
        length = (piece[1] - piece[0]) / 3600
        joined = run if before is not None and abs(before - piece[0]) < TICK_S else 0.0
        run = joined + length if piece[which] else 0.0
        total += length if piece[which] else 0.0
        longest, before = max(longest, run), piece[1]
    return longest if counting == "single" else total


def _allowance(allowed: Allowance, chosen: Every, spans: list[tuple[str, Window]], stays: list[Stay]) -> dict:
    sign = 1 if allowed.to_c > allowed.from_c else -1
    beyond = False
    for unit, span in spans:
        for s in chosen[unit].values():
            seen = side(s, sign, sign * allowed.to_c)
            beyond |= bool(outside(seen.x[(s.t >= span[0]) & (s.t < span[1])], seen.limit).any())
    states = {stay.state or "unopened" for stay in stays}
    # readings: of several deciding probes of a stay the worst counts; earlier hours may have been one single stretch
    ways = itertools.product(*(chosen[unit].values() for unit, _ in spans))
    used = [
        used_hours(
            [(span, s) for (_, span), s in zip(spans, way, strict=True)], sign, sign * allowed.from_c, allowed.counting
        )
        for way in ways
    ]
    earlier = stays[0].earlier_out_hours
    least, most, coarse = (_together(max(one[k] for one in used), earlier, allowed.counting) for k in (0, 1, 2))
    return {
        "from_c": allowed.from_c,
        "to_c": allowed.to_c,
        "counting": allowed.counting,
        "used_least": least,
        "used_most": most,
        "used_most_coarse": coarse,
        "applicable": not beyond and states == {allowed.state or "unopened"},
        "used_bound": earlier is None and allowed.counting == "total",
    }


def _together(hours: float, earlier: float | None, counting: str) -> float:
    if earlier is None:
        return hours
    return hours + earlier if counting == "total" else max(hours, earlier)
