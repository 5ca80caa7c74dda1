"""One probe through an episode, measured against its own habits of the days before."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, cast

import numpy as np
import pandas as pd

from coldchain_kit import thermal
from coldchain_kit.model import FAIL, Trace
from coldchain_kit.thermal import paces

# A time constant that the register does not give is assumed, and said to be assumed: the middle of the 1 to 30 min of
# FACTS G2 for a buffered probe, and a few minutes for a bare one (FACTS C13: seconds in moving air to 2 min in still air).
ASSUMED_TAU_MIN = {"buffered": 10.0, "surface": 5.0, "air": 2.0, "room": 2.0, "unknown": 5.0}

# Where a reading is to be called impossible, the fastest probe of its kind is assumed: a bare one in moving air settles within a
# minute or two (FACTS C13: half way in 20 s), a buffered one not under 3 min (FACTS G2); a stated constant may be 30 % too long.
FASTEST_TAU_MIN = {"buffered": 3.0, "surface": 0.5, "air": 0.3, "room": 0.3, "unknown": 0.3}
STATED_SLACK = 0.7
ASSUMED_ROOM_C = 22.0  # FACTS B26 (READ-2): ambient of the vaccine storage standard
BEFORE = pd.Timedelta(days=4)  # habit: four days hold several compressor, defrost and day cycles
AFTER = pd.Timedelta(days=2)
HABIT_READINGS = 24


@dataclass(frozen=True)
class Course:
    """One probe through an episode; ``_k`` are K in the direction of the episode, minutes count from ``onset``.

    ``level_c`` median before, ``swing_k`` 5-95 % range before, ``upper_k`` 97.5 % over the level; ``peak_k`` rise over the level;
    ``rise_min`` onset to peak; ``half_fall_min`` peak to half way back (NaN: never seen); ``returned`` True/False, None where
    the record is too short to tell; ``jump`` share of the way from level to room that the air must have made within minutes;
    ``habit_jump`` the same for the fastest 2 % before; ``quick_share`` share of the rise made within half an hour; ``tail`` mean
    excess in the three hours after as a share of the rise; ``pace_ratio`` first pace over its own usual warm-up pace; ``front`` share of the rise
    that was made in its first quarter; ``asymptote`` of the fitted rise as a share of level to room; ``hold_min``, ``hold_drift`` how long and how flat the last part is; ``hold_swing``,
    ``rise_swing`` swing then over the swing before; ``surround_c`` temperature that surroundings must have had for the largest step.
    """

    name: str
    role: str
    sign: int
    step_min: float
    tau_min: float
    tau_known: bool
    series: pd.Series = field(repr=False)
    habit: pd.Series = field(repr=False)
    level_c: float
    swing_k: float
    upper_k: float
    noise_k: float
    onset: pd.Timestamp
    peak_time: pd.Timestamp
    peak_k: float
    peak_c: float
    rise_min: float
    after_min: float
    half_fall_min: float
    returned: bool | None
    jump: float
    habit_jump: float
    pace_ratio: float
    quick_share: float
    tail: float
    cycle_min: float
    asymptote: float = float("nan")
    tau_rise_min: float = float("nan")
    hold_min: float = 0.0
    hold_drift: float = float("nan")
    hold_swing: float = float("nan")
    rise_swing: float = float("nan")
    front: float = float("nan")
    corner: float = float("nan")
    square: float = float("nan")
    surround_c: float = float("nan")
    noise_ratio: float = float("nan")
    stuck_share: float = 0.0
    failed_share: float = float("nan")
    gap_min: float = 0.0
    open_readings: int = 0  # of the episode's, on its side, without a number (CONTRACTS rule 9): the true peak is not among the others

    @property
    def least_tau_min(self) -> float:
        """Shortest time constant that this probe may have [min]."""
        return STATED_SLACK * self.tau_min if self.tau_known else FASTEST_TAU_MIN[self.role]


def measure_course(trace: Trace, *, sign: int, start: pd.Timestamp, end: pd.Timestamp, limit_c: float | None, room: pd.Series | None) -> Course | None:
    """All numbers of one probe; None where it has too few readings around the episode."""
    series = paces.cut(trace.celsius, start - BEFORE, end + AFTER)
    if len(series) < 8 or series.index[-1] < start or series.index[0] > end:
        return None
    up = series * sign
    step = float(np.median(np.diff(thermal.minutes_of(series))))
    habit = _habit(up, start, sign, limit_c)
    middle = float(habit.median())
    low, upper, top = (float(habit.quantile(q)) for q in (0.05, 0.95, 0.975))
    noise = max(0.02, paces.noise(habit))
    onset, peak_time = _onset_and_peak(up, start, end, middle)
    peak = float(up[peak_time])
    stated = trace.probe.time_constant_min
    tau = ASSUMED_TAU_MIN[trace.probe.role] if stated is None else stated
    room_c = ASSUMED_ROOM_C if room is None or not len(room) else float(room.median())
    drive = max(3.0, abs(room_c - sign * middle))
    tail = up[up.index >= peak_time]
    rise = up[(up.index >= onset) & (up.index <= peak_time)]
    after = float((series.index[-1] - peak_time) / pd.Timedelta(minutes=1))
    rise_min = max(step, float((peak_time - onset) / pd.Timedelta(minutes=1)))
    back_at = middle + max(top - middle, 0.2 * (peak - middle))
    course = Course(
        name=trace.probe.name, role=trace.probe.role, sign=sign, step_min=step, tau_min=float(tau), tau_known=stated is not None, series=series, habit=habit,
        level_c=sign * middle, swing_k=upper - low, upper_k=top - middle, noise_k=noise, onset=onset, peak_time=peak_time, peak_k=peak - middle, peak_c=sign * peak,
        rise_min=rise_min, after_min=after, half_fall_min=paces.minutes_until(tail, middle + 0.5 * (peak - middle)), returned=paces.returned(tail, back_at, rise_min, after),
        jump=paces.jump(up, onset, peak_time, tau, step) / drive, habit_jump=paces.habit_jump(habit, tau, step) / drive, pace_ratio=paces.pace_ratio(rise, habit, step), quick_share=paces.quick_share(up, onset, peak_time, peak - middle, tau, step), cycle_min=paces.cycle_min(habit), tail=paces.tail(tail, middle, peak, tau, step),
        gap_min=paces.longest_gap(paces.cut(trace.heard, start - BEFORE, end + AFTER), onset, end, step), open_readings=_open(trace, sign, start, end),
    )  # fmt: skip
    return _shape(course, trace, up, rise, start, end, drive)


def _open(trace: Trace, sign: int, start: pd.Timestamp, end: pd.Timestamp) -> int:
    """How many readings of the episode say its side and no number."""
    index, side = trace.readings.index, trace.readings["one_sided"].to_numpy()
    return int(((side == sign) & (index >= start) & (index <= end)).sum())


def _habit(up: pd.Series, start: pd.Timestamp, sign: int, limit_c: float | None) -> pd.Series:
    """Readings before the episode (or, where there are too few, after it) that lie inside the limit."""
    cap = np.inf if limit_c is None else sign * limit_c
    before = up[(up.index < start - pd.Timedelta(hours=1)) & (up <= cap)]
    if len(before) >= HABIT_READINGS:
        return before
    rest = up[(up <= cap) & ((up.index < start) | (up.index > start + pd.Timedelta(hours=6)))]
    return rest if len(rest) >= 4 else up.iloc[: max(4, len(up) // 4)]


def _onset_and_peak(up: pd.Series, start: pd.Timestamp, end: pd.Timestamp, middle: float) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Since when the reading has been on the far side of its level, and the extreme."""
    margin = pd.Timedelta(minutes=30)
    during = up[(up.index >= start - margin) & (up.index <= end + margin)]
    peak = cast(pd.Timestamp, (during if len(during) else up).idxmax())
    before = up[(up.index <= min(peak, start + margin)) & (up <= middle)]
    onset = before.index[-1] if len(before) else up.index[0]
    return min(onset, peak), peak


