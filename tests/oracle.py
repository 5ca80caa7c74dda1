"""An independent reckoning of what ``coldchain assess`` must print, written from CONTRACTS "How the numbers are made" alone.

Nothing here imports the kit. The checked text of a download is not parsed: the caller (tests/random_sites.py) hands over the
data lines as it wrote them. Times are seconds since 1970 UTC (floats), minutes are minutes, temperatures degC.

A case is a dict of unit -> ``Scenario``; ``assess(case)`` returns the rows that tests/test_oracle.py compares.
Readings of the contract where its words leave room are marked "reading:".
"""

from __future__ import annotations

import datetime as dt
import itertools
import math
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

import numpy as np

KELVIN = 273.15
EA_OVER_R = 10_000.0  # 83.144 kJ/mol over 8.3144e-3 kJ/(K mol), FACTS A1
EPS = 1e-9
TICK_S = 0.001


@dataclass(frozen=True)
class Cell:
    """One cell: a number in the column's unit, None for no value; ``sided`` for ">50" and "<-40"."""

    value: float | None
    sided: bool = False


@dataclass(frozen=True)
class Line:
    number: int
    wall: dt.datetime | None  # None: the line is refused
    cells: tuple[Cell, ...] = ()


@dataclass(frozen=True)
class File:
    name: str
    units: tuple[str, ...]  # "C" or "F", a column each
    probes: tuple[str, ...]
    lines: tuple[Line, ...]


@dataclass(frozen=True)
class Certificate:
    expanded_c: float
    points: tuple[tuple[float, float], ...] = ()  # (reference, indicated)
    due: dt.date | None = None


@dataclass(frozen=True)
class Probe:
    name: str
    role: str
    decides: bool | None = None
    certificate: Certificate | None = None
    resolution_c: float | None = None
    later: tuple[dt.datetime, Certificate] | None = None  # from this local time on, another certificate

    def certificates(self) -> tuple[Certificate, ...]:
        return tuple(one for one in (self.certificate, self.later and self.later[1]) if one)


@dataclass(frozen=True)
class Condition:
    low: float | None
    high: float | None
    unit: str = "C"
    frozen: bool = False
    mkt: tuple[float, float, str] | None = None  # limit_c, window_hours, direction

    def limit(self, sign: int) -> float | None:
        """The limit in degC, times the sign of its direction."""
        value = self.high if sign > 0 else self.low
        return None if value is None else sign * celsius(value, self.unit)


@dataclass(frozen=True)
class Allowance:
    lot: str
    from_c: float
    to_c: float
    hours: float
    counting: str


@dataclass(frozen=True)
class Stay:
    lot: str
    moved_in: dt.datetime
    moved_out: dt.datetime | None
    earlier_out_hours: float = 0.0
    unit: str = "U"


@dataclass(frozen=True)
class Scenario:
    """One unit of a case; stock and allowances stand with the case's first unit."""

    zone: str
    clock: object  # "local" | ("as_set", date) | "utc" | "+01:00"
    clock_checks: tuple[tuple[dt.datetime, dt.datetime], ...]
    files: tuple[File, ...]
    probes: tuple[Probe, ...]
    condition: Condition
    start: dt.datetime | None = None
    end: dt.datetime | None = None
    join_min: float = 120.0
    stays: tuple[Stay, ...] = ()
    allowances: tuple[Allowance, ...] = ()
    uneven: bool = False
    cold: bool = True  # a refrigerator: stock must not freeze unless the list says otherwise


def celsius(value: float, unit: str) -> float:
    return round(value if unit == "C" else (value - 32) * 5 / 9, 6)


# --- clock -------------------------------------------------------------------------------------------------------------


def utc_s(wall: dt.datetime, zone: str, *, fold: int = 0) -> float:
    return wall.replace(tzinfo=ZoneInfo(zone), fold=fold).timestamp()


