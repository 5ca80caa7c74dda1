"""Lessons and their kinds of exercise: each a function of a seed, one kind at a time first, then mixed (FACTS I4)."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from typing import cast

import numpy as np
import pandas as pd

from coldchain_kit.base import KitError
from coldchain_kit.training import traces
from coldchain_kit.training.asked import Choice, Exercise, at, when
from coldchain_kit.training.traces import Event, Made

Kind = Callable[[int], Exercise]
TITLES = {1: "Reading a trace: the first ten minutes", 2: "Limits and how long", 3: "Can you trust it?", 4: "Why did it happen?"}


def _mixed(rng: random.Random, choices: Sequence[Choice]) -> tuple[Choice, ...]:
    found = list(choices)
    rng.shuffle(found)
    return tuple(found)


def _when(label: object) -> pd.Timestamp:
    """The label of a reading, which is its time."""
    return cast(pd.Timestamp, label)


def _top(series: pd.Series, made: Made, start_min: float, end_min: float) -> pd.Timestamp:
    """The time of the highest reading between two minutes after the start."""
    here = series[(series.index >= made.at(start_min)) & (series.index <= made.at(end_min))]
    return _when(here.idxmax())


# --- lesson 1 ------------------------------------------------------------------------------------------------


def humps(seed: int) -> Exercise:
    """Regular humps day and night are a defrost; humps at no regular times, in working hours only, are the door."""
    rng = random.Random(f"humps{seed}")
    regular = rng.random() < 0.5
    every, height = rng.choice((240, 300, 360)), rng.uniform(3.0, 4.5)
    if regular:
        first = rng.randrange(60, 200)
        made = traces.make((Event("defrost", first, every, height),), seed=seed)
        tops = [_top(made.air, made, first + k * every - 5, first + k * every + 40) for k in range(3)]
    else:
        begins = sorted(rng.sample(range(8 * 60, 17 * 60, 35), 5))
        made = traces.make(tuple(Event("door", begin, rng.uniform(1.5, 3.0)) for begin in begins), seed=seed)
        tops = [_top(made.air, made, begin, begin + 12) for begin in begins[:3]]
    first_top, second, third = (at(made.air, time) for time in tops)
    night = f"{first_top}, {second}, {third}: equal gaps of {every / 60:g} h, at night too. Nobody opens a door by the clock."
    day = f"{first_top}, {second}, {third}: no equal gaps, and all in working hours. A defrost keeps its own clock, day and night."
    choices = [
        Choice("The unit defrosts by itself", regular, f"Yes. {night}" if regular else f"{day}"),
        Choice("The door was opened", not regular, f"Yes. {day}" if not regular else f"{night}"),
        Choice("Warm goods were put in", False, f"{first_top}: gone within the hour each time. Warm goods give their heat for hours, once."),
        Choice("The power failed", False, f"{first_top}, and the old level again soon after. Without power the air warms for as long as the power is away."),
    ]
    return Exercise(1, "humps", seed, made, "What makes the short humps of the air probe?", _mixed(rng, choices), "Write down the times of three humps. Are the gaps equal? Is one at night?", night if regular else day)


def bottle(seed: int) -> Exercise:
    """After a long door opening the air runs ahead of the bottle."""
    rng = random.Random(f"bottle{seed}")
    begin, minutes = rng.randrange(300, 1100), rng.uniform(10, 22)
    made = traces.make((Event("door", begin, minutes),), seed=seed)
    time = made.near(made.air, begin + minutes - 1)
    air, held = float(made.air[time]), float(made.bottle[time])
    choices = [
        Choice(f"About {held:.1f} °C", True, f"Yes: the bottle, {at(made.bottle, time)}, follows slowly, as liquid in a vial does."),
        Choice(f"About {air:.1f} °C", False, f"{at(made.air, time)} is the air; the bottle shows {held:.1f} °C at that time. The vial is nearer to the bottle, and nobody knows it exactly."),
        Choice(f"About {(air + held) / 2:.1f} °C, the middle of the two", False, f"A mean of {air:.1f} °C (air) and {held:.1f} °C (bottle) at {when(time)} is no place in the refrigerator."),
        Choice("It cannot matter: the door was open for minutes only", False, f"{at(made.air, time)}: air of that temperature reaches loose vials in minutes. Write it down, and look at the bottle's {held:.1f} °C.", critical=False),
    ]
    question = f"The door stood open. The vaccine stands in its boxes. Which reading speaks best for it at {when(time)}?"
    return Exercise(1, "bottle", seed, made, question, _mixed(rng, choices), "Two lines: one of free air, one in a bottle. Which one is slow?", f"The bottle: {at(made.bottle, time)}. The air at that time: {air:.1f} °C.")


def minus(seed: int) -> Exercise:
    """A minus sign that is easily overlooked, and what to do first."""
    rng = random.Random(f"minus{seed}")
    begin, level = rng.randrange(300, 900), -rng.uniform(0.3, 1.4)
    made = traces.make((Event("setpoint", begin, 900, level),), swing_c=0.3, seed=seed)
    time = _when(made.bottle.idxmin())
    low = float(made.bottle[time])
    choices = [
        Choice("Mark it and keep it where it stands cold, read the logger, ring the person who decides", True, f"Yes. {at(made.bottle, time)} is below zero: freezing is possible, and only the manufacturer or your pharmacist can judge it."),
        Choice(f"Nothing: {abs(low):.1f} °C is inside", False, f"{at(made.bottle, time)}: it is minus {abs(low):.1f}. Read the sign.", critical=True),
        Choice("Reset the alarm first, then look", False, f"{at(made.bottle, time)} may be lost with the reset. Read the logger out before anybody presses anything.", critical=True),
        Choice("Throw the stock away at once", False, f"{at(made.bottle, time)} is a reading of one place. Nothing is thrown away before it is decided.", critical=True),
    ]
    return Exercise(1, "minus", seed, made, "You find this on Monday morning. What do you do first?", _mixed(rng, choices), "Look for the lowest reading, and for its sign.", f"Lowest: {at(made.bottle, time)}. Hold, read, ring.")


# --- lesson 2 ------------------------------------------------------------------------------------------------


def bounds(seed: int) -> Exercise:
    """At least from the first to the last reading outside, at most from the last inside to the first inside again."""
    rng = random.Random(f"bounds{seed}")
    begin, minutes, interval = rng.randrange(300, 900), rng.uniform(90, 260), rng.choice((5, 10, 15))
    made = traces.make((Event("power", begin, minutes),), seed=seed, interval_min=interval, swing_c=0.3)
    out = np.flatnonzero(made.bottle.to_numpy() > made.high_c)
    if not len(out) or out[-1] + 1 >= len(made.bottle) or len(out) != out[-1] - out[0] + 1:
        return bounds(seed + 100_000)
    index = made.bottle.index
    least, most = ((index[b] - index[a]) / pd.Timedelta(minutes=1) for a, b in ((out[0], out[-1]), (out[0] - 1, out[-1] + 1)))
    first, before, last, back = (pd.Timestamp(index[k]) for k in (out[0], out[0] - 1, out[-1], out[-1] + 1))
    edge = f"{at(made.bottle, before)} is inside, {at(made.bottle, first)} outside: between them nobody looked"
    choices = [
        Choice(f"At least {least:.0f} min, at most {most:.0f} min", True, f"Yes: {edge}; and {at(made.bottle, last)} is the last outside, {at(made.bottle, back)} the first back."),
        Choice(f"Exactly {(least + most) / 2:.0f} min", False, f"{edge}. So the length is known as at least {least:.0f} and at most {most:.0f} min."),
        Choice(f"At least {most:.0f} min, at most {most + interval:.0f} min", False, f"{edge}. The time before {when(first)} is not proved, so it belongs to “at most”, not to “at least”."),
        Choice("No excursion: the alarm has a delay of 10 hours", False, f"{at(made.bottle, first)} is outside. The delay of an alarm is not time that is allowed.", critical=True),
    ]
    question = f"The line is the bottle, a reading each {interval} min, taken as exact. How long was it above {made.high_c:g} °C?"
    worked = f"From {when(first)} to {when(last)}: at least {least:.0f} min. From {when(before)} to {when(back)}: at most {most:.0f} min."
    return Exercise(2, "bounds", seed, made, question, _mixed(rng, choices), "Find the last reading inside, the first outside, the last outside and the first inside again.", worked)


def runs(seed: int) -> Exercise:
    """A statement for one run is held against the longest run, one for all together against the sum."""
    rng = random.Random(f"runs{seed}")
    begins = [200, 560, 920, 1280][: rng.choice((3, 4))]
    made = traces.make(tuple(Event("power", begin, rng.uniform(75, 150)) for begin in begins), seed=seed, swing_c=0.2, hours=30)
    outside = (made.bottle > made.high_c).to_numpy()
    edges = np.flatnonzero(np.diff(np.concatenate(([0], outside.view("int8"), [0]))))
    spans = [(made.bottle.index[a], made.bottle.index[b - 1]) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    lengths = [(b - a) / pd.Timedelta(hours=1) for a, b in spans]
    if len(lengths) < 2 or sum(lengths) - max(lengths) < 0.6:
        return runs(seed + 100_000)
    worst, total, single = spans[int(np.argmax(lengths))], sum(lengths), rng.random() < 0.5
    wanted, other = (max(lengths), total) if single else (total, max(lengths))
    said = "in one run" if single else "all together"
    first = pd.Timestamp(worst[0])
    choices = [
        Choice(f"{wanted:.1f} h", True, f"Yes: the longest run begins with {at(made.bottle, first)}; {len(lengths)} runs come to {total:.1f} h, the longest is {max(lengths):.1f} h."),
        Choice(f"{other:.1f} h", False, f"{at(made.bottle, first)} begins the longest run, {max(lengths):.1f} h; all {len(lengths)} together are {total:.1f} h. The statement counts {said}."),
        Choice(f"{total / len(lengths):.1f} h, the mean of the runs", False, f"A mean hides {at(made.bottle, _when(made.bottle.idxmax()))}. The statement counts {said}."),
        Choice("None: each run was short", False, f"{at(made.bottle, first)} is outside. Short runs count, and what is allowed only the manufacturer states.", critical=True),
    ]
    question = f"The manufacturer stated “up to 25 °C, 4 h {said}”. How many hours above {made.high_c:g} °C do you hold against it (first to last reading outside)?"
    return Exercise(2, "runs", seed, made, question, _mixed(rng, choices), "Measure each run. Then read the statement again: one run, or all together?", f"{len(lengths)} runs, {total:.1f} h in all, the longest {max(lengths):.1f} h; counted {said}: {wanted:.1f} h.")


# --- lesson 3 ------------------------------------------------------------------------------------------------


def gap(seed: int) -> Exercise:
    """Time without readings is not known, whatever the readings beside it."""
    rng = random.Random(f"gap{seed}")
    begin, minutes = rng.randrange(300, 1000), rng.randrange(120, 400)
    whole = traces.make(seed=seed)
    keep = (whole.air.index < whole.at(begin)) | (whole.air.index > whole.at(begin + minutes))
    made = Made(whole.bottle[keep], whole.air[keep], whole.low_c, whole.high_c)
    last, following = made.near(made.bottle, begin - 3), made.near(made.bottle, begin + minutes + 3)
    hole = f"After {at(made.bottle, last)} nothing until {when(following)}"
    choices = [
        Choice("Inside where there are readings; between them not known", True, f"Yes. {hole}: that time is not known."),
        Choice("Inside the whole time: it is the same before and after", False, f"{hole}. A power cut of {minutes / 60:.1f} h fits in there, and so does nothing at all."),
        Choice("Outside the whole time", False, f"{at(made.bottle, last)} is inside. {hole}: not known is not outside either."),
        Choice("Draw a line across and call it complete", False, f"{hole}. A line that nobody measured would be a made-up record.", critical=True),
    ]
    return Exercise(3, "gap", seed, made, "Was the stock inside its limits?", _mixed(rng, choices), "Follow the line with a finger. Does it stop?", f"{hole}, {minutes / 60:.1f} h: not known.")


def stuck(seed: int) -> Exercise:
    """A bottle that stands still while the air moves is no steady refrigerator."""
    rng = random.Random(f"stuck{seed}")
    begin, minutes, real = rng.randrange(200, 500), rng.randrange(600, 900), rng.random() < 0.65
    made = traces.make((Event("stuck", begin, minutes), Event("power", begin + 120, 200)) if real else (), seed=seed, tau_min=14.0 if real else 60.0, swing_c=0.6 if real else 0.5)
    time = _top(made.air, made, begin, begin + minutes)
    value = float(made.bottle[made.near(made.bottle, begin + 200)])
    moved = f"The bottle's {value:.1f} °C has not moved since {when(made.near(made.bottle, begin))}, while the other probe went to {at(made.air, time)}"
    calm = f"The bottle moves by tenths, slowly, and the air by no more than {float(made.air.max() - made.air.min()):.1f} °C (highest {at(made.air, time)}): a large bottle is that calm"
    choices = [
        Choice("The bottle's probe is stuck: its readings are doubted, the time is not known", real, f"Yes. {moved}." if real else f"{calm}. A stuck probe shows one number for hours."),
        Choice("A calm refrigerator: nothing is wrong", not real, f"Yes. {calm}." if not real else f"{moved}. That is no calm refrigerator.", critical=real),
        Choice("Take the readings out of the record", False, f"{at(made.bottle, made.near(made.bottle, begin + 200))} stays: readings are marked, with a reason and a second person, never removed.", critical=True),
        Choice("The air probe is wrong, the bottle decides", False, f"{at(made.air, time)} and the bottle's {value:.1f} °C are two witnesses. Ask which of them could have moved, before you believe one."),
    ]
    return Exercise(3, "stuck", seed, made, "What does the bottle's line tell?", _mixed(rng, choices), "Look at one number of the bottle. How long does it stand? What did the other probe do meanwhile?", moved if real else calm)


# --- lesson 4 ------------------------------------------------------------------------------------------------


def ends(seed: int) -> Exercise:
    """Power or failed cooling: how it ends, and when the mains were back."""
    rng = random.Random(f"ends{seed}")
    begin, minutes, power = rng.randrange(300, 600), rng.randrange(160, 280), rng.random() < 0.5
    made = traces.make((Event("power" if power else "failure", begin, minutes),), seed=seed, hours=28)
    back = made.at(begin + minutes)
    made = Made(made.bottle, made.air, made.low_c, made.high_c, made.events, note="", marks=((made.at(begin), "mains off, by notice"), (back, "mains back, by notice")))
    later = made.near(made.air, begin + minutes + 90)
    shown = at(made.air, later)
    choices = [
        Choice("A power cut", power, f"Yes: the mains were back at {when(back)}, and {shown} shows full cooling since." if power else f"{shown}: the mains were back at {when(back)}, and it was still rising."),
        Choice("The cooling failed", not power, f"Yes: the mains were back at {when(back)}, and {shown} still rose." if not power else f"{shown}: it came back by itself once the mains were there. A broken unit does not mend itself."),
        Choice("The door stood open", False, f"{at(made.air, made.near(made.air, begin + 20))} twenty minutes after it began: an open door warms the air within minutes, this took hours."),
        Choice("The set point was changed", False, f"{shown} is no new level that holds: it {'is the old one' if power else 'goes on rising'}."),
    ]
    return Exercise(4, "ends", seed, made, "The building's notice marks when the mains were off. What fits best?", _mixed(rng, choices), "Look at what the air did after the mains were back.", f"Mains back at {when(back)}; {shown}.")


def level(seed: int) -> Exercise:
    """A new level that holds is a set point; one that dies away is a warm load."""
    rng = random.Random(f"level{seed}")
    begin, moved = rng.randrange(300, 500), rng.random() < 0.5
    size = rng.uniform(8.8, 10.5) if moved else rng.uniform(4.5, 6.0)
    made = traces.make((Event("setpoint", begin, 1200, size) if moved else Event("load", begin, 0, size),), seed=seed)
    top, late = _top(made.air, made, begin, begin + 300), made.near(made.air, begin + 800)
    both = f"{at(made.air, top)}, and {at(made.air, late)}"
    choices = [
        Choice("The set point was changed", moved, f"Yes: {both}: a new level that holds." if moved else f"{both}: back at the old level. A set point holds."),
        Choice("Warm goods were put in", not moved, f"Yes: {both}: it gave its heat and died away." if not moved else f"{both}: it holds. Goods have given their heat after some hours."),
        Choice("A power cut", False, f"{both}: the compressor's swing goes on all the while. Without power there is none."),
        Choice("Not to be told from this trace", False, f"{both}: what it did in the hours after tells the two apart."),
    ]
    return Exercise(4, "level", seed, made, "It warmed, and nobody wrote anything down. What fits best?", _mixed(rng, choices), "Compare the level an hour and twelve hours after.", both)


LESSONS: dict[int, dict[str, Kind]] = {
    1: {"humps": humps, "bottle": bottle, "minus": minus}, 2: {"bounds": bounds, "runs": runs}, 3: {"gap": gap, "stuck": stuck}, 4: {"ends": ends, "level": level},
}  # fmt: skip


def exercise(lesson: int, kind: str, seed: int) -> Exercise:
    """The exercise of a lesson, kind and seed; the same three give the same exercise.

    Raises
    ------
    KitError
        No such lesson or kind.
    """
    kinds = LESSONS.get(lesson, {})
    if kind not in kinds:
        raise KitError(f"lesson {lesson} has no exercise '{kind}'", expected="one of " + ", ".join(f"{number}: {', '.join(names)}" for number, names in LESSONS.items()))
    return kinds[kind](seed)


def sheet(lesson: int, seed: int) -> list[Exercise]:
    """A lesson's exercises: each kind twice in a row, then each once more in mixed order, on traces of their own."""
    if lesson not in LESSONS:
        raise KitError(f"there is no lesson {lesson}", expected="one of " + ", ".join(map(str, LESSONS)))
    kinds = list(LESSONS[lesson])
    last = list(kinds)
    random.Random(seed).shuffle(last)
    order = [kind for kind in kinds for _ in range(2)] + last
    return [exercise(lesson, kind, 10 * seed + at) for at, kind in enumerate(order)]
