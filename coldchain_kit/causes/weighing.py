"""Candidate causes of an episode, weighed on evidence: for, against, not tested, what to look at next.

Each cause is a small declaration: what physics predicts, and how much each clue speaks for it (clue answered yes) or against it (answered no),
in natural log-odds. The weights of a cause's answered clues are added to its prior, and the sums are turned into supports that add up to 1
(softmax), ``undetermined`` taking part with a fixed sum. Shape counts only as far as the episode can tell anything by it
(:func:`coldchain_kit.causes.evidence.information.share`: readings in the change, change over usual scatter), and never ends above
``CEILING``; what was written or recorded keeps its weight. Signs and first sizes of the weights come from physics; tests/benchmarks/fit_causes.py moved them
by penalised likelihood on the tuning set, which also calibrates the supports: of the cases given 0.8, about 80 % are right. Skill and calibration are
measured by ``python -m tests.benchmarks.bench_causes`` on a holding set made with other equations.

Support of a cause is not its probability of being the root cause: the kit ranks immediate causes, the investigator concludes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import pandas as pd

from coldchain_kit import thermal
from coldchain_kit.causes import clues, evidence
from coldchain_kit.causes.clues import Clue
from coldchain_kit.causes.declared import BOTH, DECLARED, ORDER, UNDETERMINED, WRITTEN, Cause
from coldchain_kit.causes.evidence import Facts, information
from coldchain_kit.model import MISSING, SUSPECT, CauseId, CauseRow, Condition, EpisodeRow, EvidenceRow, ExcursionRow, FaultRow, LeadingCause, Trace, Unit, one_sided, physics
from coldchain_kit.register import LogEntry

__all__ = ["CEILING", "DECLARED", "KNOWN_SHARE", "ORDER", "UNDETERMINED", "WRITTEN", "Cause", "case", "fit_course", "of_display", "part", "weigh"]

KNOWN_SHARE = 0.95  # of the window, for the cause "none" (CONTRACTS rule 11)
RECORD_FAULTS = ("clock", "unit_mixup", "repeated")
# What speaks of the readings themselves, not of a course: it needs no long episode.
OF_READINGS = ("impossible", "noisy", "stuck", "failed", "square")
# A probe in the room is a channel of its own: what it says does not hang on the episode's shape.
OF_ROOM = ("hot_room", "cold_room", "room_unknown")
# Support that shape alone can reach. On the tuning set none of 336 looks with a support over 0.99 was wrong: by the rule of three
# (95 % bound 3 / n) up to 0.9 % may be, so more than 0.99 is not supported by measurement.
CEILING = 0.99
# A line at odds with the readings keeps the weight of one weak clue: it is to be asked about, and decides nothing (CONTRACTS rule 11).
LEAD = 0.5
AT_ODDS = "At odds with the readings"
# Support short of the observation that would settle a cause (CONTRACTS rule 11).
UNSETTLED = 0.69
# Below this share of the full weight the ranking says that the shape tells little.
TELLS_LITTLE = 0.5


def weigh(
    episode: EpisodeRow[pd.Timestamp], unit: Unit, *, condition: Condition | None = None, kind: str = "refrigerator", room: Trace | None = None, logbook: Sequence[LogEntry] = (),
    faults: Sequence[FaultRow[pd.Timestamp]] = (), excursions: Sequence[ExcursionRow[pd.Timestamp]] = (), zone: str = "UTC",
) -> list[CauseRow]:  # fmt: skip
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
    zone : str
        Zone in which times are told.

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
    found |= clues.of_channels(facts, unit.channels) | clues.of_events(facts, unit.events, zone=zone) | clues.of_logbook(facts, logbook, unit=unit.name, zone=zone)
    tells = information.share(facts.lead)
    scored = [_score(cause, found, facts, tells=tells) for cause in DECLARED if facts.direction in cause.directions and (not cause.kinds or kind in cause.kinds)]
    scored.append(_record_error(faults, facts, mixed=_mixed(unit, facts)))
    return _ranked(scored, found, facts, tells=tells)


def _faulty(members: Sequence[ExcursionRow[pd.Timestamp]], facts: Facts) -> bool | None:
    states = [row["faulty"] for row in members if row.get("faulty") is not None and row["probe"] == facts.lead.name]
    return None if not states else sum(bool(state) for state in states) > len(states) / 2


@dataclass(frozen=True)
class _Scored:
    cause: Cause
    total: float
    speaks: tuple[tuple[float, Clue], ...]


def part(clue: Clue, *, tells: float) -> float:
    """Share of its weight that a clue keeps where the episode's shape tells ``tells`` (0..1)."""
    return 1.0 if _written(clue) or clue.key in OF_ROOM or (clue.key in OF_READINGS and clue.lean > 0) else tells