def _fixed_offset_s(scenario: Scenario) -> float | None:
    clock = scenario.clock
    if clock == "utc":
        return 0.0
    if isinstance(clock, tuple):
        noon = dt.datetime.combine(clock[1], dt.time(12), ZoneInfo(scenario.zone))
        return noon.utcoffset().total_seconds()
    if clock == "local":
        return None
    hours, minutes = clock[1:].split(":")
    return (-1 if clock[0] == "-" else 1) * (int(hours) * 3600 + int(minutes) * 60)


def shown_to_utc(scenario: Scenario, walls: list[dt.datetime]) -> list[float]:
    """Wall times as the logger showed them, in the order of the file. In the repeated hour the order says which is which."""
    offset = _fixed_offset_s(scenario)
    if offset is not None:
        return [wall.replace(tzinfo=dt.UTC).timestamp() - offset for wall in walls]
    found: list[float] = []
    for wall in walls:
        first, second = (utc_s(wall, scenario.zone, fold=fold) for fold in (0, 1))
        found.append(second if found and first <= found[-1] else first)
    return found


def drift_s(scenario: Scenario, shown: np.ndarray) -> np.ndarray:
    """Seconds to add: straight between checks. reading: constant before the first and after the last."""
    if not scenario.clock_checks:
        return np.zeros_like(shown)
    true = [utc_s(check[0], scenario.zone) for check in scenario.clock_checks]
    seen = [shown_to_utc(scenario, [check[1]])[0] for check in scenario.clock_checks]
    return np.interp(shown, seen, np.subtract(true, seen))


# --- readings ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Series:
    """One probe, readings with a value only, strictly increasing."""

    t: np.ndarray
    as_read: np.ndarray
    value: np.ndarray
    sided: np.ndarray
    u_exp: np.ndarray  # expanded uncertainty, each reading's own
    interval_s: np.ndarray  # in force on each step (n - 1)
    missing_rows: list[float]  # instants of rows without a value and no other reading
    conflicts: list[dict] = field(default_factory=list)


def expanded_c(certificate: Certificate | None, resolution_c: float | None) -> float:
    """reading: half a resolution step joins the certificate as a rectangular share (GUM 4.3.7); without a certificate 0.5 alone."""
    if certificate is None:
        return 0.5
    half = (resolution_c or 0.0) / 2
    return 2 * math.hypot(certificate.expanded_c / 2, half / math.sqrt(3))


