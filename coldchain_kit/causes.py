"""Candidate causes of an episode, weighed on evidence: for, against, not tested, what to look at next.

Each cause is a small declaration: what physics predicts, and how much each clue speaks for it (clue answered yes) or against it (answered no),
in natural log-odds. The weights of a cause's answered clues are added to its prior, and the sums are turned into supports that add up to 1
(softmax), ``undetermined`` taking part with a fixed sum. Signs and first sizes of the weights come from physics; tests/benchmarks/fit_causes.py moved them
by penalised likelihood on the tuning set, which also calibrates the supports: of the cases given 0.8, about 80 % are right. Skill and calibration are
measured by ``python -m tests.benchmarks.bench_causes`` on a holding set made with other equations.

Support of a cause is not its probability of being the root cause: the kit ranks immediate causes, the investigator concludes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from coldchain_kit import clues, evidence, physics, thermal
from coldchain_kit.clues import Clue
from coldchain_kit.evidence import Facts
from coldchain_kit.trace import Trace, Unit

# Sum of weights that "undetermined" stands for: about one strong piece of evidence (3) or two weaker ones must speak for a cause.
UNDETERMINED = 2.0
# Logbook and channels outrank shape (CONTRACTS rule 11): more than any shape evidence of one cause can add up to.
WRITTEN = 14.0
ABOVE, BELOW, BOTH = ("above",), ("below",), ("above", "below")
ORDER = (
    "door_open", "power_loss", "cooling_failure", "defrost", "setpoint_change", "warm_load", "cold_load", "overcooling", "airflow_blocked", "probe_removed",
    "probe_fault", "ambient_heat", "ambient_cold", "coolant_spent", "coolant_too_cold", "record_error",
)  # fmt: skip


@dataclass(frozen=True)
class Cause:
    """Declaration of a cause.

    ``weights``: clue -> (log-odds when answered yes, when answered no). ``predicts``: what physics expects. ``blind``: what data of
    this kind cannot say. ``look``: what to check next. ``kinds``: unit kinds it applies to, empty = all.
    """

    id: str
    directions: tuple[str, ...]
    prior: float
    weights: dict[str, tuple[float, float]]
    predicts: str
    look: tuple[str, ...]
    blind: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()


_ACTIVE = ("refrigerator", "freezer", "ultra_low", "cold_room", "room")
# Faulty probes are recognised before any physics: these speak against every thermal cause.
_SOUND = {"impossible": (-4.0, 0.2), "noisy": (-2.0, 0.0), "stuck": (-4.0, 0.0), "failed": (-3.0, 0.0), "square": (-3.0, 0.3)}

DECLARED = (
    Cause(
        "door_open", ABOVE, 0.3,
        {"front": (1.9, 0.0), "prompt": (0.2, 0.0), "tail": (-0.9, 0.5), "fast": (3.2, -2.6), "whole": (-1.6, 0.7), "alone": (-3.2, 0.6), "returned": (1.7, -3.2), "long": (-2.0, 0.8), "slow_back": (-1.0, 0.0), "hot_room": (-2.0, 0.0),
         "at_room": (-1.3, 0.0), "holds": (-3.8, 0.0), "on_clock": (-0.7, 0.0), "recurrent": (-1.0, 0.0), "door_channel": (WRITTEN, -WRITTEN), "log_door": (WRITTEN, 0.0), "event_door": (1.5, 0.0), "impossible": (-4.0, 0.6), "noisy": (-1.4, 0.0), "stuck": (-3.9, 0.0), "failed": (-3.0, 0.0), "square": (-3.0, 1.5)},
        "Air warms within minutes, part of the way to the room; it recovers soon after the door is shut.",
        ("Ask who used the unit then, and for how long", "Look at the door seal, the hinge and whether the door closes by itself"), kinds=_ACTIVE,
    ),
    Cause(
        "power_loss", ABOVE, 0.3,
        {"front": (-1.0, 0.0), "fast": (-3.2, 1.5), "returned": (2.5, -3.1), "alone": (-4.2, 0.9), "long": (0.0, -2.2), "swing": (-2.3, 1.5), "hot_room": (-2.5, 0.4), "holds": (-2.2, 0.8), "slow_back": (0.0, 0.0),
         "corner": (0.0, 0.0), "pace": (0.6, -1.1), "burst": (-3.8, 0.0), "prompt": (1.2, 0.0), "hump": (-2.2, 0.9), "on_clock": (-1.1, 0.0), "gap": (0.7, 0.0), "beyond_room": (-2.8, 0.0), "power_channel": (WRITTEN, -WRITTEN), "compressor_channel": (3.0, 0.0), "log_power": (WRITTEN, 0.0), "event_power": (6.0, 0.0), "impossible": (-4.1, 0.4), "noisy": (-2.0, 0.0), "stuck": (-4.0, 0.0), "failed": (-3.0, 0.0), "square": (-3.0, 1.5)},
        "All probes drift towards the room over hours without a compressor cycle, then cool down at full pace to the old level.",
        ("Look at plug, socket, fuse and breaker", "Ask the power company and the building about an outage", "Compare with other units on the same circuit"), kinds=_ACTIVE,
    ),
    Cause(
        "cooling_failure", ABOVE, 0.0,
        {"front": (0.4, 1.2), "fast": (-3.3, 1.5), "returned": (-2.1, 1.0), "alone": (-4.0, 1.0), "long": (1.8, 0.0), "swing": (-1.2, 0.6), "hot_room": (-2.5, 0.8), "holds": (0.0, 0.4), "at_room": (1.6, 0.0), "pace": (0.0, 0.0), "burst": (0.0, 1.3),
         "beyond_room": (-2.0, 0.0), "on_clock": (0.0, 0.0), "door_channel": (-3.0, 0.5), "power_channel": (-6.0, 1.5), "compressor_channel": (3.0, 0.0), "log_service": (WRITTEN, 0.0), "impossible": (-4.0, 1.5), "noisy": (-1.8, 0.0), "stuck": (-4.0, 0.0), "failed": (-3.0, 0.0), "square": (-3.0, 0.6)},
        "All probes drift towards the room, or to a level short of it, and do not come back without repair.",
        ("Listen for the compressor and the fan", "Look at condenser, vents and ice on the evaporator", "Call the service"), kinds=_ACTIVE,
    ),
    Cause(
        "defrost", ABOVE, -0.7,
        {"tail": (-1.3, 0.9), "on_clock": (2.0, -5.0), "own_humps": (0.0, -1.7), "recurrent": (3.0, 0.0), "hump": (0.0, -4.4), "burst": (1.6, -1.5), "prompt": (1.1, -1.1), "alone": (-3.0, 0.4), "returned": (0.6, -3.0), "fast": (-2.9, 1.2), "whole": (-1.5, 1.4), "beyond_room": (1.5, 0.0), "hot_room": (-2.0, 0.4),
         "holds": (-2.2, 0.0), "door_channel": (-2.0, 0.5), "impossible": (-4.0, 0.3), "noisy": (0.0, 0.0), "stuck": (-4.0, 0.0), "failed": (-3.0, 0.0), "square": (-3.0, 1.5)},
        "A hump of minutes to an hour at the unit's own regular times; one that lasts longer than usual points to a heater that sticks.",
        ("Compare with the defrost times in the unit's manual", "Look at the defrost timer, heater and frost on the evaporator"), kinds=_ACTIVE,
    ),
    Cause(
        "setpoint_change", BOTH, 0.0,
        {"front": (0.9, 0.0), "holds": (3.7, -1.2), "swing": (1.5, -1.0), "returned": (-2.0, 1.5), "fast": (-1.7, 1.5), "alone": (-3.0, 0.9), "hot_room": (-1.5, 0.1), "cold_room": (-2.0, 0.5), "at_room": (-2.0, 1.5),
         "log_settings": (WRITTEN, 0.0), "impossible": (-4.0, 1.5), "noisy": (-2.0, 0.0), "stuck": (-4.0, 0.0), "failed": (-3.0, 0.0), "square": (-3.0, 0.0)},
        "The trace moves to a new level and goes on cycling around it as before.",
        ("Read the set point on the unit and on the controller's log", "Ask who may change it"), kinds=_ACTIVE,
    ),
    Cause(
        "warm_load", ABOVE, -0.3,
        {"tail": (2.2, -1.9), "fast": (2.8, -1.5), "whole": (-1.5, 1.3), "slow_back": (1.0, 0.0), "returned": (0.1, 0.0), "prompt": (-1.6, 0.0), "alone": (-3.1, 0.8), "long": (0.0, 0.0), "hot_room": (-1.1, 0.0), "at_room": (-2.3, 1.5), "holds": (-3.5, 0.0), "on_clock": (-0.2, 0.0),
         "log_load": (WRITTEN, 0.0), "log_move": (WRITTEN / 2, 0.0), "impossible": (-4.0, 1.5), "noisy": (-1.9, 0.0), "stuck": (-4.3, 0.0), "failed": (-3.0, 0.0), "square": (-3.2, 0.0)},
        "The air jumps while the door is open, then comes back slowly over hours while the compressor runs without pause.",
        ("Compare with deliveries and stock movements", "Ask how warm the goods were"), kinds=_ACTIVE,
    ),
    Cause(
        "cold_load", BELOW, 0.0,
        {"tail": (1.2, -0.6), "fast": (0.0, 0.0), "long": (-2.8, 1.5), "returned": (2.5, -3.0), "slow_back": (1.9, -1.5), "holds": (-2.0, 0.7), "alone": (-3.0, 1.2), "cold_room": (-1.5, 0.3), "log_load": (WRITTEN, 0.0), "log_move": (WRITTEN / 2, 0.0), "impossible": (-4.0, 0.9), "noisy": (-2.6, 0.0), "stuck": (-4.0, 0.0), "failed": (-3.0, 0.0), "square": (-3.0, 0.5)},
        "A quick fall, then a slow return over hours, as after ice packs or frozen goods were put in.",
        ("Ask whether ice packs or frozen goods were put in", "Look where the probe lies"), ("A cold load that lies away from the probe may not show.",), kinds=_ACTIVE,
    ),
    Cause(
        "overcooling", BELOW, 0.3,
        {"front": (0.5, 0.0), "tail": (0.6, 0.0), "swing": (-1.6, 0.9), "holds": (-1.4, 1.1), "long": (2.6, -2.0), "alone": (-3.0, 0.5), "cold_room": (-3.5, 0.3), "fast": (0.0, 0.0), "pace": (2.3, -2.4), "log_service": (WRITTEN, 0.0), "power_channel": (-1.0, 0.3), "impossible": (-4.0, 0.0), "noisy": (-3.0, 0.0), "stuck": (-4.0, 0.0), "failed": (-3.0, 0.0), "square": (-3.0, 0.9)},
        "The trace falls for hours without a compressor pause, below what the thermostat is set to.",
        ("Look at the thermostat, its sensor and the compressor's relay", "Keep freeze-sensitive stock away from the cold wall"), kinds=_ACTIVE,
    ),
    Cause(
        "airflow_blocked", BOTH, -1.5,
        {"uneven": (2.5, -1.0), "fast": (-2.0, 0.2), "returned": (-1.3, 0.5), "hot_room": (-1.5, 0.2), "log_load": (1.0, 0.0), "impossible": (-4.0, 0.2), "noisy": (-2.0, 0.0), "stuck": (-4.0, 0.0), "failed": (-3.0, 0.0), "square": (-3.0, 0.3)},
        "One place warms or cools while another stays: the difference between probes grows.",
        ("Look whether goods block the vents or the fan", "Look for ice on the evaporator"), ("One probe cannot show it.",), kinds=_ACTIVE,
    ),
    Cause(
        "probe_removed", ABOVE, -0.3,
        {"tail": (-1.4, 1.5), "fast": (2.3, -4.1), "whole": (1.5, -2.0), "at_room": (3.0, -0.9), "alone": (2.7, -2.0), "holds": (-1.2, 0.0), "impossible": (-3.0, 0.8), "square": (-3.0, 1.0), "noisy": (-1.0, 0.0), "stuck": (-1.8, 0.6), "failed": (-1.0, 0.0), "returned": (1.7, 0.0),
         "log_download": (WRITTEN / 2, 0.0), "log_move": (WRITTEN / 2, 0.0)},
        "The probe goes to room temperature at its own time constant; other probes do not move.",
        ("Ask whether the probe or logger was taken out, for a download, cleaning or moving",), ("With one probe alone, an open door can look alike.",),
    ),
    Cause(
        "probe_fault", BOTH, -0.5,
        {"impossible": (5.4, 0.0), "noisy": (2.5, 0.0), "stuck": (5.2, 0.0), "failed": (3.5, 0.0), "square": (4.3, 0.0), "alone": (4.7, -0.3), "whole": (0.0, 1.5), "at_room": (-0.6, 1.5), "beyond_room": (2.3, 0.0)},
        "Readings that no body in the cabinet could follow, or that only one probe shows.",
        ("Check the probe at 0 °C in melting ice, or beside a reference", "Look at cable, plug and battery", "Compare with the certificate"), ("A slow drift of the only probe looks like a change of the unit.",),
    ),
    Cause(
        "ambient_heat", ABOVE, -1.0,
        {"front": (-1.7, 1.1), "hot_room": (5.5, -4.4), "pace": (-0.1, 1.4), "burst": (-0.2, 0.0), "prompt": (-2.0, 0.7), "fast": (-0.9, 0.0), "alone": (-3.1, 0.7), "long": (2.1, 0.0), "swing": (-0.3, 0.4), "returned": (2.6, 0.0), "holds": (0.0, 0.0), "slow_back": (0.0, 0.0), "beyond_room": (-2.0, 0.0), "impossible": (-4.0, 0.6), "noisy": (-2.1, 0.0), "stuck": (-4.0, 0.0), "failed": (-3.0, 0.0), "square": (-3.0, 0.0)},
        "The room is hot; the unit follows it with a delay and comes back with it.",
        ("Look at the room's temperature over these days, the sun and the ventilation", "Look at the unit's distance from walls and heat sources"), kinds=_ACTIVE,
    ),
    Cause(
        "ambient_cold", BELOW, -0.7,
        {"front": (-1.0, 0.4), "room_unknown": (0.0, -2.0), "cold_room": (4.5, -4.0), "pace": (-1.6, 1.5), "fast": (-1.6, 1.5), "alone": (-3.0, 1.2), "long": (3.2, -0.9), "swing": (-1.2, 0.5), "holds": (-0.4, 0.0), "impossible": (-4.0, 1.3), "noisy": (-2.0, 0.0), "stuck": (-4.0, 0.0), "failed": (-3.0, 0.0), "square": (-3.0, 1.1)},
        "The room is colder than the unit; the unit follows it slowly.",
        ("Look at the room's heating and windows",), kinds=_ACTIVE,
    ),
    Cause(
        "coolant_spent", ABOVE, 0.0,
        {"returned": (-1.5, 1.5), "long": (2.0, -1.5), "fast": (-1.5, 1.0), "alone": (-2.0, 0.3), "log_coolant": (WRITTEN / 2, 0.0), **_SOUND},
        "After a long steady stretch the trace climbs towards the outside and does not come back.",
        ("Look at the amount, age and temperature of the coolant when packed", "Compare the hours under way with the packing's qualified time"), ("Whether the packing was opened.",), ("shipper",),
    ),
    Cause(
        "coolant_too_cold", BELOW, 0.0,
        {"returned": (1.5, -0.5), "fast": (0.5, 0.0), "alone": (-2.0, 0.3), "cold_room": (-3.0, 0.7), "log_coolant": (WRITTEN / 2, 0.0), **_SOUND},
        "A fall soon after packing that eases by itself as the coolant warms.",
        ("Look at how the coolant was conditioned before packing", "Look whether the goods touched the coolant"), (), ("shipper",),
    ),
)  # fmt: skip
RECORD_FAULTS = ("clock", "unit_mixup", "repeated")
PROBE_FAULTS = ("spike", "flat_line", "rate", "range", "one_sided", "disagreement", "no_value")


def weigh(
    episode: dict[str, Any], unit: Unit, *, condition=None, kind: str = "refrigerator", room: Trace | None = None, logbook: Sequence = (),
    faults: Sequence[dict] = (), excursions: Sequence[dict] = (),
) -> list[dict[str, Any]]:  # fmt: skip
    """Rank the candidate causes of an episode.

    Parameters
    ----------
    episode : dict
        Row of ``episodes[]`` with start, end, excursions (ids), recurrent.
    unit : Unit
        Its traces, channels and events.
    condition : Condition, optional
        Limits; readings inside them are the unit's habit.
    kind : str
        Kind of the unit: a shipper has its own causes.
    room : Trace, optional
        Room probe; the unit's own probe of role room otherwise.
    logbook : sequence of LogEntry
    faults, excursions : rows of ``faults[]`` and ``excursions[]``

    Returns
    -------
    list of dict
        Best first: cause, support (0..1), for, against (rows of observation, number, threshold, unit, weight, comment),
        untested, check_next (plain sentences).

    Cannot see
    ----------
    Root causes: it ranks immediate causes only.
    """
    members = [row for row in excursions if row["id"] in set(episode.get("excursions", ()))] or list(excursions)
    facts = evidence.measure(episode, unit, condition=condition, room=room, excursions=members)
    if facts is None:
        return [_entry("undetermined", 1.0, [], [], ["There are no readings around this episode."], ["Look for another record of this time"])]
    found = clues.of_traces(facts, faulty=_faulty(members, facts))
    found |= clues.of_channels(facts, unit.channels) | clues.of_events(facts, unit.events) | clues.of_logbook(facts, logbook, unit=unit.name)
    scored = [_score(cause, found) for cause in DECLARED if facts.direction in cause.directions and (not cause.kinds or kind in cause.kinds)]
    scored.append(_record_error(faults, facts))
    return _ranked(scored, found, facts)


def _faulty(members: Sequence[dict], facts: Facts) -> bool | None:
    states = [row["faulty"] for row in members if row.get("faulty") is not None and row["probe"] == facts.lead.name]
    return None if not states else sum(bool(state) for state in states) > len(states) / 2


@dataclass(frozen=True)
class _Scored:
    cause: Cause
    total: float
    speaks: tuple[tuple[float, Clue], ...]


def _score(cause: Cause, found: dict[str, Clue]) -> _Scored:
    # What people wrote tells nothing about readings that no body in the cabinet could have made.
    doubt = max([0.0, *(found[key].lean for key in ("impossible", "stuck", "failed", "square") if key in found)]) if cause.id not in ("probe_fault", "probe_removed") else 0.0
    speaks = []
    for key, (yes, no) in cause.weights.items():
        clue = found.get(key)
        if clue is not None:
            weight = (yes if clue.lean > 0 else no) * abs(clue.lean)
            speaks.append((weight * (1.0 - doubt) if weight > 0 and key.startswith("log_") else weight, clue))
    return _Scored(cause, cause.prior + sum(weight for weight, _ in speaks), tuple(speaks))


def _record_error(faults: Sequence[dict], facts: Facts) -> _Scored:
    """The record itself is at fault: its clock, its unit of measure, or a stretch that repeats an earlier one."""
    meets = [
        row for row in faults
        if row["kind"] in RECORD_FAULTS and (row.get("probe") in (None, "", facts.lead.name))
        and (row.get("start") is None or evidence.instant(row["start"]) <= facts.end) and (row.get("end") is None or evidence.instant(row["end"]) >= facts.lead.onset)
    ]  # fmt: skip
    cause = Cause("record_error", BOTH, -2.0, {}, "The readings are not what they seem: their time, their unit of measure, or their stretch.", ("Compare the logger's clock with a true clock", "Look at the original download and its settings"))
    weight = {"unit_mixup": WRITTEN, "repeated": WRITTEN, "clock": 1.5}
    speaks = tuple(
        (weight[row["kind"]], Clue(f"fault_{row['kind']}", 1.0, str(row.get("text") or row["kind"]), None, None, "", "Found when the file was read; see the faults."))
        for row in {row["kind"]: row for row in meets}.values()
    )
    return _Scored(cause, cause.prior + sum(value for value, _ in speaks), speaks)


def _ranked(scored: list[_Scored], found: dict[str, Clue], facts: Facts) -> list[dict[str, Any]]:
    scored = _power_and_cooling(scored, found)
    totals = {row.cause.id: row.total for row in scored} | {"undetermined": UNDETERMINED}
    top = max(totals.values())
    parts = {name: math.exp(total - top) for name, total in totals.items()}
    whole = sum(parts.values())
    rows = []
    for row in scored:
        support = parts[row.cause.id] / whole
        speaks = sorted(row.speaks, key=lambda pair: -abs(pair[0]))
        rows.append(_entry(row.cause.id, support, [_line(w, c) for w, c in speaks if w >= 0.05], [_line(w, c) for w, c in speaks if w <= -0.05], _untested(row.cause, found, facts), list(row.cause.look)))
    rows.append(_entry("undetermined", parts["undetermined"] / whole, [], [], _missing(found, facts), ["Keep the record and look for more evidence: other probes, the room, the logbook"]))
    order = {name: place for place, name in enumerate((*ORDER, "undetermined"))}
    return sorted(rows, key=lambda row: (-row["support"], order[row["cause"]]))


def _power_and_cooling(scored: list[_Scored], found: dict[str, Clue]) -> list[_Scored]:
    """CONTRACTS rule 11: without a log or a power channel the two look alike, so the one behind is put second and the ranking says so."""
    by_name = {row.cause.id: row for row in scored}
    pair = [by_name[name] for name in ("power_loss", "cooling_failure") if name in by_name]
    settled = {"power_channel", "compressor_channel", "log_power", "log_service", "event_power"} & found.keys()
    if len(pair) < 2 or settled:
        return scored
    first, second = sorted(pair, key=lambda row: -row.total)
    best = max(scored, key=lambda row: row.total)
    if first is not best or first.total <= UNDETERMINED:
        return scored
    rest = max([UNDETERMINED, *(row.total for row in scored if row not in (first, second))])
    lifted = min(first.total - 1e-6, max(second.total, rest + 1e-6))
    note = Clue("alike", 1.0, "Without a power channel or a logbook entry, a loss of power and a failure of the cooling look alike.", None, None, "", "A return by itself speaks for power, no return for the cooling; look at both.")
    return [replace(row, total=lifted, speaks=(*row.speaks, (0.05, note))) if row is second else replace(row, speaks=(*row.speaks, (-0.05, note))) if row is first else row for row in scored]


def _line(weight: float, clue: Clue) -> dict[str, Any]:
    return {"observation": clue.observation, "number": clue.number, "threshold": clue.threshold, "unit": clue.unit, "weight": round(abs(weight), 2), "comment": clue.comment}


def _entry(cause: str, support: float, speaks_for: list, against: list, untested: list, look: list) -> dict[str, Any]:
    return {"cause": cause, "support": round(float(support), 4), "for": speaks_for, "against": against, "untested": untested, "check_next": look}


_NEEDS = {
    "alone": "No second probe inside: whether one probe moved by itself cannot be tested.",
    "hot_room": "No room probe: the heat of the room cannot be tested.",
    "cold_room": "No room probe: the cold of the room cannot be tested.",
    "beyond_room": "No room probe: whether it passed the room's temperature cannot be tested.",
    "door_channel": "No door channel.",
    "power_channel": "No power channel.",
    "on_clock": "No regular warm humps are known from the days before.",
    "swing": "No compressor swing can be seen at this interval with this probe.",
    "uneven": "A blocked air flow shows only between probes at two places.",
}


def _untested(cause: Cause, found: dict[str, Clue], facts: Facts) -> list[str]:
    logs = [key for key in cause.weights if key.startswith("log_")]
    said = [_NEEDS[key] for key in cause.weights if key in _NEEDS and key not in found and not (key in ("hot_room", "beyond_room") and facts.direction == "below")]
    if logs and not any(key in found for key in logs):
        said.append("No logbook entry near the beginning of it.")
    return [*said, *cause.blind]


def _missing(found: dict[str, Clue], facts: Facts) -> list[str]:
    keys = ["alone", "cold_room" if facts.direction == "below" else "hot_room", "door_channel", "power_channel"]
    return [_NEEDS[key] for key in keys if key not in found]


def case(episodes: Sequence[dict], excursions: Sequence[dict], faults: Sequence[dict]) -> dict[str, Any]:
    """The cause of a whole case (CONTRACTS rule 11).

    First cause of the episode with most degree-minutes on trustworthy readings, else of the longest faulty one. Without excursions:
    ``none``, or ``record_error`` / ``probe_fault`` where there is a fault beyond gap and no_value.

    Examples
    --------
    >>> case([], [], [{"kind": "gap"}])
    {'cause': 'none', 'support': 1.0}
    >>> case([], [], [{"kind": "clock"}])["cause"]
    'record_error'
    """
    if not excursions:
        kinds = {row["kind"] for row in faults} - {"gap", "no_value"}
        if not kinds:
            return {"cause": "none", "support": 1.0}
        return {"cause": "record_error" if kinds & set(RECORD_FAULTS) else "probe_fault", "support": 1.0}
    by_id = {row["id"]: row for row in excursions}
    sound, broken = [], []
    for place, episode in enumerate(episodes):
        rows = [by_id[key] for key in episode["excursions"] if key in by_id]
        trusted = sum(float(row["degree_minutes"]) for row in rows if not row.get("faulty"))
        if any(not row.get("faulty") for row in rows):
            sound.append((trusted, -place, episode))
        else:
            length = (evidence.instant(episode["end"]) - evidence.instant(episode["start"])) / pd.Timedelta(minutes=1)
            broken.append((length, -place, episode))
    chosen = max(sound or broken, key=lambda row: row[:2], default=None)
    if chosen is None or not chosen[2].get("causes"):
        return {"cause": "undetermined", "support": 0.0}
    first = chosen[2]["causes"][0]
    return {"cause": first["cause"], "support": first["support"]}


def fit_course(episode: dict[str, Any], unit: Unit, *, condition=None, room: Trace | None = None, excursions: Sequence[dict] = ()) -> pd.DataFrame:
    """Fitted exponential of the change and of the way back, to lay over the leading probe's trace.

    Parameters
    ----------
    episode, unit, condition, room, excursions : as for :func:`weigh`

    Returns
    -------
    DataFrame
        time (UTC), celsius [°C], part: "change" (onset to extreme) or "back" (extreme to the old level); empty where a part has
        fewer than five readings. ``attrs["probe"]`` names the probe, ``attrs[part]`` holds tau_min [min], its bounds and end_c [°C].
    """
    columns = ["time", "celsius", "part"]
    facts = evidence.measure(episode, unit, condition=condition, room=room, excursions=excursions)
    if facts is None:
        return pd.DataFrame(columns=columns)
    lead, pieces, notes = facts.lead, [], {"probe": facts.lead.name}
    back_until = lead.peak_time + pd.Timedelta(minutes=3 * lead.half_fall_min) if lead.half_fall_min == lead.half_fall_min else lead.peak_time
    for part, start, end in (("change", lead.onset, lead.peak_time), ("back", lead.peak_time, back_until)):
        stretch = lead.series[(lead.series.index >= start) & (lead.series.index <= end)]
        if len(stretch) < 5:
            continue
        fit = thermal.warm_up(stretch)
        course = physics.first_order(fit.start_c, fit.end_c, thermal.minutes_of(stretch), tau_min=fit.tau_min)
        pieces.append(pd.DataFrame({"time": stretch.index, "celsius": course, "part": part}))
        notes[part] = {"tau_min": fit.tau_min, "tau_low_min": fit.tau_low_min, "tau_high_min": fit.tau_high_min, "end_c": fit.end_c}
    table = pd.concat(pieces, ignore_index=True) if pieces else pd.DataFrame(columns=columns)
    table.attrs.update(notes)
    return table
