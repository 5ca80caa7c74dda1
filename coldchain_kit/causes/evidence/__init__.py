"""What the traces of an episode show, as numbers: the course of each probe against its own habits.

An episode is measured relative to the days before it on the same probe: level, swing, pace of its own
warm-ups. Temperatures are turned so that the episode always points upwards (``sign``). Thresholds and weights
live in :mod:`coldchain_kit.causes.clues` and :mod:`coldchain_kit.causes`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from coldchain_kit import thermal
from coldchain_kit.causes.evidence import information
from coldchain_kit.causes.evidence.course import AFTER, ASSUMED_ROOM_C, BEFORE, Course, measure_course
from coldchain_kit.model import Condition, EpisodeRow, ExcursionRow, Trace, Unit, one_sided
from coldchain_kit.thermal import paces

__all__ = ["BEFORE", "Course", "Facts", "information", "instant", "measure"]

DAY_H, DAY_SLACK_H = 24.0, 1.0  # office hours begin within an hour of each other (common practice, no source)


@dataclass(frozen=True)
class Facts:
    """An episode as measured: the leading probe, the other inside probes, the room, the defrost clock."""

    direction: str
    start: pd.Timestamp
    end: pd.Timestamp
    lead: Course
    others: tuple[Course, ...]
    together: float  # how far the closest other probe went along, 1 = fully; NaN without another probe
    room_c: float  # room before
    room_now_c: float  # room during the rise
    room_known: bool
    drive_k: float  # room minus level, along the sign
    defrost_period_h: float
    defrost_min: float  # usual length
    on_clock: bool | None
    recurrent: bool
    limits_c: tuple[float | None, float | None]


def instant(value: str | pd.Timestamp) -> pd.Timestamp:
    """UTC Timestamp of a result's time (text ending in Z, or a Timestamp)."""
    stamp = pd.Timestamp(value)
    return stamp.tz_localize("UTC") if stamp.tz is None else stamp.tz_convert("UTC")


def measure(episode: EpisodeRow[pd.Timestamp], unit: Unit, *, condition: Condition | None = None, room: Trace | None = None, excursions: Sequence[ExcursionRow[pd.Timestamp]] = ()) -> Facts | None:
    """Measure an episode on every inside probe of its unit.

    Parameters
    ----------
    episode : dict
        Row of ``episodes[]``: start, end, excursions (ids), recurrent.
    unit : Unit
    condition : Condition, optional
    room : Trace, optional
        Room probe; by default the unit's own probe of role room.
    excursions : sequence of dict
        Rows of ``excursions[]`` that the episode names.

    Returns
    -------
    Facts, or None where no inside probe has readings around the episode.
    """
    rows = [row for row in excursions if row["id"] in set(episode.get("excursions", ()))] or list(excursions)
    direction = rows[0]["direction"] if rows else episode.get("direction", "above")
    sign = 1 if direction == "above" else -1
    start, end = instant(episode["start"]), instant(episode["end"])
    if episode.get("recurrent") and rows:  # one run stands for all of them: the worst
        worst = max(rows, key=lambda row: one_sided.rank(row.get("degree_minutes", 0.0)))
        start, end = instant(worst["start"]), instant(worst["end"])
    inside = {name: trace for name, trace in unit.traces.items() if trace.probe.role != "room"}
    room = room or next((trace for trace in unit.traces.values() if trace.probe.role == "room"), None)
    limit = None if condition is None else condition.limit_c(direction)
    limits = (None, None) if condition is None else (condition.limit_c("below"), condition.limit_c("above"))
    room_series = None if room is None else paces.cut(room.celsius, start - BEFORE, end + AFTER)
    courses = {}
    for name, trace in inside.items():
        course = measure_course(trace, sign=sign, start=start, end=end, limit_c=limit, room=room_series)
        if course is not None:
            courses[name] = course
    if not courses:
        return None
    lead = courses.pop(_leading(rows, courses))
    others = tuple(courses.values())
    room_c, room_now_c, known = _room(room_series, lead)
    period, usual, on_clock = _defrost_clock(lead, others, start)
    return Facts(
        direction, start, end, lead, others, _together(lead, others), room_c, room_now_c, known, sign * (room_c - lead.level_c), period, usual, on_clock,
        bool(episode.get("recurrent")), limits,
    )  # fmt: skip