def _shape(course: Course, trace: Trace, up: pd.Series, rise: pd.Series, start: pd.Timestamp, end: pd.Timestamp, drive: float) -> Course:
    """The rest: fit of the rise, what holds afterwards, steps that no probe can make, noise, stuck values."""
    level = course.sign * course.level_c
    changes: dict[str, Any] = {}
    if len(rise) >= 6 and course.peak_k > 4 * course.noise_k:
        fit = thermal.warm_up(rise, probe_tau_min=course.tau_min if course.rise_min > 4 * course.tau_min else 0.0)
        changes["tau_rise_min"] = fit.tau_min
        if fit.end_high_c - fit.end_low_c < drive:
            changes["asymptote"] = (fit.end_c - level) / drive
    out = up[(up.index >= start) & (up.index <= end)]
    if len(rise) >= 6:
        t = thermal.minutes_of(rise)
        quarter = (t >= 0.2 * t[-1]) & (t <= 0.35 * t[-1])
        if quarter.any():
            changes["front"] = float((rise.to_numpy()[quarter].mean() - level) / max(course.peak_k, 1e-6))
    usual = paces.swing(course.habit, course.cycle_min)
    # A swing within the noise of two readings cannot be seen to go missing.
    if usual > 3.0 * course.noise_k:
        changes["rise_swing"] = paces.swing(rise, course.cycle_min) / usual
    changes |= _hold(course, up, end, level, usual)
    changes["corner"] = _corner(rise, course)
    changes["square"] = _square(up, course, end, level)
    changes |= _impossible(course, up, trace, out, start, end)
    return replace(course, **changes)


