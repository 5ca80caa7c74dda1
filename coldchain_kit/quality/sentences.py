"""What is wrong with flagged readings, one plain sentence a run: how many, how far, against what."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np

from coldchain_kit.model import FAIL, Trace
from coldchain_kit.quality import pairs
from coldchain_kit.quality.lone import apart
from coldchain_kit.quality.response import ApartRow
from coldchain_kit.quality.series import Course, course
from coldchain_kit.quality.steps import Reach, spike_limits_at, step_limits_at
from coldchain_kit.register import Logger


class Look(NamedTuple):
    """One probe's readings as the texts need them."""

    trace: Trace
    name: str
    value: np.ndarray
    line: Course
    difference: np.ndarray
    arguments: dict[str, Any]


def look_at(trace: Trace) -> Look:
    line = course(trace.as_read_c)
    return Look(trace, trace.probe.name, trace.as_read_c.to_numpy(), line, np.diff(line.value), arguments_of(trace))


def count(readings: int) -> str:
    return f"{readings} reading" + ("" if readings == 1 else "s")


def duration(minutes: float) -> str:
    return f"{minutes:.0f} min" if minutes < 120 else f"{minutes / 60:.1f} h" if minutes < 72 * 60 else f"{minutes / 1440:.1f} days"


def _verb(codes: np.ndarray) -> str:
    return "cannot be true" if (codes == FAIL).any() else "is unusual"


def _range_text(look: Look, here: np.ndarray, codes: np.ndarray) -> str:
    low, high = look.arguments["span_c"]
    source = {"probe": "the probe's measuring range", "logger": "the logger's measuring range"}.get(look.arguments["span_from"], "what any sensor of a cold store can show")
    values = look.value[here]
    worst = values[np.argmax(np.maximum(values - high, low - values))]
    return f"Probe {look.name}: {count(len(here))} outside {source}, {low:g} to {high:g} °C; the furthest is {worst:.3f} °C, {max(worst - high, low - worst):.1f} °C beyond it."


def _end_text(look: Look, here: np.ndarray, codes: np.ndarray) -> str:
    return f"Probe {look.name}: {count(len(here))} of exactly {look.value[here[0]]:.1f} °C. Digital sensors show this value when no measurement took place (common practice, no source)."


def _spike_text(look: Look, here: np.ndarray, codes: np.ndarray) -> str:
    at, jump, limit = _furthest_spike(look, here, codes)
    line = look.line
    return (
        f"Probe {look.name}: {count(len(here))} away from {'its' if len(here) == 1 else 'their'} neighbours and back; the furthest goes from {line.value[at - 1]:.1f} to "
        f"{line.value[at]:.1f} °C in {line.step_min[at - 1]:.1f} min and comes back {jump:.1f} °C. That {_verb(codes)}: {_role(look.trace)} can go and come back "
        f"at most {limit:.1f} °C here, this is {jump - limit:.1f} °C more."
    )


def _rate_text(look: Look, here: np.ndarray, codes: np.ndarray) -> str:
    at, jump, limit = _furthest_step(look, here, codes)
    line = look.line
    return (
        f"Probe {look.name}: {count(len(here))} at a step from {line.value[at]:.1f} to {line.value[at + 1]:.1f} °C in {line.step_min[at]:.1f} min. "
        f"That {_verb(codes)}: {_role(look.trace)} moves at most {limit:.1f} °C in this time, this is {jump - limit:.1f} °C more."
    )


def _furthest_spike(look: Look, here: np.ndarray, codes: np.ndarray) -> tuple[int, float, float]:
    """Of the flagged spikes the one furthest beyond its limit: position, size and limit [°C]."""
    at = np.searchsorted(look.line.at, here)
    limits = spike_limits_at(look.line, look.difference, at, tau_min=_tau_min(look, codes), far=Reach(**look.arguments["reach"]))
    size = np.minimum(np.abs(look.difference[at - 1]), np.abs(look.difference[at]))
    best = int(np.argmax(size - limits))
    return int(at[best]), float(size[best]), float(limits[best])


def _furthest_step(look: Look, here: np.ndarray, codes: np.ndarray) -> tuple[int, float, float]:
    """Of the steps beside the flagged readings the one furthest beyond its limit: position, size and limit [°C]."""
    mine = np.searchsorted(look.line.at, here)
    at = np.unique(np.concatenate((mine - 1, mine)))
    at = at[(at >= 0) & (at < len(look.difference))]
    at = at[~look.line.gap[at]]
    limits = step_limits_at(look.line, look.difference, at, tau_min=_tau_min(look, codes), far=Reach(**look.arguments["reach"]))
    size = np.abs(look.difference[at])
    best = int(np.argmax(size - limits))
    return int(at[best]), float(size[best]), float(limits[best])


