"""A probe's row: minimum and maximum, means, coverage, gaps, totals (rules 4, 6, 9)."""

from __future__ import annotations

import math

import numpy as np

from tests.oracle.course import Window, clipped_min, excursions, outside, pair_least, pair_most, side
from tests.oracle.model import TICK_S, Condition, Probe, Scenario
from tests.oracle.readings import Series, edge_is_gap, is_gap

KELVIN = 273.15
EA_OVER_R = 10_000.0  # 83.144 kJ/mol over 8.3144e-3 kJ/(K mol), FACTS A1


def deciding(probes: tuple[Probe, ...]) -> set[str]:
    buffered = any(probe.role == "buffered" for probe in probes)
    chosen = {probe.name for probe in probes if probe.decides}
    for probe in probes:
        if probe.decides is None and (probe.role in ("buffered", "unknown") or probe.role == "air" and not buffered):
            chosen.add(probe.name)
    return chosen


def within(s: Series, span: Window) -> np.ndarray:
    return (s.t >= span[0] - TICK_S) & (s.t < span[1] - TICK_S)


def one_sided(s: Series, span: Window) -> int:
    """One-sided readings in the span, those that may be anything among them."""
    unknown = (s.unknown >= span[0] - TICK_S) & (s.unknown < span[1] - TICK_S) if len(s.unknown) else np.zeros(0, bool)
    return int((within(s, span) & s.sided).sum() + unknown.sum())


def weights_min(s: Series, inside: np.ndarray) -> np.ndarray:
    """Half the step to each neighbour, nothing from a gap. reading: neighbours are readings of the window, too."""
    weight = np.zeros(len(s.t))
    for k in np.flatnonzero(~is_gap(s) & inside[:-1] & inside[1:]):
        weight[k : k + 2] += (s.t[k + 1] - s.t[k]) / 120
    return weight


def mkt_c(value: np.ndarray, weight: np.ndarray | None) -> float:
    rate = np.average(np.exp(-EA_OVER_R / (value + KELVIN)), weights=weight)
    return EA_OVER_R / -math.log(rate) - KELVIN


def gaps(s: Series, window: Window) -> list[Window]:
    """Gaps that meet the window, and the record's edges where the window reaches further than a gap's length.

    A one-sided reading is no gap: the steps beside one that may be anything are not listed.
    """
    plain = is_gap(s) & ~s.broken
    found = [(s.t[k], s.t[k + 1]) for k in np.flatnonzero(plain) if s.t[k] < window[1] and s.t[k + 1] > window[0]]
    if edge_is_gap(s, s.t[0] - window[0], 0):
        found.insert(0, (window[0], min(s.t[0], window[1])))
    if edge_is_gap(s, window[1] - s.t[-1], -1):
        found.append((max(s.t[-1], window[0]), window[1]))
    return found


def missing_steps(s: Series, window: Window) -> list[tuple[float, float, float]]:
    """(left, right, interval) of the steps over 1.5 intervals, the one to the window's end among them."""
    steps = list(zip(s.t[:-1], s.t[1:], s.interval_s, strict=True))
    if edge_is_gap(s, window[1] - s.t[-1], -1) and not math.isnan(s.edges_s[1]):
        steps.append((s.t[-1], window[1] + s.edges_s[1], s.edges_s[1]))  # the window's end is no part of it
    return [(a, b, usual) for a, b, usual in steps if b - a > 1.5 * usual + TICK_S]


def missing(s: Series, window: Window) -> dict:
    """Readings that should stand in the half-open window and do not, and the window's time without them.

    readings: a reading holds one interval, also the last one, and nothing where no interval is known; before the first
    reading nothing is held. The edges count where the window reaches further than a gap's length.
    """
    count, lost = 0, 0.0
    for left, right, usual in missing_steps(s, window):
        due = left + usual * np.arange(1, round((right - left) / usual) + 1)
        count += int(((due < right - usual / 2) & (due >= window[0] - TICK_S) & (due < window[1] - TICK_S)).sum())
        lost += max(0.0, min(right, window[1]) - max(left + usual, window[0]))
    if edge_is_gap(s, s.t[0] - window[0], 0):
        count += 0 if math.isnan(s.edges_s[0]) else int((s.t[0] - window[0]) / s.edges_s[0] + 1e-6)
        lost += s.t[0] - window[0]
    nameless = is_gap(s) & np.isnan(s.interval_s)
    lost += float(clipped_min(s.t[:-1], s.t[1:], window)[nameless].sum()) * 60
    if math.isnan(s.edges_s[1]) and edge_is_gap(s, window[1] - s.t[-1], -1):
        lost += max(0.0, window[1] - max(s.t[-1], window[0]))
    part = clipped_min(s.t[:-1], s.t[1:], window) * 60
    held = np.fmin(s.interval_s, part)[s.coarse | s.broken].sum()  # reading: or all of a coarse step is lost
    return {"missing": count, "lost_min": lost / 60, "lost_most_min": (lost + float(held)) / 60}