def _hold(course: Course, up: pd.Series, end: pd.Timestamp, level: float, usual_swing: float) -> dict[str, float]:
    """How long the trace stays within a fifth of its rise from the new level, how much that level drifts and swings."""
    late = up[(up.index >= course.onset) & (up.index <= max(end, course.peak_time))]
    if len(late) < 12:
        return {}
    slow = late.rolling(max(3, int(90.0 / course.step_min)), center=True, min_periods=1).median()
    new = float(slow.iloc[len(slow) // 2 :].median())
    near = (slow - new).abs() <= max(0.2 * abs(new - level), 2 * course.noise_k)
    first = int(np.argmax(near.to_numpy()))
    hold = late.iloc[first:]
    if len(hold) < 8:
        return {}
    minutes = thermal.minutes_of(hold)
    third = max(2, len(hold) // 3)
    drift = abs(float(hold.iloc[-third:].median() - hold.iloc[:third].median())) / max(abs(new - level), 1e-6)
    swing = paces.swing(hold, course.cycle_min) / usual_swing if usual_swing > 3.0 * course.noise_k else float("nan")
    return {"hold_min": float(minutes[-1]), "hold_drift": drift, "hold_swing": swing}


def _corner(rise: pd.Series, course: Course) -> float:
    """Pace in the last fifth of the rise over its mean pace: near 1 = cut off while rising, near 0 = settled."""
    t, values = thermal.minutes_of(rise), rise.to_numpy()
    if len(t) < 6 or t[-1] <= 0:
        return float("nan")
    mean = (values[-1] - values[0]) / t[-1]
    late = t >= 0.7 * t[-1]
    if late.sum() < 2 or mean <= 0:
        return float("nan")
    return float(np.polyfit(t[late], values[late], 1)[0] / mean)


def _square(up: pd.Series, course: Course, end: pd.Timestamp, level: float) -> float:
    """Time from 10 % to 90 % of the new level, over the 2.2 time constants a first-order body needs; NaN where nothing holds.

    Only for a level that then holds for three time constants at least, and was left again: the slower of both ways counts (an
    overshoot of the surroundings can hasten one way, hardly both).
    """
    tau = course.least_tau_min
    if course.step_min > tau:
        return float("nan")
    around = up[(up.index >= course.onset - pd.Timedelta(minutes=2 * course.step_min)) & (up.index <= end + pd.Timedelta(minutes=10 * course.tau_min))]
    share = around.to_numpy() - level
    inside = share[share > 0.5 * course.peak_k]
    if len(inside) < 4:
        return float("nan")
    share, t = share / float(np.median(inside)), thermal.minutes_of(around)
    high = np.flatnonzero(share >= 0.9)
    first, last = high[0], high[-1]
    held = share[first : last + 1]
    if t[last] - t[first] < 3 * tau or np.mean(np.abs(held - 1.0) < 0.3) < 0.9:
        return float("nan")
    low_before, low_after = np.flatnonzero(share[:first] <= 0.1), np.flatnonzero(share[last:] <= 0.1)
    ways = [t[first] - t[low_before[-1]]] if len(low_before) else []
    ways += [t[last + low_after[0]] - t[last]] if len(low_after) else []
    return float(max(ways) / (2.2 * tau)) if len(ways) == 2 else float("nan")


def _impossible(course: Course, up: pd.Series, trace: Trace, out: pd.Series, start: pd.Timestamp, end: pd.Timestamp) -> dict[str, float]:
    """Signs of a failing probe: steps faster than its own time constant allows, noise, stuck values, failed tests."""
    margin = pd.Timedelta(minutes=2 * course.step_min)
    near = up[(up.index >= min(course.onset, start) - margin) & (up.index <= end + margin)]
    values, minutes = near.to_numpy(), thermal.minutes_of(near)
    changes: dict[str, float] = {}
    if len(values) >= 3:
        steps, gone = np.diff(values), np.diff(minutes)
        quick = gone <= 2.5 * course.step_min
        # A step that noise alone can make says nothing: four standard deviations are taken off.
        clear = np.sign(steps) * np.maximum(0.0, np.abs(steps) - 4 * course.noise_k)
        around = values[:-1] + clear / (1.0 - np.exp(-np.maximum(gone, 1e-6) / course.least_tau_min))
        far = np.where(quick, around - course.sign * course.level_c, 0.0)
        changes["surround_c"] = float(course.sign * (course.sign * course.level_c + far[np.argmax(np.abs(far))]))
        changes["noise_ratio"] = paces.noise(near) / course.noise_k if len(near) >= 12 else float("nan")
        changes["stuck_share"] = paces.longest_equal(out.to_numpy()) / max(1, len(out)) if len(out) * course.step_min >= 60 and len(out) >= 8 else 0.0
    if len(trace.flags.columns):
        chosen = trace.flags[(trace.flags.index >= start) & (trace.flags.index <= end)]
        worst = (chosen == FAIL).any(axis=1)
        changes["failed_share"] = float(worst.mean()) if len(worst) else float("nan")
    return changes