def _written(clue: Clue) -> bool:
    return clue.key.startswith(("log_", "event_", "fault_")) or clue.key.endswith("_channel")


def _score(cause: Cause, found: dict[str, Clue], facts: Facts, *, tells: float) -> _Scored:
    # What people wrote tells nothing about readings that no body in the cabinet could have made.
    doubt = max([0.0, *(found[key].lean for key in ("impossible", "stuck", "failed", "square") if key in found)]) if cause.id not in ("probe_fault", "probe_removed") else 0.0
    speaks = []
    for key, (yes, no) in cause.weights.items():
        clue = found.get(key)
        if clue is not None:
            weight = (yes if clue.lean > 0 else no) * abs(clue.lean) * part(clue, tells=tells)
            weight = weight * (1.0 - doubt) if weight > 0 and key.startswith("log_") else weight
            why = clues.at_odds(cause.id, clue, facts, found) if weight > 0 else ""
            speaks.append((min(weight, LEAD), replace(clue, comment=f"{AT_ODDS}: {why}. The line stays as a lead.")) if why else (weight, clue))
    return _Scored(cause, cause.prior + sum(weight for weight, _ in speaks), tuple(speaks))


def _mixed(unit: Unit, facts: Facts) -> bool:
    """Whether readings of the episode fit the condition only in the other unit of measure."""
    flags = unit.traces[facts.lead.name].flags if facts.lead.name in unit.traces else pd.DataFrame()
    if "unit_mixup" not in flags:
        return False
    here = flags["unit_mixup"][(flags.index >= facts.lead.onset) & (flags.index <= facts.end)]
    return bool((here >= SUSPECT).any() and (here[here >= SUSPECT] != MISSING).any())


def _record_error(faults: Sequence[FaultRow[pd.Timestamp]], facts: Facts, *, mixed: bool) -> _Scored:
    """The record itself is at fault: its clock, its unit of measure, or a stretch that repeats an earlier one.

    A register or a cell that names another unit than the file's, which was rightly taken, is a fault and no cause (CONTRACTS rule 2):
    only readings that fit the condition in the other unit alone (``mixed``) speak for an error.
    """
    meets = [
        row for row in faults
        if row["kind"] in RECORD_FAULTS and (row.get("probe") in (None, "", facts.lead.name))
        and ((start := row.get("start")) is None or evidence.instant(start) <= facts.end) and ((end := row.get("end")) is None or evidence.instant(end) >= facts.lead.onset)
    ]  # fmt: skip
    cause = Cause(
        "record_error",
        BOTH,
        -2.0,
        {},
        "The readings are not what they seem: their time, their unit of measure, or their stretch.",
        ("Compare the logger's clock with a true clock", "Look at the original download and its settings"),
    )
    weight = {"unit_mixup": WRITTEN if mixed else 0.0, "repeated": WRITTEN, "clock": 1.5}
    speaks = tuple(
        (weight[row["kind"]], Clue(f"fault_{row['kind']}", 1.0, str(row.get("text") or row["kind"]), None, None, "", "Found when the file was read; see the faults."))
        for row in {row["kind"]: row for row in meets}.values() if weight[row["kind"]]
    )
    return _Scored(cause, cause.prior + sum(value for value, _ in speaks), speaks)