def _tau_min(look: Look, codes: np.ndarray) -> float:
    far = Reach(**look.arguments["reach"])
    return far.fastest_min if (codes == FAIL).any() else far.usual_min


def _role(trace: Trace) -> str:
    probe = trace.probe
    kind = {"buffered": "a buffered probe", "unknown": "a probe of unknown kind"}.get(probe.role, f"a probe of kind {probe.role}")
    return kind + (f" with a time constant of {probe.time_constant_min:g} min" if probe.time_constant_min else "")


def _noise_text(look: Look, here: np.ndarray, codes: np.ndarray) -> str:
    steps = np.abs(np.diff(look.value[here[0] : here[-1] + 1]))
    swing = float(np.nanmean(steps)) if np.isfinite(steps).any() else 0.0
    return f"Probe {look.name}: {count(len(here))} keep going up and down by {swing:.1f} °C from one to the next, far more than usual here. A loose or disturbed cable does this."


def _flat_text(look: Look, here: np.ndarray, codes: np.ndarray) -> str:
    row = next(row for row in look.arguments["stands"] if row["first"] <= here[0] <= row["last"])
    text = f"Probe {look.name}: exactly {look.value[here[0]]:g} °C for {duration(row['hours'] * 60)} ({count(len(here))})"
    if row["why"] == "other":
        return f"{text} while another probe of the unit moved by {row['moved_c']:.1f} °C. The probe or logger may be stuck."
    if row["why"] == "outside":
        return f"{text}, outside the limits. A real temperature that far out seldom stands so still; the probe or logger may be stuck."
    step = look.arguments["resolution_c"]
    return f"{text}. With {'an unknown resolution' if step is None else f'a resolution of {step:g} °C'} a real temperature seldom stands still so long; the probe or logger may be stuck."


def _stillness_text(look: Look, here: np.ndarray, codes: np.ndarray) -> str:
    row = next(row for row in look.arguments["still"] if row["first"] <= here[0] <= row["last"])
    since = look.trace.readings.index[row["first"]]
    text = (
        f"Probe {look.name}: exactly {look.value[here[0]]:g} °C for {duration(row['minutes'])} ({count(len(here))}) "
        f"from {since:%Y-%m-%d %H:%M} UTC on. "
        f"Elsewhere in this record{_rests(row['rests_c'])} it never stood still "
        f"for longer than {duration(row['usual_min'])}."
    )
    if row.get("power_off"):
        text += " The power was off meanwhile."
    elif "other" in row:
        text += f" Probe {row['other']} moved by {row['moved_c']:.1f} °C meanwhile."
    return text + " The probe or logger may be stuck; the temperature in this time is not known."


def _rests(values: list[float]) -> str:
    """Words for the values where a probe rests again and again."""
    return f", save at {', '.join(f'{value:g}' for value in values[:3])} °C where it often rests," if values else ""


def _straight_text(look: Look, here: np.ndarray, codes: np.ndarray) -> str:
    row = next(row for row in look.arguments["straight"] if row["first"] <= here[0] <= row["last"])
    since, until = (look.trace.readings.index[row[key]] for key in ("first", "last"))
    return (
        f"Probe {look.name}: {count(len(here))} on one straight line of {row['rise_c']:+.1f} °C in "
        f"{duration(row['minutes'])}, from {since:%Y-%m-%d %H:%M} to "
        f"{until:%Y-%m-%d %H:%M} UTC. Elsewhere its readings never lie on a sloping line for longer than "
        f"{duration(row['usual_min'])}. "
        "Values filled in between two readings, or drawn, look like this; the temperature in this time is not known."
    )


def _lone_text(look: Look, here: np.ndarray, codes: np.ndarray) -> str:
    line, at = look.line, np.searchsorted(look.line.at, here)
    size, _, level = apart(line.value, at)
    worst = int(np.argmax(size))
    return (
        f"Probe {look.name}: {count(len(here))} alone and without a tail; the furthest is "
        f"{line.value[at[worst]]:.1f} °C while those around it are at {level[worst]:.1f} °C, "
        "further than this record ever goes from one reading to the next otherwise. A bad contact or a value that "
        "stands for no measurement does this."
    )


