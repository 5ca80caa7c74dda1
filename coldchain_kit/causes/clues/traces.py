"""Clues that the traces of an episode answer."""

from __future__ import annotations

import math

import pandas as pd

from coldchain_kit.causes.clues.clue import OF_SIZE, Clue, answer, known, limit, over
from coldchain_kit.causes.evidence import Facts


def of_traces(facts: Facts, *, faulty: bool | None = None) -> dict[str, Clue]:
    """Every clue that the traces answer; a clue that cannot be answered is not in the result.

    Where readings of the leading probe's episode have no number of their own, none of ``OF_SIZE`` can be.
    """
    found: list[Clue | None] = [
        _fast(facts), _whole(facts), _alone(facts), _long(facts), _returned(facts), _slow_back(facts), _hot_room(facts), _holds(facts), _swing(facts), _corner(facts), _pace(facts), _burst(facts), _front(facts), _prompt(facts), _tail(facts), _square(facts),
        _impossible(facts), _noisy(facts), _stuck(facts), _failed(facts, faulty), _at_room(facts), _beyond_room(facts), _hump(facts), _on_clock(facts),
        _recurrent(facts), _gap(facts), _cold_room(facts), _uneven(facts),
    ]  # fmt: skip
    unseen = OF_SIZE if facts.lead.open_readings else frozenset()
    return {clue.key: clue for clue in found if clue is not None and clue.key not in unseen}


def _way(facts: Facts) -> str:
    return "rose" if facts.direction == "above" else "fell"


def _fast(facts: Facts) -> Clue:
    lead = facts.lead
    tau = f"probe time constant {lead.tau_min:g} min" + ("" if lead.tau_known else " (assumed)")
    share = f"{100 * lead.jump:.0f} % of the way from the usual level to room temperature"
    lean = over(lead.jump, "fast")
    if known(lead.quick_share):  # a door opened for a moment during a long rise makes a jump, but not the rise
        lean = min(lean, over(lead.quick_share, "burst"))
    return answer(
        "fast", lean, f"The air changed quickly: {share} within minutes.", f"The air changed slowly: at most {share} within minutes.",
        lead.jump, "share", "Warm air from outside acts within minutes; a closed cabinet takes hours. " + tau + ".",
    )  # fmt: skip


def _whole(facts: Facts) -> Clue:
    lead = facts.lead
    weight = 1.0 if lead.tau_known else 0.6
    return answer(
        "whole", weight * over(lead.jump, "whole", 0.2), "The probe met air at about room temperature.", "The probe never met air at room temperature.",
        lead.jump, "share", "A probe taken out meets the room itself.",
    )  # fmt: skip


def _alone(facts: Facts) -> Clue | None:
    if not known(facts.together):
        return None
    names = ", ".join(course.name for course in facts.others)
    return answer(
        "alone", math.tanh((limit("alone") - facts.together) / 0.2), f"Probe {facts.lead.name} moved by itself; {names} did not go along.",
        f"The other probe inside ({names}) went along.", facts.together, "share", "Whatever warms or cools the cabinet reaches every probe in it.",
    )  # fmt: skip


def _uneven(facts: Facts) -> Clue | None:
    if not known(facts.together):
        return None
    lean = max(-1.0, 1.0 - abs(facts.together - 0.5) / 0.25)
    return answer(
        "uneven",
        lean,
        "The probes moved, but very differently.",
        "The probes did not part in that way.",
        facts.together,
        "share",
        "Where the air does not reach, one place warms and another stays.",
        threshold=0.5,
    )


def _long(facts: Facts) -> Clue:
    minutes = facts.lead.rise_min
    return answer(
        "long", over(minutes, "long", 0.6), f"It {_way(facts)} for {minutes / 60:.1f} hours.", f"It {_way(facts)} for {minutes:.0f} minutes only.",
        minutes, "min", "A closed cabinet without cooling takes hours.",
    )  # fmt: skip