def calibrated(probe: Probe, zone: str, t: np.ndarray, as_read: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Corrected values and expanded uncertainty, by the certificate in force at each reading."""
    value, expanded = corrected(probe.certificate, as_read), np.full(len(t), expanded_c(probe.certificate, probe.resolution_c))
    if probe.later:
        after = t >= utc_s(probe.later[0], zone) - TICK_S
        value = np.where(after, corrected(probe.later[1], as_read), value)
        expanded = np.where(after, expanded_c(probe.later[1], probe.resolution_c), expanded)
    return value, expanded


def corrected(certificate: Certificate | None, as_read: np.ndarray) -> np.ndarray:
    """reading: straight between the certificate's points, constant beyond them."""
    if certificate is None or not certificate.points:
        return as_read.copy()
    points = sorted(certificate.points, key=lambda point: point[1])
    indicated = [point[1] for point in points]
    error = [point[0] - point[1] for point in points]
    return np.round(as_read + np.interp(as_read, indicated, error), 6)


def _further_out(rows: list[dict], condition: Condition) -> dict:
    """reading: of readings that all lie inside, the one nearest a limit counts."""

    def distance(row):
        return max(round(sign * row["value"] - condition.limit(sign), 6) for sign in (1, -1) if condition.limit(sign) is not None)

    return max(rows, key=distance)


def series(scenario: Scenario, probe: Probe) -> Series:
    at: dict[float, list[dict]] = {}
    intervals: list[tuple[float, float, float]] = []
    empty: set[float] = set()
    for file in scenario.files:
        lines = [line for line in file.lines if line.wall is not None]
        shown = np.array(shown_to_utc(scenario, [line.wall for line in lines]))
        times = shown + drift_s(scenario, shown)
        column = file.probes.index(probe.name)
        for time, line in zip(times, lines, strict=True):
            cell = line.cells[column]
            key = round(float(time), 6)
            if cell.value is None:
                empty.add(key)
                continue
            value = celsius(cell.value, file.units[column])
            at.setdefault(key, []).append({"time": key, "value": value, "sided": cell.sided, "file": file.name, "line": line.number})
        steps = np.diff(np.unique(times))
        intervals.append((times.min(), times.max(), float(np.median(steps))))
    kept, conflicts = [], []
    for time in sorted(at):
        rows = at[time]
        best = _further_out(rows, scenario.condition)
        kept.append(best)
        if len({row["value"] for row in rows}) > 1:
            conflicts += [{**row, "kept": row is best} for row in rows]
    t = np.array([row["time"] for row in kept])
    as_read = np.array([row["value"] for row in kept])
    sided = np.array([row["sided"] for row in kept])
    missing = sorted(empty - set(at))
    value, expanded = calibrated(probe, scenario.zone, t, as_read)
    if scenario.uneven:  # reading: an uneven logger has one interval, the median of all its steps
        intervals = [(-math.inf, math.inf, float(np.median(np.diff(sorted(empty.union(at))))))]
    return Series(t, as_read, value, sided, expanded, _interval_in_force(t, intervals), missing, conflicts)


def _interval_in_force(t: np.ndarray, intervals: list[tuple[float, float, float]]) -> np.ndarray:
    """The median step of the download a step lies in; between two downloads the longer of theirs."""
    found = np.empty(max(len(t) - 1, 0))
    for k in range(len(found)):
        touching = [step for first, last, step in intervals if first <= t[k + 1] + TICK_S and last >= t[k] - TICK_S]
        inside = [step for first, last, step in intervals if first <= t[k] + TICK_S and last >= t[k + 1] - TICK_S]
        found[k] = max(inside or touching)
    return found


def is_gap(s: Series) -> np.ndarray:
    return np.diff(s.t) > np.maximum(2.5 * s.interval_s, 300.0) + TICK_S


# --- runs, pairs, course -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Side:
    """One probe seen in one direction: everything times the sign, so that outside is always "above"."""

    sign: int
    limit: float
    x: np.ndarray  # further outside of as read and corrected
    xc: np.ndarray  # corrected
    xr: np.ndarray  # as read


def side(s: Series, sign: int, limit: float) -> Side:
    xr, xc = sign * s.as_read, sign * s.value
    return Side(sign, limit, np.maximum(xr, xc), xc, xr)


def outside(x: np.ndarray, limit: float) -> np.ndarray:
    return x > limit + EPS * 10


def crossing(s: Series, seen: Side, inner: int, outer: int) -> float:
    share = (seen.limit - seen.x[inner]) / (seen.x[outer] - seen.x[inner])
    return s.t[inner] + share * (s.t[outer] - s.t[inner])


def runs(mask: np.ndarray, gap: np.ndarray) -> list[tuple[int, int]]:
    found, k = [], 0
    while k < len(mask):
        if not mask[k]:
            k += 1
            continue
        j = k
        while j + 1 < len(mask) and mask[j + 1] and not gap[j]:
            j += 1
        found.append((k, j))
        k = j + 1
    return found


def pair_least(s: Series, seen: Side) -> np.ndarray:
    beyond = seen.xc > seen.limit + s.u_exp + EPS
    return beyond[:-1] & beyond[1:] & ~is_gap(s)


def pair_most(s: Series, seen: Side) -> np.ndarray:
    near = seen.x > seen.limit - s.u_exp + EPS
    return near[:-1] | near[1:]


def clipped_min(starts: np.ndarray, ends: np.ndarray, window: tuple[float, float]) -> np.ndarray:
    return np.clip(np.minimum(ends, window[1]) - np.maximum(starts, window[0]), 0, None) / 60


def excursions(s: Series, seen: Side, window: tuple[float, float]) -> list[dict]:
    gap, found = is_gap(s), []
    most, least = pair_most(s, seen), pair_least(s, seen)
    step = np.diff(s.t) / 60
    last = len(s.t) - 1
    for i, j in runs(outside(seen.x, seen.limit), gap):
        open_start = i == 0 or bool(gap[i - 1])
        open_end = j == last or bool(gap[j])
        start = s.t[i] if open_start else crossing(s, seen, i - 1, i)
        end = s.t[j] if open_end else crossing(s, seen, j + 1, j)
        left, right = i, j  # the pairs that minutes_most may gain: those touching the run and the tails within the uncertainty
        while left > 0 and most[left - 1]:
            left -= 1
        while right < last and most[right]:
            right += 1
        excess = seen.x[i : j + 1] - seen.limit
        line_t = np.concatenate([[start], s.t[i : j + 1], [end]])
        line_y = np.concatenate([[0.0 if not open_start else excess[0]], excess, [0.0 if not open_end else excess[-1]]])
        top = int(np.argmax(excess))
        back = [k for k in range(j + 1, last + 1) if not outside(seen.x[k : k + 1], seen.limit)[0]] or [min(j + 1, last)]
        sure = seen.xc[i : j + 1] - seen.limit  # reading: U belongs to the corrected value, so verdict and probability rest on it
        kinds = bool(outside(seen.xr[i : j + 1], seen.limit).any()), bool(outside(seen.xc[i : j + 1], seen.limit).any())
        found.append(
            {
                "direction": "above" if seen.sign > 0 else "below", "limit_c": seen.sign * seen.limit, "start": start, "end": end, "first_out": s.t[i], "last_out": s.t[j],
                "first_back": s.t[back[0]], "start_earliest": s.t[max(i - 1, 0)], "end_latest": s.t[min(j + 1, last)], "open_start": open_start, "open_end": open_end,
                "minutes": (end - start) / 60, "minutes_in_window": float(clipped_min(np.array([start]), np.array([end]), window)[0]),
                "minutes_least": float(step[i:j][least[i:j]].sum()), "most_touching": float(step[max(i - 1, 0) : min(j + 1, last)].sum()), "most_reach": float(step[left:right].sum()),
                "extreme_c": seen.sign * (excess[top] + seen.limit), "extreme_time": s.t[i + top], "degree_minutes": float(np.trapezoid(line_y, line_t) / 60), "readings": j - i + 1,
                "verdict": "outside" if (sure > s.u_exp[i : j + 1] + EPS).any() else "undecided", "basis": {(True, True): "both", (True, False): "as_read", (False, True): "corrected"}[kinds],
                "p_outside": 0.5 * (1 + math.erf(float((sure / s.u_exp[i : j + 1]).max()) * math.sqrt(2))),
            }
        )  # fmt: skip
    return found


def in_window(row: dict, window: tuple[float, float]) -> bool:
    return row["start"] < window[1] and (row["end"] > window[0] or row["start"] >= window[0])


def near_runs(s: Series, seen: Side) -> list[dict]:
    """Runs inside the limit but within U of it that touch no excursion (those beside one may or may not be listed)."""
    out = outside(seen.x, seen.limit)
    near = (seen.x > seen.limit - s.u_exp + EPS) & ~out
    gap, found = is_gap(s), []
    for i, j in runs(near, gap):
        beside = (i > 0 and not gap[i - 1] and out[i - 1]) or (j + 1 < len(out) and not gap[j] and out[j + 1])
        found.append({"direction": "above" if seen.sign > 0 else "below", "start": s.t[i], "end": s.t[j], "beside": bool(beside), "extreme_c": seen.sign * float(seen.x[i : j + 1].max())})
    return found


# --- probes ------------------------------------------------------------------------------------------------------------


def weights_min(s: Series, inside: np.ndarray) -> np.ndarray:
    """Half the step to each neighbour, nothing from a gap. reading: neighbours are readings of the window, too."""
    weight = np.zeros(len(s.t))
    for k in np.flatnonzero(~is_gap(s) & inside[:-1] & inside[1:]):
        weight[k : k + 2] += (s.t[k + 1] - s.t[k]) / 120
    return weight


def mkt_c(value: np.ndarray, weight: np.ndarray) -> float:
    rate = np.average(np.exp(-EA_OVER_R / (value + KELVIN)), weights=weight)
    return EA_OVER_R / -math.log(rate) - KELVIN


def gaps(s: Series, window: tuple[float, float]) -> list[tuple[float, float]]:
    """Gaps that meet the window, with the edges of the record as gaps where the window reaches further than a gap's length."""
    found = [(s.t[k], s.t[k + 1]) for k in np.flatnonzero(is_gap(s)) if s.t[k] < window[1] and s.t[k + 1] > window[0]]
    first, last = s.interval_s[0], s.interval_s[-1]
    if s.t[0] - window[0] > max(2.5 * first, 300) + TICK_S:
        found.insert(0, (window[0], min(s.t[0], window[1])))
    if window[1] - s.t[-1] > max(2.5 * last, 300) + TICK_S:
        found.append((max(s.t[-1], window[0]), window[1]))
    return found


def missing(s: Series, window: tuple[float, float]) -> dict:
    """Readings of an even logger that should stand in the half-open window and do not, and the window's time without them.

    reading: a reading holds one interval, also the last one; before the first reading nothing is held. The edges count where
    the window reaches further than a gap's length.
    """
    count = lost = 0
    steps = list(zip(s.t[:-1], s.t[1:], s.interval_s, strict=True))
    if _edge_is_gap(s, window[1] - s.t[-1], -1):
        usual = s.interval_s[-1]
        steps.append((s.t[-1], window[1] + usual, usual))  # an instant at the window's end is no part of it
    for left, right, usual in steps:
        if right - left <= 1.5 * usual + TICK_S:
            continue
        due = left + usual * np.arange(1, round((right - left) / usual) + 1)
        count += int(((due < right - usual / 2) & (due >= window[0] - TICK_S) & (due < window[1] - TICK_S)).sum())
        lost += max(0.0, min(right, window[1]) - max(left + usual, window[0]))
    if _edge_is_gap(s, s.t[0] - window[0], 0):
        count += int((s.t[0] - window[0]) / s.interval_s[0] + 1e-6)
        lost += s.t[0] - window[0]
    return {"missing": count, "lost_min": lost / 60}


def gap_minutes(s: Series, window: tuple[float, float]) -> float:
    return sum(max(0.0, min(b, window[1]) - max(a, window[0])) for a, b in gaps(s, window)) / 60


def totals(s: Series, condition: Condition, window: tuple[float, float]) -> dict:
    found, any_most = {}, np.zeros(max(len(s.t) - 1, 0), bool)
    for sign in (1, -1):
        limit = condition.limit(sign)
        if limit is None:
            continue
        seen = side(s, sign, limit)
        step = clipped_min(s.t[:-1], s.t[1:], window)
        rows = excursions(s, seen, window)
        most = pair_most(s, seen)
        any_most |= most
        found["above" if sign > 0 else "below"] = {
            "minutes": sum(row["minutes_in_window"] for row in rows), "minutes_least": float(step[pair_least(s, seen)].sum()), "minutes_most": float(step[most].sum()),
        }  # fmt: skip
    inner = sum(clipped_min(s.t[:-1], s.t[1:], window)[is_gap(s) & any_most])
    return {"outside": found, "unknown_minutes": gap_minutes(s, window) - float(inner)}


def probe_row(scenario: Scenario, probe: Probe, s: Series, window: tuple[float, float], decides: bool) -> dict:
    inside = (s.t >= window[0] - TICK_S) & (s.t < window[1] - TICK_S)
    weight = weights_min(s, inside)
    row = {"probe": probe.name, "role": probe.role, "decides": decides, "readings": int(inside.sum()), "u_c": float(s.u_exp[inside].max()) / 2 if inside.any() else None, "u_from": "certificate" if probe.certificate else "assumed"}
    if not inside.any():
        return row | {"min_c": None, "max_c": None, "mean_c": None, "mkt_c": None}
    value, as_read = s.value[inside], s.as_read[inside]
    whole = weight[inside].sum() > 0
    w = weight[inside] if whole else None
    low = scenario.condition.limit(-1)
    below = low is not None and bool((np.maximum(-value, -as_read) > low + EPS * 10).any())
    refused = scenario.condition.frozen or probe.role in ("room", "surface") or below
    row |= {"min_c": float(value.min()), "max_c": float(value.max()), "as_read_min_c": float(as_read.min()), "as_read_max_c": float(as_read.max())}
    row |= {"min_time": float(s.t[inside][value.argmin()]), "max_time": float(s.t[inside][value.argmax()])}
    row |= {"mean_c": float(np.average(value, weights=w)), "mkt_c": None if refused else mkt_c(value, w)}
    return row | missing(s, window) | {"gaps": gaps(s, window)} | totals(s, scenario.condition, window)


def deciding(probes: tuple[Probe, ...]) -> set[str]:
    buffered = any(probe.role == "buffered" for probe in probes)
    chosen = {probe.name for probe in probes if probe.decides}
    for probe in probes:
        if probe.decides is None and (probe.role in ("buffered", "unknown") or probe.role == "air" and not buffered):
            chosen.add(probe.name)
    return chosen


# --- episodes ----------------------------------------------------------------------------------------------------------


def episodes(rows: list[dict], join_min: float) -> list[set[tuple]]:
    """Joined groups of excursion keys; a run that begins beyond the gap at which another of the same probe ended belongs to it."""
    found: list[dict] = []
    for row in sorted(rows, key=lambda row: (row["start"], row["end"])):
        for group in reversed(found):
            if group["direction"] != row["direction"]:
                continue
            near = (row["start"] - group["end"]) / 60 < join_min
            parted = any(other["probe"] == row["probe"] and other["open_end"] and row["open_start"] and other["end_latest"] == row["first_out"] for other in group["rows"])
            if near or parted:
                group["rows"].append(row)
                group["end"] = max(group["end"], row["end"])
                break
        else:
            found.append({"direction": row["direction"], "rows": [row], "end": row["end"]})
    return [{key(row) for row in group["rows"]} for group in found]


def key(row: dict) -> tuple:
    return row["unit"], row["probe"], row["direction"], round(row["first_out"])


# --- lots --------------------------------------------------------------------------------------------------------------


def used_hours(stays: list[tuple[tuple[float, float], Series]], sign: int, limit: float, counting: str) -> tuple[float, float]:
    """(least, most) hours beyond ``limit`` over a lot's stays; time without readings is used time, holes between stays too."""
    pieces: list[tuple[float, float, bool, bool]] = []  # from, to, least, most
    for number, (span, s) in enumerate(stays):
        if number and span[0] > stays[number - 1][0][1]:
            pieces.append((stays[number - 1][0][1], span[0], False, True))
        seen = side(s, sign, limit)
        parts = [(span[0], s.t[0], False, True)] if _edge_is_gap(s, s.t[0] - span[0], 0) else []
        parts += list(zip(s.t[:-1], s.t[1:], pair_least(s, seen), pair_most(s, seen) | is_gap(s), strict=True))
        parts += [(s.t[-1], span[1], False, True)] if _edge_is_gap(s, span[1] - s.t[-1], -1) else []
        pieces += [(max(a, span[0]), min(b, span[1]), lo, hi) for a, b, lo, hi in parts if min(b, span[1]) > max(a, span[0])]
    return tuple(_hours(pieces, which, counting) for which in (2, 3))


def _hours(pieces: list[tuple], which: int, counting: str) -> float:
    longest = run = total = 0.0
    before = None
    for piece in pieces:
        length = (piece[1] - piece[0]) / 3600
        joined = run if before is not None and abs(before - piece[0]) < TICK_S else 0.0
        run = joined + length if piece[which] else 0.0
        total += length if piece[which] else 0.0
        longest, before = max(longest, run), piece[1]
    return longest if counting == "single" else total


def _edge_is_gap(s: Series, seconds: float, at: int) -> bool:
    return seconds > max(2.5 * s.interval_s[at], 300.0) + TICK_S


def lot_rows(scenarios: dict[str, Scenario], every: dict[str, dict[str, Series]], window: tuple[float, float]) -> list[dict]:
    case = next(iter(scenarios.values()))
    chosen = {unit: {name: s for name, s in found.items() if name in deciding(scenarios[unit].probes)} for unit, found in every.items()}
    found = []
    for lot in dict.fromkeys(stay.lot for stay in case.stays):
        stays = [stay for stay in case.stays if stay.lot == lot]
        spans, whole = [], []
        for stay in stays:
            # reading: a window that the case states cuts a stay; the record's own span does not, so time before it is time without readings
            a, b = utc_s(stay.moved_in, case.zone), math.inf if stay.moved_out is None else utc_s(stay.moved_out, case.zone)
            whole.append((stay.unit, (a, b)))
            b = window[1] if stay.moved_out is None else b
            a, b = (a if case.start is None else max(a, window[0])), (b if case.end is None else min(b, window[1]))
            if b > a:
                spans.append((stay.unit, (a, b)))
        row = {"lot": lot, "spans": spans, "exposures": [], "allowances": [], "reasons": set()}
        for unit, span in spans:
            row["exposures"] += _exposures(scenarios[unit], chosen[unit], unit, span)
            row["reasons"] |= _reasons(scenarios[unit], chosen[unit], span)
        # reading: "during the lot's stay" may reach beyond the window; what lies there may be named as well
        row["may"] = row["reasons"].union(*(_reasons(scenarios[unit], chosen[unit], span) for unit, span in whole))
        row["possible_freezing"] = any(_may_freeze(scenarios[unit], every[unit], span) for unit, span in spans)
        row["allowances"] = [_allowance(allowed, case, chosen, spans, stays[0].earlier_out_hours) for allowed in case.allowances if allowed.lot == lot and spans]
        found.append(row)
    return found


def _exposures(scenario: Scenario, chosen: dict[str, Series], unit: str, span: tuple[float, float]) -> list[dict]:
    rows = []
    for (name, s), sign in itertools.product(chosen.items(), (1, -1)):
        limit = scenario.condition.limit(sign)
        if limit is None:
            continue
        seen, step = side(s, sign, limit), clipped_min(s.t[:-1], s.t[1:], span)
        rows.append({
            "unit": unit, "probe": name, "direction": "above" if sign > 0 else "below", "start": span[0], "minutes": sum(row["minutes_in_window"] for row in excursions(s, seen, span)),
            "minutes_least": float(step[pair_least(s, seen)].sum()), "minutes_most": float(step[pair_most(s, seen)].sum()),
        })  # fmt: skip
    return rows


def _reasons(scenario: Scenario, chosen: dict[str, Series], span: tuple[float, float]) -> set[str]:
    """What of rule 14 the oracle can see: an excursion, a gap, a one-sided reading, an overdue certificate."""
    found = set()
    for s in chosen.values():
        for sign in (1, -1):
            limit = scenario.condition.limit(sign)
            if limit is not None and any(in_window(row, span) for row in excursions(s, side(s, sign, limit), span)):
                found.add("excursion")
        if gap_minutes(s, span) > 0:
            found.add("gap")
        if s.sided[(s.t >= span[0]) & (s.t < span[1])].any():
            found.add("one-sided")
    for probe in scenario.probes:
        last = probe.certificates()[-1:]
        if probe.name in chosen and last and last[0].due and utc_s(dt.datetime.combine(last[0].due, dt.time(23, 59)), scenario.zone) < span[0]:
            found.add("overdue")
    return found


def _may_freeze(scenario: Scenario, every: dict[str, Series], span: tuple[float, float]) -> bool:
    """reading: some reading of any probe, as read or corrected, less U, at or below 0 °C, of stock that must not freeze."""
    inside = {name: (s.t >= span[0]) & (s.t < span[1]) for name, s in every.items()}
    return scenario.cold and any(bool((np.minimum(s.as_read, s.value) - s.u_exp <= EPS)[inside[name]].any()) for name, s in every.items())


def _allowance(allowed: Allowance, case: Scenario, chosen: dict[str, dict[str, Series]], spans: list, earlier: float) -> dict:
    sign = 1 if allowed.to_c > allowed.from_c else -1
    beyond = False
    for unit, span in spans:
        for s in chosen[unit].values():
            seen = side(s, sign, sign * allowed.to_c)
            beyond |= bool(outside(seen.x[(s.t >= span[0]) & (s.t < span[1])], seen.limit).any())
    # readings: of several deciding probes of a stay the worst counts; earlier hours may have been one single stretch
    ways = itertools.product(*(chosen[unit].values() for unit, _ in spans))
    used = [used_hours([(span, s) for (_, span), s in zip(spans, way, strict=True)], sign, sign * allowed.from_c, allowed.counting) for way in ways]
    least, most = (max(one[k] for one in used) for k in (0, 1))
    together = (lambda hours: hours + earlier) if allowed.counting == "total" else (lambda hours: max(hours, earlier))
    return {"from_c": allowed.from_c, "to_c": allowed.to_c, "counting": allowed.counting, "applicable": not beyond, "used_least": together(least), "used_most": together(most)}


# --- the whole ---------------------------------------------------------------------------------------------------------


def source_row(scenario: Scenario, file: File) -> dict:
    lines = [line for line in file.lines if line.wall is not None]
    shown = np.array(shown_to_utc(scenario, [line.wall for line in lines]))
    times = shown + drift_s(scenario, shown)
    return {"file": file.name, "rows": len(file.lines), "read": len(lines), "rejected": len(file.lines) - len(lines), "first": float(times.min()), "last": float(times.max()),
            "rejects": sorted(line.number for line in file.lines if line.wall is None)}  # fmt: skip


def assess(scenarios: dict[str, Scenario]) -> dict:
    """What the results of a case over these units must say."""
    case = next(iter(scenarios.values()))
    every = {unit: {probe.name: series(scenario, probe) for probe in scenario.probes} for unit, scenario in scenarios.items()}
    readings = [s for found in every.values() for s in found.values()]
    # reading: without start or end the window is the record, its last reading included
    window = (
        min(s.t[0] for s in readings) if case.start is None else utc_s(case.start, case.zone),
        max(s.t[-1] for s in readings) + TICK_S * 2 if case.end is None else utc_s(case.end, case.zone),
    )
    found = {"window": window, "sources": [], "probes": [], "excursions": [], "near_limit": [], "conflicts": [], "episodes": [], "series": every}
    for unit, scenario in scenarios.items():
        _unit(found, unit, scenario, every[unit], window)
    return found | {"lots": lot_rows(scenarios, every, window)}


def _unit(found: dict, unit: str, scenario: Scenario, every: dict[str, Series], window: tuple[float, float]) -> None:
    chosen, rows = deciding(scenario.probes), []
    for (name, s), sign in itertools.product(every.items(), (1, -1)):
        limit = scenario.condition.limit(sign)
        if name not in chosen or limit is None:
            continue
        seen = side(s, sign, limit)
        rows += [{"unit": unit, "probe": name, **row} for row in excursions(s, seen, window) if in_window(row, window)]
        found["near_limit"] += [{"unit": unit, "probe": name, **row} for row in near_runs(s, seen)]
    found["excursions"] += rows
    found["episodes"] += episodes(rows, scenario.join_min)
    found["sources"] += [source_row(scenario, file) for file in scenario.files]
    found["probes"] += [{"unit": unit, **probe_row(scenario, probe, every[probe.name], window, probe.name in chosen)} for probe in scenario.probes]
    found["conflicts"] += [{"unit": unit, "probe": name, **row} for name, s in every.items() for row in s.conflicts]