def _supports(scored: list[_Scored]) -> dict[str, float]:
    """Softmax of the sums; where no written or recorded evidence carries the first cause, it stays under the ceiling and nothing is 0."""
    totals = {row.cause.id: row.total for row in scored} | {"undetermined": UNDETERMINED}
    top = max(totals.values())
    parts = {name: math.exp(total - top) for name, total in totals.items()}
    whole = sum(parts.values())
    first = max(scored, key=lambda row: row.total)
    carried = any(weight >= WRITTEN / 2 and _written(clue) for weight, clue in first.speaks)
    # So much is spread over all causes alike that a certain one ends at the ceiling.
    open_share = 0.0 if carried else (1.0 - CEILING) * len(parts) / (len(parts) - 1)
    return {name: (1.0 - open_share) * value / whole + open_share / len(parts) for name, value in parts.items()}


def _ranked(scored: list[_Scored], found: dict[str, Clue], facts: Facts, *, tells: float) -> list[CauseRow]:
    scored = _power_and_cooling(scored, found)
    supports = _short_of_settled(_supports(scored), scored, found)
    rows = []
    for row in scored:
        support = supports[row.cause.id]
        speaks = sorted(row.speaks, key=lambda pair: -abs(pair[0]))
        rows.append(
            _entry(
                row.cause.id,
                support,
                [_line(w, c) for w, c in speaks if w >= 0.05],
                [_line(w, c) for w, c in speaks if w <= -0.05],
                [*_unsettled(row, found), *_untested(row.cause, found, facts)],
                [*(f"Ask about this line again. {c.observation}" for _, c in speaks if c.comment.startswith(AT_ODDS)), *row.cause.look],
            )
        )
    rows.append(
        _entry("undetermined", supports["undetermined"], [], [], [*_little(facts, tells), *_missing(found, facts)], ["Keep the record and look for more evidence: other probes, the room, the logbook"])
    )
    order = {name: place for place, name in enumerate((*ORDER, "undetermined"))}
    return sorted(rows, key=lambda row: (-row["support"], order[row["cause"]]))


def _unsettled(row: _Scored, found: dict[str, Clue]) -> list[str]:
    """What could not be observed and would have settled the cause, where nothing written and no channel says it; empty where all could."""
    carried = any(weight > LEAD and _written(clue) for weight, clue in row.speaks)
    by_itself = any(weight > 0 and clue.lean > 0 and clue.key in OF_READINGS for weight, clue in row.speaks)  # readings that no body could follow settle it themselves
    if not row.cause.settled_by or row.cause.settled_by in found or carried or by_itself:
        return []
    return [f"What would settle it could not be observed, so its support stays under 0.7. {_NEEDS[row.cause.settled_by]}"]


def _short_of_settled(supports: dict[str, float], scored: list[_Scored], found: dict[str, Clue]) -> dict[str, float]:
    """No more than UNSETTLED for a cause whose settling observation is missing; what is taken off goes to ``undetermined``."""
    kept: dict[str, float] = {row.cause.id: min(supports[row.cause.id], UNSETTLED) if _unsettled(row, found) else supports[row.cause.id] for row in scored}
    return {**kept, "undetermined": supports["undetermined"] + sum(supports[name] - value for name, value in kept.items())}


def _power_and_cooling(scored: list[_Scored], found: dict[str, Clue]) -> list[_Scored]:
    """CONTRACTS rule 11: without a log or a power channel the two look alike, so the one behind is put second and the ranking says so."""
    by_name = {row.cause.id: row for row in scored}
    pair = [by_name[name] for name in ("power_loss", "cooling_failure") if name in by_name]
    telling = {"power_channel", "compressor_channel", "log_power", "log_service", "event_power"}
    settled = any(clue.key in telling and abs(weight) > LEAD for row in pair for weight, clue in row.speaks)
    if len(pair) < 2 or settled:
        return scored
    first, second = sorted(pair, key=lambda row: -row.total)
    best = max(scored, key=lambda row: row.total)
    if first is not best or first.total <= UNDETERMINED:
        return scored
    rest = max([UNDETERMINED, *(row.total for row in scored if row not in (first, second))])
    lifted = min(first.total - 1e-6, max(second.total, rest + 1e-6))
    note = Clue(
        "alike",
        1.0,
        "Without a power channel or a logbook entry, a loss of power and a failure of the cooling look alike.",
        None,
        None,
        "",
        "A return by itself speaks for power, no return for the cooling; look at both.",
    )
    return [
        replace(row, total=lifted, speaks=(*row.speaks, (0.05, note))) if row is second else replace(row, speaks=(*row.speaks, (-0.05, note))) if row is first else row
        for row in scored
    ]


