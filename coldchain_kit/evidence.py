"""What the traces of an episode show, as numbers: the course of each probe against its own habits.

An episode is measured relative to the days before it on the same probe: level, swing, pace of its own
warm-ups. Temperatures are turned so that the episode always points upwards (``sign``). Thresholds and weights
live in :mod:`coldchain_kit.clues` and :mod:`coldchain_kit.causes`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from coldchain_kit import thermal
from coldchain_kit.trace import FAIL, Trace, Unit

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
# A pace is measured over at least this long, so that a display step does not pass for a course.
PACE_MIN = 10.0
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

    @property
    def least_tau_min(self) -> float:
        """Shortest time constant that this probe may have [min]."""
        return STATED_SLACK * self.tau_min if self.tau_known else FASTEST_TAU_MIN[self.role]


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


def instant(value) -> pd.Timestamp:
    """UTC Timestamp of a result's time (text ending in Z, or a Timestamp)."""
    stamp = pd.Timestamp(value)
    return stamp.tz_localize("UTC") if stamp.tz is None else stamp.tz_convert("UTC")


def measure(episode: dict, unit: Unit, *, condition=None, room: Trace | None = None, excursions: Sequence[dict] = ()) -> Facts | None:
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
        worst = max(rows, key=lambda row: float(row.get("degree_minutes") or 0.0))
        start, end = instant(worst["start"]), instant(worst["end"])
    inside = {name: trace for name, trace in unit.traces.items() if trace.probe.role != "room"}
    room = room or next((trace for trace in unit.traces.values() if trace.probe.role == "room"), None)
    limit = None if condition is None else condition.limit_c(direction)
    limits = (None, None) if condition is None else (condition.limit_c("below"), condition.limit_c("above"))
    room_series = None if room is None else _cut(room.celsius, start - BEFORE, end + AFTER)
    courses = {}
    for name, trace in inside.items():
        course = _course(trace, sign=sign, start=start, end=end, limit_c=limit, room=room_series)
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


def _leading(rows: Sequence[dict], courses: dict[str, Course]) -> str:
    weight = dict.fromkeys(courses, 0.0)
    for row in rows:
        if row["probe"] in weight:
            weight[row["probe"]] += float(row.get("degree_minutes") or 0.0) + 1e-6
    return max(sorted(weight), key=lambda name: (weight[name], courses[name].peak_k - courses[name].upper_k))


def _cut(series: pd.Series, start: pd.Timestamp, end: pd.Timestamp) -> pd.Series:
    first, last = series.index.searchsorted(start), series.index.searchsorted(end, side="right")
    return series.iloc[first:last].dropna()


def _course(trace: Trace, *, sign: int, start: pd.Timestamp, end: pd.Timestamp, limit_c: float | None, room: pd.Series | None) -> Course | None:
    """All numbers of one probe; None where it has too few readings around the episode."""
    series = _cut(trace.celsius, start - BEFORE, end + AFTER)
    if len(series) < 8 or series.index[-1] < start or series.index[0] > end:
        return None
    up = series * sign
    step = float(np.median(np.diff(thermal.minutes_of(series))))
    habit = _habit(up, start, sign, limit_c)
    middle = float(habit.median())
    low, upper, top = (float(habit.quantile(q)) for q in (0.05, 0.95, 0.975))
    noise = max(0.02, _noise(habit))
    onset, peak_time = _onset_and_peak(up, start, end, middle)
    peak = float(up[peak_time])
    known = trace.probe.time_constant_min is not None
    tau = trace.probe.time_constant_min if known else ASSUMED_TAU_MIN[trace.probe.role]
    room_c = ASSUMED_ROOM_C if room is None or not len(room) else float(room.median())
    drive = max(3.0, abs(room_c - sign * middle))
    tail = up[up.index >= peak_time]
    rise = up[(up.index >= onset) & (up.index <= peak_time)]
    after = float((series.index[-1] - peak_time) / pd.Timedelta(minutes=1))
    rise_min = max(step, float((peak_time - onset) / pd.Timedelta(minutes=1)))
    back_at = middle + max(top - middle, 0.2 * (peak - middle))
    course = Course(
        name=trace.probe.name, role=trace.probe.role, sign=sign, step_min=step, tau_min=float(tau), tau_known=known, series=series, habit=habit,
        level_c=sign * middle, swing_k=upper - low, upper_k=top - middle, noise_k=noise, onset=onset, peak_time=peak_time, peak_k=peak - middle, peak_c=sign * peak,
        rise_min=rise_min, after_min=after, half_fall_min=_minutes_until(tail, middle + 0.5 * (peak - middle)), returned=_returned(tail, back_at, rise_min, after),
        jump=_jump(up, onset, peak_time, tau, step) / drive, habit_jump=_habit_jump(habit, tau, step) / drive, pace_ratio=_pace_ratio(rise, habit, step), quick_share=_quick_share(up, onset, peak_time, peak - middle, tau, step), cycle_min=_cycle_min(habit), tail=_tail(tail, middle, peak, tau, step),
        gap_min=_longest_gap(series, onset, end, step),
    )  # fmt: skip
    return _shape(course, trace, up, rise, start, end, drive)


