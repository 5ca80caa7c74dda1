"""What was written, held against what the readings allow (CONTRACTS rule 11).

A logbook outranks the shape of a trace only where physics allows what it says: a door that is shut warms nothing any more, a load
gives its heat and is cooled again, a cabinet without power does not jump. Where the readings forbid it, the line stays as a lead.
"""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from coldchain_kit.causes.clues.clue import Clue
from coldchain_kit.causes.clues.written import SLACK
from coldchain_kit.causes.evidence import Facts
from coldchain_kit.model import CauseId

SETTLED_TAUS = 3.0  # a first-order probe has made 95 % of its way after three time constants (FACTS G1)
# An act whose end nobody wrote is over within the hour: doors, and goods carried in (common practice, no source).
ACT = SLACK
LOAD = pd.Timedelta(hours=4)  # goods give most of their heat to a running unit within hours; its air turns long before (own rule, no source)
CLEAR = 0.7  # of a clue's lean, -1 to 1: clear of its threshold, either way


def at_odds(cause: CauseId, clue: Clue, facts: Facts, found: Mapping[str, Clue]) -> str:
    """Why the readings do not allow what a line says to have caused this; "" where they do, or cannot tell.

    Parameters
    ----------
    cause : str
        The cause that the line speaks for.
    clue : Clue
        Of a logbook line or an event of the logger: ``since``, ``until``.
    facts : Facts
        The episode as measured.
    found : dict
        Its clues by key.

    Returns
    -------
    str
        Part of a sentence that names the figure.

    Cannot see
    ----------
    A door or a power cut that lasted longer than its line says, and was never written down.
    """
    if clue.since is None or facts.lead.open_readings:  # without numbers nobody knows how long it went on
        return ""
    if cause not in _FORBIDS:
        return ""
    if cause in _OF_THE_CABINET and _lean(found, "alone") > CLEAR:
        return f"probe {facts.lead.name} moved by itself, and whatever warms or cools the cabinet reaches every probe in it"
    return _FORBIDS[cause](clue, facts, found)


def _went_on(facts: Facts, clue: Clue, *, allowed: pd.Timedelta) -> str:
    """The rise that went on for longer after an act than the probe's lag explains."""
    over = _over(clue)
    lead = facts.lead
    lag = pd.Timedelta(minutes=SETTLED_TAUS * lead.tau_min + 2 * lead.step_min)
    left = lead.peak_time - over
    if left <= lag + allowed:
        return ""
    since = "after that" if clue.until is not None else f"beyond the {_span(ACT)} that an act without a written end is taken to last"
    return f"it went on {_way(facts)} for {_span(left)} {since}, and the probe's lag explains {_span(lag)}"


def _door(clue: Clue, facts: Facts, found: Mapping[str, Clue]) -> str:
    return _went_on(facts, clue, allowed=pd.Timedelta(0)) or _stayed(facts, clue, "a shut door lets a unit come back")


def _load(clue: Clue, facts: Facts, found: Mapping[str, Clue]) -> str:
    return _went_on(facts, clue, allowed=LOAD) or _stayed(facts, clue, "goods that have given their heat let a unit come back")


def _power(clue: Clue, facts: Facts, found: Mapping[str, Clue]) -> str:
    if clue.until is not None and _since(clue) > facts.lead.onset + SLACK:
        return f"it had begun {_span(_since(clue) - facts.lead.onset)} before"
    late = "" if clue.until is None else _went_on(facts, clue, allowed=ACT)
    return late or _jumped(found)


def _service(clue: Clue, facts: Facts, found: Mapping[str, Clue]) -> str:
    return _jumped(found)


def _settings(clue: Clue, facts: Facts, found: Mapping[str, Clue]) -> str:
    came_back = facts.lead.returned is True and _lean(found, "holds") <= 0
    return "it came back to the old level by itself, and a new set point holds" if came_back else ""


def _taken_out(clue: Clue, facts: Facts, found: Mapping[str, Clue]) -> str:
    return "it changed slowly, and a probe that is taken out goes to the room's temperature at its own pace" if _lean(found, "fast") < -CLEAR else ""


def _stayed(facts: Facts, clue: Clue, why: str) -> str:
    """It never came back, though the record goes on."""
    return f"it did not come back, and {why}" if facts.lead.returned is False and facts.lead.series.index[-1] > _over(clue) + LOAD else ""


def _jumped(found: Mapping[str, Clue]) -> str:
    return "the air changed within minutes, and a closed cabinet without cooling takes hours" if _lean(found, "fast") > CLEAR else ""


def _lean(found: Mapping[str, Clue], key: str) -> float:
    return found[key].lean if key in found else 0.0


def _since(clue: Clue) -> pd.Timestamp:
    assert clue.since is not None
    return clue.since


def _over(clue: Clue) -> pd.Timestamp:
    """When an act was over: as written, else an hour after it was written down."""
    return clue.until or _since(clue) + ACT


def _way(facts: Facts) -> str:
    return "rising" if facts.direction == "above" else "falling"


def _span(time: pd.Timedelta) -> str:
    hours, minutes = divmod(round(time / pd.Timedelta(minutes=1)), 60)
    return f"{minutes} min" if not hours else f"{hours} h" if not minutes else f"{hours} h {minutes} min"


_OF_THE_CABINET = frozenset({"door_open", "warm_load", "cold_load", "power_loss", "cooling_failure", "overcooling", "setpoint_change"})
_FORBIDS = {
    "door_open": _door, "warm_load": _load, "cold_load": _load, "power_loss": _power, "cooling_failure": _service, "overcooling": _service,
    "setpoint_change": _settings, "probe_removed": _taken_out,
}  # fmt: skip