def _returned(facts: Facts) -> Clue:
    lead = facts.lead
    back = "" if not known(lead.half_fall_min) else f" (half way back after {lead.half_fall_min:.0f} minutes)"
    if lead.returned is None:
        return answer(
            "returned",
            -0.5,
            "",
            "No return to the old level was recorded; the record ends soon after.",
            lead.after_min,
            "min after the extreme",
            "Without a record of it, a recovery is not assumed.",
        )
    return answer(
        "returned", 1.0 if lead.returned else -1.0, f"It came back to the old level by itself{back}.", "It did not come back to the old level.",
        lead.after_min, "min after the extreme", "Cooling works again once power or the door is back; a broken unit does not mend itself.",
    )  # fmt: skip


def _slow_back(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not known(lead.half_fall_min):
        return None
    ratio = lead.half_fall_min / (lead.rise_min + lead.tau_min + lead.step_min)
    return answer(
        "slow_back", over(ratio, "slow_back", 0.5), f"Coming back took longer than the change: half way after {lead.half_fall_min:.0f} minutes.",
        f"It came back quickly: half way after {lead.half_fall_min:.0f} minutes.", ratio, "half-way back / rise",
        "A new load keeps giving heat (or cold) for hours; air alone recovers at once.",
    )  # fmt: skip


def _no_room() -> Clue:
    return Clue("room_unknown", -1.0, "Nobody measured the room, so its part is not shown.", None, None, "", "What was not measured cannot speak for a cause.")


def _hot_room(facts: Facts) -> Clue | None:
    if facts.direction != "above":
        return None
    if not facts.room_known or not known(facts.room_now_c):
        return _no_room()
    base = max(3.0, facts.room_c - facts.lead.level_c)
    ratio = (facts.room_now_c - facts.lead.level_c) / base
    return answer(
        "hot_room", over(ratio, "hot_room", 0.15), f"The room was hot: {facts.room_now_c:.1f} °C, usually {facts.room_c:.1f} °C.",
        f"The room was as usual: {facts.room_now_c:.1f} °C, usually {facts.room_c:.1f} °C.", ratio, "heat load / usual", "More heat through the walls can overwhelm the cooling.",
    )  # fmt: skip


def _cold_room(facts: Facts) -> Clue | None:
    if facts.direction != "below":
        return None
    if not facts.room_known or not known(facts.room_now_c):
        return _no_room()
    under = facts.lead.level_c - facts.room_now_c
    return answer(
        "cold_room", math.tanh((under - limit("cold_room")) / 1.5), f"The room was colder than the unit's usual level: {facts.room_now_c:.1f} °C.",
        f"The room was warmer than the unit: {facts.room_now_c:.1f} °C.", under, "K", "A unit cannot be cooled by a room that is warmer than it.",
    )  # fmt: skip


def _holds(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not known(lead.hold_drift):
        return None
    lean = min(over(lead.hold_min, "holds"), -over(lead.hold_drift, "flat"))
    return answer(
        "holds", lean, f"It settled at a new level and stayed there for {lead.hold_min / 60:.0f} hours.", "It settled at no new level.",
        lead.hold_min, "min", "A thermostat that works holds whatever level it is set to.",
    )  # fmt: skip


def _swing(facts: Facts) -> Clue | None:
    lead = facts.lead
    ratio = lead.hold_swing if lead.hold_min >= 180 and known(lead.hold_swing) else lead.rise_swing
    # Without a visible cycle before, its loss cannot be seen.
    if not known(ratio):
        return None
    return answer(
        "swing", over(ratio, "swing", 0.4), "The compressor's swing went on meanwhile.", "The compressor's swing was missing meanwhile.",
        ratio, "swing / usual", "A compressor that switches on and off shows as a swing; one that stands still, or never stops, does not.",
    )  # fmt: skip


def _corner(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not known(lead.corner) or lead.returned is not True:
        return None
    return answer(
        "corner", over(max(lead.corner, 0.01), "corner", 0.5), "The change was cut off while it was still going on.", "The change had settled before it ended.",
        lead.corner, "pace at the end / mean", "When power comes back, the rise stops at once.",
    )  # fmt: skip


def _pace(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not known(lead.pace_ratio) or lead.rise_min < 60:
        return None
    word = "warm-ups" if facts.direction == "above" else "cool-downs"
    return answer(
        "pace", over(lead.pace_ratio, "pace", 0.5), f"It began at least as fast as the unit's own {word} between compressor runs.", f"It began more slowly than the unit's own {word}.",
        lead.pace_ratio, "pace / usual", "Cooling that stops (or never stops) acts at once; a room changes slowly.",
    )  # fmt: skip


def _burst(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not known(lead.quick_share):
        return None
    return answer(
        "burst", over(lead.quick_share, "burst"), f"Most of the change was made in half an hour ({100 * lead.quick_share:.0f} %).",
        f"Half an hour made only {100 * lead.quick_share:.0f} % of the change.", lead.quick_share, "share", "A closed cabinet moves steadily for hours.",
    )  # fmt: skip


def _front(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not known(lead.front) or lead.rise_min < 90:
        return None
    return answer(
        "front", over(max(lead.front, 0.02), "front", 0.4), f"It was quick at first and then settled ({100 * lead.front:.0f} % in the first quarter).",
        f"It went on steadily ({100 * max(0.0, lead.front):.0f} % in the first quarter).", lead.front, "share", "Against a leak that the cooling can nearly hold it settles; without cooling it goes on.",
    )  # fmt: skip


def _prompt(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not known(lead.half_fall_min) or lead.returned is not True:
        return None
    return answer(
        "prompt", -over(lead.half_fall_min, "prompt", 0.5), f"It came half way back within {lead.half_fall_min:.0f} minutes: full cooling.",
        f"It took {lead.half_fall_min / 60:.1f} hours to come half way back.", lead.half_fall_min, "min", "The air follows full cooling within the hour; loads and rooms take longer.",
    )  # fmt: skip


def _tail(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not known(lead.tail):
        return None
    share = f"{100 * max(0.0, lead.tail):.0f} %"
    return answer(
        "tail", over(max(lead.tail, 0.005), "tail", 0.6), f"In the three hours after the extreme {share} of the change was still there on average.",
        f"In the three hours after the extreme next to nothing of it was left ({share}).", lead.tail, "share", "A load that was put in goes on giving off heat, or cold; a door that shut does not.",
    )  # fmt: skip


def _square(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not known(lead.square):
        return None
    lean = -over(lead.square, "square", 0.3)
    return answer(
        "square",
        lean,
        "It jumped to a new level and back faster than this probe can follow any body.",
        "It moved as a body with this probe's time constant can.",
        lead.square,
        "time / least time",
        "A shift in the electronics is sudden; heat is not.",
    )


def _impossible(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not known(lead.surround_c):
        return None
    warmest = max(facts.room_c, facts.room_now_c if known(facts.room_now_c) else facts.room_c, lead.level_c)
    # An evaporator of a refrigerator lies 15 to 25 K below its air, and lower still when it never stops.
    coldest = min(facts.room_c, facts.room_now_c if known(facts.room_now_c) else facts.room_c, lead.level_c - 30.0)
    beyond = max(lead.surround_c - warmest, coldest - lead.surround_c)
    lean = math.tanh((beyond - limit("impossible")) / 5.0) * (1.0 if lead.tau_known else 0.5)
    return answer(
        "impossible", max(lean, -0.5), f"A step between two readings would need surroundings of {lead.surround_c:.0f} °C.", "Every step between readings is possible for this probe.",
        beyond, "K beyond what is near", f"With a time constant of {lead.least_tau_min:.1f} min or more{'' if lead.tau_known else ' (assumed)'} the probe cannot follow faster.",
    )  # fmt: skip


def _noisy(facts: Facts) -> Clue | None:
    lead = facts.lead
    if not known(lead.noise_ratio):
        return None
    # A quick true course also bends: what another probe shows at the same time is no noise.
    lean = max(-0.3, over(lead.noise_ratio * lead.noise_k / max(lead.noise_k, 0.05), "noisy", 0.5))
    if lean > 0 and lead.noise_ratio * lead.noise_k < 0.05 * abs(lead.peak_k):
        lean = 0.0
    return answer(
        "noisy",
        lean,
        "The readings scatter far more than usual.",
        "The readings scatter no more than usual.",
        lead.noise_ratio,
        "scatter / usual",
        "Bodies in a cabinet move smoothly; a loose contact does not.",
    )


def _stuck(facts: Facts) -> Clue:
    lead = facts.lead
    return answer(
        "stuck",
        max(-0.3, over(lead.stuck_share, "stuck", 0.3)),
        "The same value was repeated for most of the time.",
        "The readings kept changing.",
        lead.stuck_share,
        "share",
        "A live probe in a cabinet always moves a little.",
    )


def _failed(facts: Facts, faulty: bool | None) -> Clue | None:
    share = facts.lead.failed_share
    if faulty is None and not known(share):
        return None
    share = max(share if known(share) else 0.0, 1.0 if faulty else 0.0)
    return answer(
        "failed",
        max(-0.3, over(share, "failed", 0.4)),
        "The quality tests call these readings impossible.",
        "The quality tests find these readings possible.",
        share,
        "share",
        "See the record's quality section.",
    )


def _at_room(facts: Facts) -> Clue | None:
    lead = facts.lead
    if facts.direction == "below":
        return None
    room = facts.room_now_c if known(facts.room_now_c) else facts.room_c
    away = abs(lead.peak_c - room)
    # Without a room probe: 17 to 28 °C hold almost every indoor room (common practice, no source), at half the weight.
    guessed = 0.5 * math.tanh(min(lead.peak_c - 17.0, 28.0 - lead.peak_c) / 1.5)
    lean = math.tanh((limit("at_room") - away) / 1.0) if facts.room_known else guessed
    said = f"room {room:.1f} °C" + ("" if facts.room_known else ", assumed")
    return answer(
        "at_room",
        lean,
        f"It reached room temperature ({lead.peak_c:.1f} °C; {said}).",
        f"It stayed away from room temperature ({lead.peak_c:.1f} °C; {said}).",
        away,
        "K",
        "Without cooling, or outside the unit, everything ends at room temperature.",
    )


def _beyond_room(facts: Facts) -> Clue | None:
    if not facts.room_known or not known(facts.room_now_c) or facts.direction != "above":
        return None
    over = facts.lead.peak_c - facts.room_now_c
    return answer(
        "beyond_room",
        math.tanh((over - limit("beyond_room")) / 1.0),
        f"It rose above the room itself by {over:.1f} K.",
        "It stayed below the room's temperature.",
        over,
        "K",
        "Only a heater, or a fault of the probe, goes beyond the room.",
    )


def _hump(facts: Facts) -> Clue | None:
    lead = facts.lead
    if facts.direction == "below":
        return None
    if not known(lead.half_fall_min):
        return answer("hump", -1.0, "", "It was no short hump.", None, "min", "A defrost is over within the hour, and cooling follows at once.")
    minutes = lead.rise_min + lead.half_fall_min
    return answer(
        "hump",
        -over(minutes, "hump", 0.5),
        f"A short hump: up and half way back within {minutes:.0f} minutes.",
        f"Too long for a defrost: {minutes / 60:.1f} hours up and half way back.",
        minutes,
        "min",
        "A defrost is over within the hour, and cooling follows at once.",
    )


def _on_clock(facts: Facts) -> Clue | None:
    if facts.on_clock is None:
        habit = facts.lead.habit
        hours = (habit.index[-1] - habit.index[0]) / pd.Timedelta(hours=1)
        # A defrost clock of 4 to 12 hours (FACTS C7, C10) shows within a day and a half.
        if facts.direction == "below" or hours < 36:
            return None
        return answer(
            "own_humps",
            -1.0,
            "",
            f"No regular warm humps in the {hours:.0f} hours before.",
            hours,
            "h",
            "A unit that defrosts by the clock shows it before as well.",
            threshold=36.0,
        )
    period = f"{facts.defrost_period_h:.1f} hours"
    return answer(
        "on_clock", 1.0 if facts.on_clock else -1.0, f"It began when the unit's regular warm humps are due (every {period}, usually {facts.defrost_min:.0f} minutes).",
        f"It began away from the unit's regular warm humps (every {period}).", facts.defrost_period_h, "h", "A defrost runs by the clock; a heater that sticks begins on it and lasts longer.",
    )  # fmt: skip


def _recurrent(facts: Facts) -> Clue | None:
    if not facts.recurrent:
        return None
    return answer("recurrent", 1.0, "Short runs like this one come back at regular times.", "", None, "", "Regular short runs are the mark of a defrost.")


def _gap(facts: Facts) -> Clue | None:
    if not facts.lead.gap_min:
        return None
    return answer("gap", 1.0, f"The record itself has a gap of {facts.lead.gap_min:.0f} minutes there.", "", facts.lead.gap_min, "min", "A logger on mains power stops with it.")