def _line(weight: float, clue: Clue) -> EvidenceRow:
    return {"observation": clue.observation, "number": clue.number, "threshold": clue.threshold, "unit": clue.unit, "weight": round(abs(weight), 2), "comment": clue.comment}


def _entry(cause: CauseId, support: float, speaks_for: list[EvidenceRow], against: list[EvidenceRow], untested: list[str], look: list[str]) -> CauseRow:
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


def _little(facts: Facts, tells: float) -> list[str]:
    if facts.lead.open_readings:
        count = facts.lead.open_readings
        words = "1 reading of it has no number of its own" if count == 1 else f"{count} readings of it have no number of their own"
        return [f"{words}: how far and how fast it went is not known, and what its shape would tell was not weighed."]
    if tells >= TELLS_LITTLE:
        return []
    count, times = information.readings_out(facts.lead), information.clearness(facts.lead)
    words = "1 reading carries" if count == 1 else f"{count} readings carry"
    return [f"The shape tells little: {words} the change, {times:.1f} times the usual scatter beyond the usual range. It counts {100 * tells:.0f} %."]


def _missing(found: dict[str, Clue], facts: Facts) -> list[str]:
    keys = ["alone", "cold_room" if facts.direction == "below" else "hot_room", "door_channel", "power_channel"]
    return [_NEEDS[key] for key in keys if key not in found]


def of_display() -> list[CauseRow]:
    """The causes of an episode that only a display saw: no course, so nothing to weigh."""
    return [_entry("undetermined", 1.0, [], [], ["Only the display showed it, no reading: there is no course to weigh."], ["Look for another record of the time between the two checks"])]


def case(
    episodes: Sequence[EpisodeRow[pd.Timestamp]], excursions: Sequence[ExcursionRow[pd.Timestamp]], faults: Sequence[FaultRow[pd.Timestamp]], *, known_share: float = 1.0
) -> LeadingCause:  # fmt: skip
    """The cause of a whole case (CONTRACTS rule 11).

    First cause of the episode with most degree-minutes on trustworthy readings, else of the longest faulty one, else
    ``undetermined`` where only a display was outside; an excursion whose degree-minutes are not known ranks first (rule 9).
    Without excursions: ``none``, or ``record_error`` / ``probe_fault`` where there is a fault beyond gap and no_value.

    Parameters
    ----------
    known_share : float
        Part of the window (0..1) that the deciding probe knows which knows least; below :data:`KNOWN_SHARE`, ``undetermined`` stands in place of ``none``.

    Examples
    --------
    >>> case([], [], [{"kind": "gap"}])
    {'cause': 'none', 'support': 1.0}
    >>> case([], [], [{"kind": "clock"}])["cause"], case([], [], [{"kind": "gap"}], known_share=0.9)["cause"]
    ('record_error', 'undetermined')
    """
    if not excursions:
        kinds = {row["kind"] for row in faults} - {"gap", "no_value"}
        if not kinds:
            return {"cause": "none" if known_share >= KNOWN_SHARE else "undetermined", "support": 1.0}
        return {"cause": "record_error" if kinds & set(RECORD_FAULTS) else "probe_fault", "support": 1.0}
    by_id = {row["id"]: row for row in excursions if row.get("basis") != "display"}
    if not by_id:
        return {"cause": "undetermined", "support": 1.0}
    sound, broken = [], []
    for place, episode in enumerate(episodes):
        rows = [by_id[key] for key in episode["excursions"] if key in by_id]
        if not rows:
            continue
        trusted = sum(one_sided.rank(row["degree_minutes"]) for row in rows if not row.get("faulty"))
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


def fit_course(episode: EpisodeRow[pd.Timestamp], unit: Unit, *, condition: Condition | None = None, room: Trace | None = None, excursions: Sequence[ExcursionRow[pd.Timestamp]] = ()) -> pd.DataFrame:
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
    lead, pieces = facts.lead, []
    notes: dict[str, object] = {"probe": lead.name}
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
