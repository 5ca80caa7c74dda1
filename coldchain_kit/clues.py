"""Clues: one question each that a trace, a channel or the logbook can answer, with the number and its threshold.

``lean`` runs from -1 (no) over 0 (cannot say) to +1 (yes) and bends smoothly around the threshold, so that no number
decides by a hair's breadth. What the answers mean for each cause stands in :mod:`coldchain_kit.causes`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from coldchain_kit import evidence
from coldchain_kit.evidence import Course, Facts

# Thresholds and where they come from. DERIVED names the physics; TUNED the middle between the causes on the tuning set
# (tests/benchmarks/labelled.py, coldchain_kit.simulate, seeds from 1000), rounded; moving any by 20 % is measured there.
THRESHOLDS = {
    "fast": (0.4, "TUNED between doors (over 0.5) and closed cabinets (under 0.35): share of the way from level to room within minutes"),
    "burst": (0.4, "DERIVED: a door makes most of its rise within half an hour and a probe's lag, a closed cabinet (3 h and more) under a fifth"),
    "pace": (1.5, "TUNED between a room that warms or cools slowly (under 1) and cooling that stops or never stops (over 1.5)"),
    "prompt": (75.0, "TUNED between full cooling of the air (under 60) and a load or a room that cools down (over 80): minutes half way back"),
    "front": (0.5, "DERIVED: a first quarter makes a quarter of a steady rise and 0.7 of one that settles within its span (four time constants); middle"),
    "tail": (0.15, "TUNED between doors (under 0.1) and loads (over 0.4): mean excess of three hours afterwards over the rise"),
    "square": (0.8, "DERIVED: a first-order body needs 2.2 time constants from 10 to 90 % (FACTS G1), the shortest that this probe may have"),
    "whole": (0.85, "DERIVED: a probe taken out meets the whole way to room temperature, an open door only part of it"),
    "alone": (0.4, "TUNED: share of the rise that another inside probe shows; 1 for anything that warms the cabinet, 0 for a probe by itself"),
    "long": (120.0, "DERIVED: a closed cabinet (3 h and more, FACTS G3) needs about an hour for 3 to 5 K; doors stand open shorter; minutes"),
    "slow_back": (1.0, "DERIVED: a warmed-up load gives its heat back over longer than the short rise; half-way back over rise time"),
    "hot_room": (1.35, "TUNED: heat through the walls against before, from room minus level"),
    "holds": (360.0, "DERIVED: longer than three compressor cycles of the longest kind (80 min, FACTS C7) and the way there; minutes"),
    "flat": (0.08, "TUNED between a new set level (under 0.05) and a cabinet still warming (over 0.1): drift over the rise"),
    "swing": (0.45, "TUNED: swing of the cycle now over before; a running thermostat keeps it, a stopped compressor loses it"),
    "corner": (0.3, "TUNED: pace at the end of the rise over its mean pace"),
    "impossible": (10.0, "DERIVED: surroundings this much beyond everything near do not exist in a store; K"),
    "noisy": (4.0, "DERIVED: four times its own noise, far out of chance; ratio"),
    "stuck": (0.5, "DERIVED: the same value for more than half of an episode of an hour or more; share"),
    "failed": (0.5, "DERIVED: the quality tests call most readings impossible; share"),
    "hump": (150.0, "FACTS C7 (40 min) and C10 (50 min) and the way back; minutes"),
    "at_room": (1.5, "DERIVED: two probes of 0.5 °C each (FACTS B9) and half a degree of draught; K"),
    "beyond_room": (2.0, "DERIVED: nothing passive passes the room's temperature; two probes of 0.5 °C (FACTS B9), doubled; K"),
    "cold_room": (1.0, "DERIVED: two probes of 0.5 °C each (FACTS B9); K"),
}  # fmt: skip


@dataclass(frozen=True)
class Clue:
    """One answered question: ``lean`` -1..1, words, the number judged, its threshold and unit."""

    key: str
    lean: float
    observation: str
    number: float | None
    threshold: float | None
    unit: str
    comment: str


def limit(key: str) -> float:
    """The threshold of a clue."""
    return THRESHOLDS[key][0]


def _over(x: float, key: str, width: float = 0.4) -> float:
    """Lean for a positive number against its threshold, on a logarithmic scale."""
    return math.tanh(math.log(max(x, 1e-6) / limit(key)) / width)


def _ok(*values: float | None) -> bool:
    return all(value is not None and np.isfinite(value) for value in values)


def of_traces(facts: Facts, *, faulty: bool | None = None) -> dict[str, Clue]:
    """Every clue that the traces answer; a clue that cannot be answered is not in the result."""
    found: list[Clue | None] = [
        _fast(facts), _whole(facts), _alone(facts), _long(facts), _returned(facts), _slow_back(facts), _hot_room(facts), _holds(facts), _swing(facts), _corner(facts), _pace(facts), _burst(facts), _front(facts), _prompt(facts), _tail(facts), _square(facts),
        _impossible(facts), _noisy(facts), _stuck(facts), _failed(facts, faulty), _at_room(facts), _beyond_room(facts), _hump(facts), _on_clock(facts),
        _recurrent(facts), _gap(facts), _cold_room(facts), _uneven(facts),
    ]  # fmt: skip
    return {clue.key: clue for clue in found if clue is not None}


def _clue(key: str, lean: float, yes: str, no: str, number: float | None, unit: str, comment: str, threshold: float | None = None) -> Clue:
    at = THRESHOLDS[key][0] if threshold is None and key in THRESHOLDS else threshold
    return Clue(key, float(lean), yes if lean >= 0 else no, None if number is None else round(float(number), 3), at, unit, comment)


def _way(facts: Facts) -> str:
    return "rose" if facts.direction == "above" else "fell"


def _fast(facts: Facts) -> Clue:
    lead = facts.lead
    tau = f"probe time constant {lead.tau_min:g} min" + ("" if lead.tau_known else " (assumed)")
    share = f"{100 * lead.jump:.0f} % of the way from the usual level to room temperature"
    lean = _over(lead.jump, "fast")
    if _ok(lead.quick_share):  # a door opened for a moment during a long rise makes a jump, but not the rise
        lean = min(lean, _over(lead.quick_share, "burst"))
    return _clue(
        "fast", lean, f"The air changed quickly: {share} within minutes.", f"The air changed slowly: at most {share} within minutes.",
        lead.jump, "share", "Warm air from outside acts within minutes; a closed cabinet takes hours. " + tau + ".",
    )  # fmt: skip


def _whole(facts: Facts) -> Clue:
    lead = facts.lead
    weight = 1.0 if lead.tau_known else 0.6
    return _clue(
        "whole", weight * _over(lead.jump, "whole", 0.2), "The probe met air at about room temperature.", "The probe never met air at room temperature.",
        lead.jump, "share", "A probe taken out meets the room itself.",
    )  # fmt: skip


def _alone(facts: Facts) -> Clue | None:
    if not _ok(facts.together):
        return None
    names = ", ".join(course.name for course in facts.others)
    return _clue(
        "alone", math.tanh((limit("alone") - facts.together) / 0.2), f"Probe {facts.lead.name} moved by itself; {names} did not go along.",
        f"The other probe inside ({names}) went along.", facts.together, "share", "Whatever warms or cools the cabinet reaches every probe in it.",
    )  # fmt: skip


def _uneven(facts: Facts) -> Clue | None:
    if not _ok(facts.together):
        return None
    lean = max(-1.0, 1.0 - abs(facts.together - 0.5) / 0.25)
    return _clue("uneven", lean, "The probes moved, but very differently.", "The probes did not part in that way.", facts.together, "share", "Where the air does not reach, one place warms and another stays.", threshold=0.5)


def _long(facts: Facts) -> Clue:
    minutes = facts.lead.rise_min
    return _clue(
        "long", _over(minutes, "long", 0.6), f"It {_way(facts)} for {minutes / 60:.1f} hours.", f"It {_way(facts)} for {minutes:.0f} minutes only.",
        minutes, "min", "A closed cabinet without cooling takes hours.",
    )  # fmt: skip


def _returned(facts: Facts) -> Clue:
    lead = facts.lead
    back = "" if not _ok(lead.half_fall_min) else f" (half way back after {lead.half_fall_min:.0f} minutes)"
    if lead.returned is None:
        return _clue("returned", -0.5, "", "No return to the old level was recorded; the record ends soon after.", lead.after_min, "min after the extreme", "Without a record of it, a recovery is not assumed.")
    return _clue(
        "returned", 1.0 if lead.returned else -1.0, f"It came back to the old level by itself{back}.", "It did not come back to the old level.",
        lead.after_min, "min after the extreme", "Cooling works again once power or the door is back; a broken unit does not mend itself.",
    )  # fmt: skip


def _slow_back(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not _ok(lead.half_fall_min):
        return None
    ratio = lead.half_fall_min / (lead.rise_min + lead.tau_min + lead.step_min)
    return _clue(
        "slow_back", _over(ratio, "slow_back", 0.5), f"Coming back took longer than the change: half way after {lead.half_fall_min:.0f} minutes.",
        f"It came back quickly: half way after {lead.half_fall_min:.0f} minutes.", ratio, "half-way back / rise",
        "A new load keeps giving heat (or cold) for hours; air alone recovers at once.",
    )  # fmt: skip


def _no_room() -> Clue:
    return Clue("room_unknown", -1.0, "Nobody measured the room, so its part is not shown.", None, None, "", "What was not measured cannot speak for a cause.")


def _hot_room(facts: Facts) -> Clue | None:
    if facts.direction != "above":
        return None
    if not facts.room_known or not _ok(facts.room_now_c):
        return _no_room()
    base = max(3.0, facts.room_c - facts.lead.level_c)
    ratio = (facts.room_now_c - facts.lead.level_c) / base
    return _clue(
        "hot_room", _over(ratio, "hot_room", 0.15), f"The room was hot: {facts.room_now_c:.1f} °C, usually {facts.room_c:.1f} °C.",
        f"The room was as usual: {facts.room_now_c:.1f} °C, usually {facts.room_c:.1f} °C.", ratio, "heat load / usual", "More heat through the walls can overwhelm the cooling.",
    )  # fmt: skip


def _cold_room(facts: Facts) -> Clue | None:
    if facts.direction != "below":
        return None
    if not facts.room_known or not _ok(facts.room_now_c):
        return _no_room()
    under = facts.lead.level_c - facts.room_now_c
    return _clue(
        "cold_room", math.tanh((under - limit("cold_room")) / 1.5), f"The room was colder than the unit's usual level: {facts.room_now_c:.1f} °C.",
        f"The room was warmer than the unit: {facts.room_now_c:.1f} °C.", under, "K", "A unit cannot be cooled by a room that is warmer than it.",
    )  # fmt: skip


def _holds(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not _ok(lead.hold_drift):
        return None
    lean = min(_over(lead.hold_min, "holds"), -_over(lead.hold_drift, "flat"))
    return _clue(
        "holds", lean, f"It settled at a new level and stayed there for {lead.hold_min / 60:.0f} hours.", "It settled at no new level.",
        lead.hold_min, "min", "A thermostat that works holds whatever level it is set to.",
    )  # fmt: skip


def _swing(facts: Facts) -> Clue | None:
    lead = facts.lead
    ratio = lead.hold_swing if lead.hold_min >= 180 and _ok(lead.hold_swing) else lead.rise_swing
    # Without a visible cycle before, its loss cannot be seen.
    if not _ok(ratio):
        return None
    return _clue(
        "swing", _over(ratio, "swing", 0.4), "The compressor's swing went on meanwhile.", "The compressor's swing was missing meanwhile.",
        ratio, "swing / usual", "A compressor that switches on and off shows as a swing; one that stands still, or never stops, does not.",
    )  # fmt: skip


def _corner(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not _ok(lead.corner) or lead.returned is not True:
        return None
    return _clue(
        "corner", _over(max(lead.corner, 0.01), "corner", 0.5), "The change was cut off while it was still going on.", "The change had settled before it ended.",
        lead.corner, "pace at the end / mean", "When power comes back, the rise stops at once.",
    )  # fmt: skip


def _pace(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not _ok(lead.pace_ratio) or lead.rise_min < 60:
        return None
    word = "warm-ups" if facts.direction == "above" else "cool-downs"
    return _clue(
        "pace", _over(lead.pace_ratio, "pace", 0.5), f"It began at least as fast as the unit's own {word} between compressor runs.", f"It began more slowly than the unit's own {word}.",
        lead.pace_ratio, "pace / usual", "Cooling that stops (or never stops) acts at once; a room changes slowly.",
    )  # fmt: skip


def _burst(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not _ok(lead.quick_share):
        return None
    return _clue(
        "burst", _over(lead.quick_share, "burst"), f"Most of the change was made in half an hour ({100 * lead.quick_share:.0f} %).",
        f"Half an hour made only {100 * lead.quick_share:.0f} % of the change.", lead.quick_share, "share", "A closed cabinet moves steadily for hours.",
    )  # fmt: skip


def _front(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not _ok(lead.front) or lead.rise_min < 90:
        return None
    return _clue(
        "front", _over(max(lead.front, 0.02), "front", 0.4), f"It was quick at first and then settled ({100 * lead.front:.0f} % in the first quarter).",
        f"It went on steadily ({100 * max(0.0, lead.front):.0f} % in the first quarter).", lead.front, "share", "Against a leak that the cooling can nearly hold it settles; without cooling it goes on.",
    )  # fmt: skip


def _prompt(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not _ok(lead.half_fall_min) or lead.returned is not True:
        return None
    return _clue(
        "prompt", -_over(lead.half_fall_min, "prompt", 0.5), f"It came half way back within {lead.half_fall_min:.0f} minutes: full cooling.",
        f"It took {lead.half_fall_min / 60:.1f} hours to come half way back.", lead.half_fall_min, "min", "The air follows full cooling within the hour; loads and rooms take longer.",
    )  # fmt: skip


def _tail(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not _ok(lead.tail):
        return None
    share = f"{100 * max(0.0, lead.tail):.0f} %"
    return _clue(
        "tail", _over(max(lead.tail, 0.005), "tail", 0.6), f"In the three hours after the extreme {share} of the change was still there on average.",
        f"In the three hours after the extreme next to nothing of it was left ({share}).", lead.tail, "share", "A load that was put in goes on giving off heat, or cold; a door that shut does not.",
    )  # fmt: skip


def _square(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not _ok(lead.square):
        return None
    lean = -_over(lead.square, "square", 0.3)
    return _clue("square", lean, "It jumped to a new level and back faster than this probe can follow any body.", "It moved as a body with this probe's time constant can.", lead.square, "time / least time", "A shift in the electronics is sudden; heat is not.")


def _impossible(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not _ok(lead.surround_c):
        return None
    warmest = max(facts.room_c, facts.room_now_c if _ok(facts.room_now_c) else facts.room_c, lead.level_c)
    # An evaporator of a refrigerator lies 15 to 25 K below its air, and lower still when it never stops.
    coldest = min(facts.room_c, facts.room_now_c if _ok(facts.room_now_c) else facts.room_c, lead.level_c - 30.0)
    beyond = max(lead.surround_c - warmest, coldest - lead.surround_c)
    lean = math.tanh((beyond - limit("impossible")) / 5.0) * (1.0 if lead.tau_known else 0.5)
    return _clue(
        "impossible", max(lean, -0.5), f"A step between two readings would need surroundings of {lead.surround_c:.0f} °C.", "Every step between readings is possible for this probe.",
        beyond, "K beyond what is near", f"With a time constant of {lead.least_tau_min:.1f} min or more{'' if lead.tau_known else ' (assumed)'} the probe cannot follow faster.",
    )  # fmt: skip


def _noisy(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not _ok(lead.noise_ratio):
        return None
    # A quick true course also bends: what another probe shows at the same time is no noise.
    lean = max(-0.3, _over(lead.noise_ratio * lead.noise_k / max(lead.noise_k, 0.05), "noisy", 0.5))
    if lean > 0 and lead.noise_ratio * lead.noise_k < 0.05 * abs(lead.peak_k):
        lean = 0.0
    return _clue("noisy", lean, "The readings scatter far more than usual.", "The readings scatter no more than usual.", lead.noise_ratio, "scatter / usual", "Bodies in a cabinet move smoothly; a loose contact does not.")


def _stuck(facts: Facts) -> Clue:
    lead = facts.lead
    return _clue("stuck", max(-0.3, _over(lead.stuck_share, "stuck", 0.3)), "The same value was repeated for most of the time.", "The readings kept changing.", lead.stuck_share, "share", "A live probe in a cabinet always moves a little.")


def _failed(facts: Facts, faulty: bool | None) -> Clue | None:
    share = facts.lead.failed_share
    if faulty is None and not _ok(share):
        return None
    share = max(share if _ok(share) else 0.0, 1.0 if faulty else 0.0)
    return _clue("failed", max(-0.3, _over(share, "failed", 0.4)), "The quality tests call these readings impossible.", "The quality tests find these readings possible.", share, "share", "See the record's quality section.")


def _at_room(facts: Facts) -> Clue | None:
    lead = facts.lead
    if facts.direction == "below":
        return None
    room = facts.room_now_c if _ok(facts.room_now_c) else facts.room_c
    away = abs(lead.peak_c - room)
    # Without a room probe: 17 to 28 °C hold almost every indoor room (common practice, no source), at half the weight.
    guessed = 0.5 * math.tanh(min(lead.peak_c - 17.0, 28.0 - lead.peak_c) / 1.5)
    lean = math.tanh((limit("at_room") - away) / 1.0) if facts.room_known else guessed
    said = f"room {room:.1f} °C" + ("" if facts.room_known else ", assumed")
    return _clue("at_room", lean, f"It reached room temperature ({lead.peak_c:.1f} °C; {said}).", f"It stayed away from room temperature ({lead.peak_c:.1f} °C; {said}).", away, "K", "Without cooling, or outside the unit, everything ends at room temperature.")


def _beyond_room(facts: Facts) -> Clue | None:
    if not facts.room_known or not _ok(facts.room_now_c) or facts.direction != "above":
        return None
    over = facts.lead.peak_c - facts.room_now_c
    return _clue("beyond_room", math.tanh((over - limit("beyond_room")) / 1.0), f"It rose above the room itself by {over:.1f} K.", "It stayed below the room's temperature.", over, "K", "Only a heater, or a fault of the probe, goes beyond the room.")


def _hump(facts: Facts) -> Clue | None:
    lead = facts.lead
    if facts.direction == "below":
        return None
    if not _ok(lead.half_fall_min):
        return _clue("hump", -1.0, "", "It was no short hump.", None, "min", "A defrost is over within the hour, and cooling follows at once.")
    minutes = lead.rise_min + lead.half_fall_min
    return _clue("hump", -_over(minutes, "hump", 0.5), f"A short hump: up and half way back within {minutes:.0f} minutes.", f"Too long for a defrost: {minutes / 60:.1f} hours up and half way back.", minutes, "min", "A defrost is over within the hour, and cooling follows at once.")


def _on_clock(facts: Facts) -> Clue | None:
    if facts.on_clock is None:
        habit = facts.lead.habit
        hours = (habit.index[-1] - habit.index[0]) / pd.Timedelta(hours=1)
        # A defrost clock of 4 to 12 hours (FACTS C7, C10) shows within a day and a half.
        if facts.direction == "below" or hours < 36:
            return None
        return _clue("own_humps", -1.0, "", f"No regular warm humps in the {hours:.0f} hours before.", hours, "h", "A unit that defrosts by the clock shows it before as well.", threshold=36.0)
    period = f"{facts.defrost_period_h:.1f} hours"
    return _clue(
        "on_clock", 1.0 if facts.on_clock else -1.0, f"It began when the unit's regular warm humps are due (every {period}, usually {facts.defrost_min:.0f} minutes).",
        f"It began away from the unit's regular warm humps (every {period}).", facts.defrost_period_h, "h", "A defrost runs by the clock; a heater that sticks begins on it and lasts longer.",
    )  # fmt: skip


def _recurrent(facts: Facts) -> Clue | None:
    if not facts.recurrent:
        return None
    return _clue("recurrent", 1.0, "Short runs like this one come back at regular times.", "", None, "", "Regular short runs are the mark of a defrost.")


def _gap(facts: Facts) -> Clue | None:
    if not facts.lead.gap_min:
        return None
    return _clue("gap", 1.0, f"The record itself has a gap of {facts.lead.gap_min:.0f} minutes there.", "", facts.lead.gap_min, "min", "A logger on mains power stops with it.")


def of_channels(facts: Facts, channels: dict[str, pd.Series]) -> dict[str, Clue]:
    """Clues from door and power channels, over the time from shortly before the onset to the extreme."""
    found: list[Clue] = []
    for name in sorted(channels):
        series = channels[name].dropna()
        kind = series.attrs.get("kind") or channels[name].attrs.get("kind")
        if kind in ("door", "power") and len(series) >= 4:
            clue = (_door if kind == "door" else _power)(series.astype("float64"), name, facts.lead)
            found += [clue] if clue is not None else []
    return {clue.key: clue for clue in found}


def _span(series: pd.Series, lead: Course) -> tuple[pd.Series, pd.Series]:
    """The channel during the change, and before it."""
    step = pd.Timedelta(minutes=max(5.0, lead.step_min))
    during = series[(series.index >= lead.onset - 2 * step) & (series.index <= lead.peak_time + step)]
    return during, series[(series.index < lead.onset - 2 * step) & (series.index >= lead.onset - evidence.BEFORE)]


def _door(series: pd.Series, name: str, lead: Course) -> Clue | None:
    during, before = _span(series, lead)
    if not len(during):
        return None
    # Seconds open an interval, or a state 0/1: either way "open" is more than the everyday openings before.
    everyday = float(before.quantile(0.99)) if len(before) >= 20 else 0.0
    together = during.rolling(3, min_periods=1).sum().max()
    usual = before.rolling(3, min_periods=1).sum().quantile(0.99) if len(before) >= 20 else 0.0
    opened = bool(together > 1.5 * usual and during.max() > 0) or bool(during.max() > 1.5 * everyday and during.max() > 0)
    if opened:
        return _clue("door_channel", 1.0, f"The door channel {name} shows the door open then, longer than on usual days.", "", float(during.max()), "as recorded", "A channel outranks the shape of the trace.", threshold=1.5 * usual)
    return _clue("door_channel", -1.0 if not during.max() > 0 else -0.5, "", f"The door channel {name} shows no unusual opening.", float(during.max()), "as recorded", "A channel outranks the shape of the trace.", threshold=1.5 * usual)


def _power(series: pd.Series, name: str, lead: Course) -> Clue | None:
    during, before = _span(series, lead)
    if not len(during):
        return None
    usual = before if len(before) >= 20 else series
    floor, top = float(usual.min()), float(usual.quantile(0.95))
    low = during <= (0.0 if floor > 0 else 0.05 * max(top, 1e-9))
    # A compressor's power is low between its runs as well: only a pause three times the longest usual one says "off".
    quiet = _longest(usual <= (0.0 if floor > 0 else 0.05 * max(top, 1e-9))) if floor <= 0 else 0
    off = _longest(low) > max(1 if floor > 0 else 3 * quiet, 0)
    if off and quiet and not floor > 0:
        return _clue("compressor_channel", 1.0, f"Channel {name} shows no compressor run for unusually long.", "", float(_longest(low)), "readings", "No power, or a compressor that does not start.", threshold=3.0 * quiet)
    if off:
        return _clue("power_channel", 1.0, f"The power channel {name} shows no power then.", "", float(during.min()), "as recorded", "A channel outranks the shape of the trace.", threshold=0.0)
    return _clue("power_channel", -1.0, "", f"The power channel {name} shows power all the time.", float(during.min()), "as recorded", "A channel outranks the shape of the trace.", threshold=0.0)


def _longest(mask: pd.Series) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.to_numpy().astype(int), [0]])))
    return int((edges[1::2] - edges[::2]).max()) if len(edges) else 0


# An entry is often written down some time after the act: common practice, no source.
SLACK = pd.Timedelta(minutes=60)
REPAIR = pd.Timedelta(hours=24)  # a repair is written down when it is done
LOG_KINDS = ("door", "power", "service", "load", "move", "download", "settings", "coolant")


def of_logbook(facts: Facts, logbook: Sequence, *, unit: str | None = None) -> dict[str, Clue]:
    """Clues ``log_KIND`` from entries that meet the change.

    Doors, loads, settings, moves and downloads must meet its beginning or its turning point (a door found open is written down when it is
    shut); power and service may stand anywhere up to the end, a repair up to a day later. Entries of other units are left out.
    """
    lead = facts.lead
    late = facts.end + SLACK
    found: dict[str, Clue] = {}
    for entry in logbook:
        other = getattr(entry, "unit", None)
        until = entry.until if entry.until is not None else entry.time
        if entry.kind not in LOG_KINDS or (other is not None and unit is not None and other != unit) or until < lead.onset - SLACK:
            continue
        last = {"power": late, "service": late + REPAIR}.get(entry.kind, lead.onset + SLACK)
        turning = abs(entry.time - lead.peak_time) <= SLACK
        if entry.time > last and not turning:
            continue
        away = abs((entry.time - lead.onset) / pd.Timedelta(minutes=1))
        key = f"log_{entry.kind}"
        where = f"logbook line {entry.line}" if entry.line else "logbook"
        clue = Clue(key, 1.0, f"The {where} says: “{entry.text}” ({entry.kind}, {entry.time:%Y-%m-%d %H:%M} UTC).", round(float(away), 1), 60.0, "min from the onset", "Somebody wrote down what was done; that outranks the shape of the trace.")
        if key not in found or away < (found[key].number or 0.0):
            found[key] = clue
    return found