def _shift_text(look: Look, here: np.ndarray, codes: np.ndarray) -> str:
    inside = look.value[here]
    first, last = (int(k) for k in np.searchsorted(look.line.at, (here[0], here[-1])))
    away, back = look.difference[first - 1], look.difference[last]
    minutes = look.line.minute[last] - look.line.minute[first]
    return (
        f"Probe {look.name}: {count(len(here))} over {duration(minutes)} at another level (middle "
        f"{np.median(inside):.1f} °C), reached by a jump of {away:+.1f} °C from one reading to the "
        f"next and left by one of {back:+.1f} °C. No door, heater or cooling makes this level; a connector or an "
        "offset does."
    )


def _repeated_text(look: Look, here: np.ndarray, codes: np.ndarray) -> str:
    return f"Probe {look.name}: {count(len(here))} in a row stand elsewhere in the record again, value for value. A stretch of the record may have been copied."


def _apart_text(look: Look, here: np.ndarray, codes: np.ndarray) -> str:
    hour = [int(look.line.minute[np.searchsorted(look.line.at, k)] // 60) for k in (here[0], here[-1])]
    rows: list[ApartRow] = [row for row in look.arguments.get("apart", ()) if row["first"] <= hour[1] and row["last"] >= hour[0]]
    worst: dict[tuple[str, str], ApartRow] = {}
    for row in rows:
        key = (row["other"], row["how"])
        if key not in worst or _size(row) > _size(worst[key]):
            worst[key] = row
    others = ", ".join(dict.fromkeys(row["other"] for row in rows))
    parts = " ".join(_APART[row["how"]](row) for row in worst.values())
    hows = {how for _, how in worst}
    end = "One of them may be wrong." if hows - set(pairs.ANSWERS) else "A probe taken out of its bottle or put into one, or moved, does this."
    if hows == {"lag"}:
        end = end.replace(", or moved,", ", or moved, or a clock that was set,")
    return f"Probe {look.name}: {count(len(here))} that do not agree with {others} as these probes usually do. {parts} {end}"


def _size(row: ApartRow) -> float:
    return abs(float(np.log2(row["by"]))) if row["how"] == "spread" else abs(row["by"])


def _spread_text(row: ApartRow) -> str:
    words = f"{row['by']:.1f} times as much as" if row["by"] >= 1 else f"{1 / row['by']:.1f} times less than"
    return f"Spread: beside {row['other']} it goes up and down within the hour {words} usual (threshold {row['threshold']:.1f} times)."


def _lag_text(row: ApartRow) -> str:
    now, before = (f"{abs(minutes):.1f} min {'after' if minutes >= 0 else 'before'}" for minutes in (row["usual"] + row["by"], row["usual"]))
    return f"Lag: it moves {now} {row['other']}, usually {before} it, a change of {abs(row['by']):.1f} min (threshold {row['threshold']:.1f} min)."


_APART: dict[str, Callable[[ApartRow], str]] = {
    "level": lambda row: (
        f"Level: the difference to {row['other']} is {abs(row['by']):.1f} °C {'above' if row['by'] > 0 else 'below'} its usual {row['usual']:.1f} °C (threshold {row['threshold']:.1f} °C)."
    ),
    "drift": lambda row: f"Drift: it has moved slowly {'up' if row['by'] > 0 else 'down'} from {row['other']} by {abs(row['by']):.1f} °C (threshold {row['threshold']:.1f} °C).",
    "spread": _spread_text,
    "lag": _lag_text,
}


TEXTS = {
    "gross_range": _range_text, "end_value": _end_text, "spike": _spike_text, "rate": _rate_text, "noise": _noise_text, "flat_line": _flat_text,
    "repeated": _repeated_text, "disagreement": _apart_text,
    "stillness": _stillness_text, "straight": _straight_text, "lone": _lone_text, "shift": _shift_text,
}  # fmt: skip

def as_shown(look: Look, here: np.ndarray, codes: np.ndarray, logger: Logger | None) -> str:
    """What the logger itself would have shown, for readings that cannot be true."""
    if not (codes == FAIL).any():
        return ""
    values = look.value[here]
    text = f" The logger itself shows these values as if they were true (lowest {values.min():.1f}, highest {values.max():.1f} °C)"
    alarm = logger.alarm if logger else None
    if alarm is None or alarm.enabled is None:
        return text + "."
    if not alarm.enabled:
        return text + "; its alarm was off."
    met = (alarm.high_c is not None and values.max() > alarm.high_c) or (alarm.low_c is not None and values.min() < alarm.low_c)
    return text + ("; they are beyond its alarm limits." if met else "; they are within its alarm limits.")


def arguments_of(trace: Trace) -> dict[str, Any]:
    return next((step.arguments for step in reversed(trace.steps) if step.function == "quality.run"), {})