def _habit(up: pd.Series, start: pd.Timestamp, sign: int, limit_c: float | None) -> pd.Series:
    """Readings before the episode (or, where there are too few, after it) that lie inside the limit."""
    cap = np.inf if limit_c is None else sign * limit_c
    before = up[(up.index < start - pd.Timedelta(hours=1)) & (up <= cap)]
    if len(before) >= HABIT_READINGS:
        return before
    rest = up[(up <= cap) & ((up.index < start) | (up.index > start + pd.Timedelta(hours=6)))]
    return rest if len(rest) >= 4 else up.iloc[: max(4, len(up) // 4)]


def _noise(series: pd.Series) -> float:
    """Standard deviation of one reading, from second differences (a smooth course leaves them near zero)."""
    values = series.to_numpy()
    if len(values) < 5:
        return 0.05
    return float(1.4826 * np.median(np.abs(np.diff(values, 2))) / np.sqrt(6.0))


def _onset_and_peak(up: pd.Series, start: pd.Timestamp, end: pd.Timestamp, middle: float) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Since when the reading has been on the far side of its level, and the extreme."""
    margin = pd.Timedelta(minutes=30)
    during = up[(up.index >= start - margin) & (up.index <= end + margin)]
    peak = during.idxmax() if len(during) else up.idxmax()
    before = up[(up.index <= min(peak, start + margin)) & (up <= middle)]
    onset = before.index[-1] if len(before) else up.index[0]
    return min(onset, peak), peak


def _minutes_until(tail: pd.Series, below: float) -> float:
    hit = np.flatnonzero(tail.to_numpy() <= below)
    return float((tail.index[hit[0]] - tail.index[0]) / pd.Timedelta(minutes=1)) if len(hit) else float("nan")


def _returned(tail: pd.Series, back_at: float, rise_min: float, after_min: float) -> bool | None:
    """Back to the old level and staying there; None while the record after the peak is shorter than the rise itself."""
    hit = np.flatnonzero(tail.to_numpy() <= back_at)
    if len(hit):
        rest = tail.iloc[hit[0] :]
        return bool(np.mean(rest.to_numpy() <= back_at) >= 0.5) if len(rest) >= 4 else True
    return False if after_min > max(rise_min, 180.0) else None


def _steps_over(up: pd.Series, window_min: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Change over at least ``window_min`` from each reading on: positions, minutes, change."""
    t, values = thermal.minutes_of(up), up.to_numpy()
    ahead = np.searchsorted(t, t + window_min - 1e-6)
    use = np.flatnonzero(ahead < len(t))
    gone = t[ahead[use]] - t[use]
    fine = gone <= 2.5 * window_min
    return use[fine], gone[fine], (values[ahead[use]] - values[use])[fine]


def _jump(up: pd.Series, onset: pd.Timestamp, peak: pd.Timestamp, tau: float, step: float) -> float:
    """Rise of the surroundings within minutes that the probe's fastest course implies: pace times (window + tau)."""
    window = max(PACE_MIN, step)
    stretch = up[(up.index >= onset - pd.Timedelta(minutes=window)) & (up.index <= peak)]
    _, minutes, change = _steps_over(stretch, window)
    return float(max(0.0, (change / minutes).max()) * (window + tau)) if len(minutes) else 0.0


def _habit_jump(habit: pd.Series, tau: float, step: float) -> float:
    window = max(PACE_MIN, step)
    _, minutes, change = _steps_over(habit, window)
    return float(max(0.0, np.quantile(change / minutes, 0.98)) * (window + tau)) if len(minutes) > 10 else float("nan")


def _pace_ratio(rise: pd.Series, habit: pd.Series, step: float) -> float:
    """Pace over the first hour of the rise against its own usual rises (90 % of the rising paces over 30 min)."""
    window = max(20.0, 2 * step)
    _, minutes, change = _steps_over(habit, window)
    usual = change / minutes if len(minutes) else np.empty(0)
    usual = usual[usual > 0]
    first = rise[rise.index <= rise.index[0] + pd.Timedelta(minutes=max(60.0, 3 * step))]
    if len(usual) < 10 or len(first) < 2:
        return float("nan")
    pace = (first.iloc[-1] - first.iloc[0]) / max(step, thermal.minutes_of(first)[-1])
    return float(max(0.0, pace) / max(1e-6, np.quantile(usual, 0.9)))


def _quick_share(up: pd.Series, onset: pd.Timestamp, peak: pd.Timestamp, rise_k: float, tau: float, step: float) -> float:
    """Largest share of the whole rise that was made within half an hour and a probe time constant."""
    window = max(30.0 + tau, 2 * step)
    stretch = up[(up.index >= onset - pd.Timedelta(minutes=step)) & (up.index <= peak)]
    if len(stretch) < 2 or rise_k <= 0:
        return float("nan")
    if thermal.minutes_of(stretch)[-1] <= window:
        return 1.0
    _, _, change = _steps_over(stretch, window)
    return float(min(1.0, max(0.0, change.max()) / rise_k)) if len(change) else float("nan")


def _tail(tail: pd.Series, level: float, peak: float, tau: float, step: float) -> float:
    """Mean excess over three hours after the extreme (two probe time constants left for the probe's own lag), as a share of the rise."""
    begin = tail.index[0] + pd.Timedelta(minutes=2 * tau + step)
    rest = tail[(tail.index > begin) & (tail.index <= begin + pd.Timedelta(hours=3))]
    if len(rest) * step < 90 or len(rest) < 3 or peak <= level:
        return float("nan")
    return float((rest.mean() - level) / (peak - level))


def _cycle_min(habit: pd.Series) -> float:
    """Compressor period of the last two days before [min]; NaN where none shows. Defrost clocks run in hours and are no cycle."""
    recent = habit[habit.index >= habit.index[-1] - pd.Timedelta(days=2)]
    steps = np.diff(thermal.minutes_of(recent))
    if len(recent) < 24 or np.max(steps) > 20 * np.median(steps):
        recent = habit
    # Doors and the room disturb a cycle: a weaker likeness than half is taken here, because only the swing at that period is used.
    period = thermal.cycle(recent, least_r=0.3).period_min
    return period if period <= 150.0 else float("nan")


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


def _longest_gap(series: pd.Series, onset: pd.Timestamp, end: pd.Timestamp, step: float) -> float:
    inside = series[(series.index >= onset - pd.Timedelta(minutes=3 * step)) & (series.index <= end + pd.Timedelta(minutes=3 * step))]
    steps = np.diff(thermal.minutes_of(inside))
    longest = float(steps.max()) if len(steps) else 0.0
    return longest if longest > max(2.5 * step, 5.0) else 0.0


def _shape(course: Course, trace: Trace, up: pd.Series, rise: pd.Series, start: pd.Timestamp, end: pd.Timestamp, drive: float) -> Course:
    """The rest: fit of the rise, what holds afterwards, steps that no probe can make, noise, stuck values."""
    level = course.sign * course.level_c
    changes: dict[str, float] = {}
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
    usual = _swing(course.habit, course.cycle_min)
    # A swing within the noise of two readings cannot be seen to go missing.
    if usual > 3.0 * course.noise_k:
        changes["rise_swing"] = _swing(rise, course.cycle_min) / usual
    changes |= _hold(course, up, end, level, usual)
    changes["corner"] = _corner(rise, course)
    changes["square"] = _square(up, course, end, level)
    changes |= _impossible(course, up, trace, out, start, end)
    return replace(course, **changes)


def _swing(series: pd.Series, period_min: float) -> float:
    """Swing at the compressor's period: interquartile range of each reading against the mean of those half a period away.

    A straight course gives 0 and a bend a constant, so only what comes and goes with the period is left. NaN where the stretch
    holds fewer than two periods.
    """
    values, step = thermal.even(series)
    half = int(round(period_min / 2 / step)) if np.isfinite(step) and np.isfinite(period_min) else 0
    if half < 1 or len(values) < 4 * half + 4:
        return float("nan")
    rest = values[half:-half] - (values[: -2 * half] + values[2 * half :]) / 2.0
    return float(np.percentile(rest, 75) - np.percentile(rest, 25))


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
    swing = _swing(hold, course.cycle_min) / usual_swing if usual_swing > 3.0 * course.noise_k else float("nan")
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
        changes["noise_ratio"] = _noise(near) / course.noise_k if len(near) >= 12 else float("nan")
        changes["stuck_share"] = _longest_equal(out.to_numpy()) / max(1, len(out)) if len(out) * course.step_min >= 60 and len(out) >= 8 else 0.0
    if len(trace.flags.columns):
        chosen = trace.flags[(trace.flags.index >= start) & (trace.flags.index <= end)]
        worst = (chosen == FAIL).any(axis=1)
        changes["failed_share"] = float(worst.mean()) if len(worst) else float("nan")
    return changes


def _longest_equal(values: np.ndarray) -> int:
    if len(values) < 2:
        return len(values)
    breaks = np.flatnonzero(np.diff(values) != 0)
    return int(np.diff(np.concatenate([[-1], breaks, [len(values) - 1]])).max())


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
    near = np.abs(phase) <= thermal.ON_CLOCK_SHARE
    centre = np.angle(np.exp(2j * np.pi * hours[near] / period).mean()) / (2 * np.pi)
    # The episode's beginning as a hump's: the same probe half a usual height up.
    level, height = float(series[series.index < lead.onset].median()), float(usual["height_k"].median())
    late = series[(series.index >= lead.onset - pd.Timedelta(hours=1)) & (series >= level + 0.5 * height)]
    at = ((late.index[0] if len(late) else start) - begin) / pd.Timedelta(hours=1)
    off_min = abs((at / period - centre + 0.5) % 1.0 - 0.5) * period * 60.0
    scatter = float(np.std(phase[near])) * period * 60.0
    return period, float(usual["minutes"].median()), bool(off_min <= max(15.0, 3.0 * scatter, 2.0 * lead.step_min))