def gap_minutes(s: Series, window: Window) -> float:
    return sum(max(0.0, min(b, window[1]) - max(a, window[0])) for a, b in gaps(s, window)) / 60


def unknown_steps(s: Series) -> np.ndarray:
    """Steps of which nothing is known: gaps, coarser stretches that nothing states, one-sided readings of any value."""
    return is_gap(s) | s.coarse


def totals(s: Series, condition: Condition, window: Window) -> dict:
    found, any_most = {}, np.zeros(max(len(s.t) - 1, 0), bool)
    step = clipped_min(s.t[:-1], s.t[1:], window)
    for sign in (1, -1):
        limit = condition.limit(sign)
        if limit is None:
            continue
        seen = side(s, sign, limit)
        most = pair_most(s, seen)
        any_most |= most
        found[seen.direction] = {
            "minutes": sum(row["minutes_in_window"] for row in excursions(s, seen, window)),
            "minutes_least": float(step[pair_least(s, seen)].sum()),
            "minutes_most": float(step[most].sum()),
        }
    edges = gap_minutes(s, window) - float(step[is_gap(s) & ~s.broken].sum())
    return {"outside": found, "unknown_minutes": edges + float(step[unknown_steps(s) & ~any_most].sum())}


def probe_row(scenario: Scenario, probe: Probe, s: Series, window: Window, decides: bool) -> dict:
    inside = within(s, window)
    row = {
        "probe": probe.name,
        "role": probe.role,
        "decides": decides,
        "readings": int(inside.sum()),
        "u_doubt_c": None,
        "one_sided": one_sided(s, window),
        "unknown_readings": one_sided(s, window) - int((inside & s.sided).sum()),
        "u_from": "certificate" if probe.certificate else "assumed",
        "nameless": bool(np.isnan(s.edges_s).any() or np.isnan(s.interval_s).any()),
        "u_c": float(s.u_exp[inside].max()) / 2 if inside.any() else None,
        "u_least_c": float(s.u_exp[inside].min()) / 2 if inside.any() else None,
    }
    if s.doubt is not None and inside.any():
        row["u_doubt_c"] = float(s.doubt[0][inside].min()) / 2, float(s.doubt[1][inside].max()) / 2
    if not inside.any():
        return row | {"min_c": None, "max_c": None, "mean_c": None, "mkt_c": None}
    row |= _extremes(s, inside) | _means(scenario, probe, s, inside, row["one_sided"] > 0)
    return row | missing(s, window) | {"gaps": gaps(s, window)} | totals(s, scenario.condition, window)


def _extremes(s: Series, inside: np.ndarray) -> dict:
    """Null where the extreme is a one-sided reading without a number; a bound where it is one with a number."""
    value, as_read, times, sided = s.value[inside], s.as_read[inside], s.t[inside], s.sided[inside]
    found = {"min_time": float(times[value.argmin()]), "max_time": float(times[value.argmax()])}
    found |= {"min_bound": bool(sided[value.argmin()]), "max_bound": bool(sided[value.argmax()])}
    figures = {
        "min_c": value.min(),
        "max_c": value.max(),
        "as_read_min_c": as_read.min(),
        "as_read_max_c": as_read.max(),
    }
    return found | {name: float(figure) if math.isfinite(figure) else None for name, figure in figures.items()}


def _means(scenario: Scenario, probe: Probe, s: Series, inside: np.ndarray, one_sided: bool) -> dict:
    if one_sided:
        return {"mean_c": None, "mkt_c": None}
    value, weight = s.value[inside], weights_min(s, inside)[inside]
    w = weight if weight.sum() > 0 else None
    low = scenario.condition.limit(-1)
    below = low is not None and bool(outside(np.maximum(-value, -s.as_read[inside]), low).any())
    refused = scenario.condition.frozen or probe.role in ("room", "surface") or below
    return {"mean_c": float(np.average(value, weights=w)), "mkt_c": None if refused else mkt_c(value, w)}