def _leading(rows: Sequence[ExcursionRow[pd.Timestamp]], courses: dict[str, Course]) -> str:
    weight = dict.fromkeys(courses, 0.0)
    for row in rows:
        if row["probe"] in weight:
            weight[row["probe"]] += one_sided.rank(row.get("degree_minutes", 0.0)) + 1e-6
    return max(sorted(weight), key=lambda name: (weight[name], courses[name].peak_k - courses[name].upper_k))


def _together(lead: Course, others: Sequence[Course]) -> float:
    """Largest share of the leading probe's excess that another inside probe shows while the lead is well up."""
    if not others:
        return float("nan")
    excess = lead.sign * (lead.series - lead.level_c)
    up = excess[(excess.index >= lead.onset) & (excess >= 0.5 * lead.peak_k) & (excess.index <= lead.peak_time + pd.Timedelta(minutes=max(30.0, lead.rise_min)))]
    shares = []
    for other in others:
        beside = other.sign * (other.series - other.level_c)
        seen = beside.reindex(up.index, method="nearest", tolerance=pd.Timedelta(minutes=2.5 * max(lead.step_min, other.step_min)))
        if seen.notna().sum() < 1:
            continue
        slower = max(0.0, other.tau_min - lead.tau_min)
        due = up.mean() * (1.0 - np.exp(-lead.rise_min / slower) if slower else 1.0)
        shares.append(float(seen.mean() / max(due, 1e-6)))
    return max(shares) if shares else float("nan")


def _room(room: pd.Series | None, lead: Course) -> tuple[float, float, bool]:
    """Room before and during the rise [°C]; assumed where no room probe has readings there."""
    if room is None or len(room) < 4:
        return ASSUMED_ROOM_C, float("nan"), False
    before = room[room.index < lead.onset - pd.Timedelta(hours=2)]
    during = room[(room.index >= lead.onset - pd.Timedelta(minutes=30)) & (room.index <= lead.peak_time + pd.Timedelta(minutes=30))]
    base = float(before.median()) if len(before) >= 4 else float(room.median())
    if not len(during):
        return base, float("nan"), True
    return base, float(during.quantile(0.9 if lead.sign > 0 else 0.1)), True


def _defrost_clock(lead: Course, others: Sequence[Course], start: pd.Timestamp) -> tuple[float, float, bool | None]:
    """Period [h] and usual length [min] of the humps before the episode, and whether its onset is on that clock."""
    if lead.sign < 0:
        return float("nan"), float("nan"), None
    for course in sorted((lead, *others), key=lambda course: course.tau_min):
        found = _humps_clock(course.series[course.series.index <= start + pd.Timedelta(hours=2)], lead, start)
        if found[2] is not None:
            return found
    return float("nan"), float("nan"), None


def _humps_clock(series: pd.Series, lead: Course, start: pd.Timestamp) -> tuple[float, float, bool | None]:
    humps = thermal.humps(series)
    usual = humps[humps["end"] < lead.onset]
    if len(usual) < 4:
        return float("nan"), float("nan"), None
    begin = usual["start"].iloc[0]
    hours = ((usual["start"] - begin) / pd.Timedelta(hours=1)).to_numpy()
    period, phase = thermal.recurrence(hours, least_hours=2.0)
    # Compressor cycles come back too; a defrost clock runs in hours (FACTS C7: 8 h, C10: 4 h), here at least 2.
    if not np.isfinite(period) or np.mean(np.abs(phase) <= thermal.ON_CLOCK_SHARE) < 0.7:
        return float("nan"), float("nan"), None
    if abs(period - DAY_H) <= DAY_SLACK_H:  # the doors of office hours come once a day as well: no clock of the unit's own
        return float("nan"), float("nan"), None
    near = np.abs(phase) <= thermal.ON_CLOCK_SHARE
    centre = np.angle(np.exp(2j * np.pi * hours[near] / period).mean()) / (2 * np.pi)
    # The episode's beginning as a hump's: the same probe half a usual height up.
    level, height = float(series[series.index < lead.onset].median()), float(usual["height_k"].median())
    late = series[(series.index >= lead.onset - pd.Timedelta(hours=1)) & (series >= level + 0.5 * height)]
    at = ((late.index[0] if len(late) else start) - begin) / pd.Timedelta(hours=1)
    off_min = abs((at / period - centre + 0.5) % 1.0 - 0.5) * period * 60.0
    scatter = float(np.std(phase[near])) * period * 60.0
    return period, float(usual["minutes"].median()), bool(off_min <= max(15.0, 3.0 * scatter, 2.0 * lead.step_min))
