"""What manufacturers stated about a lot, and how much of it is used: hours at least and at most, or why a statement does not apply.

Time without readings counts as used, bands are never added, and nothing says what remains.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from coldchain_kit import quality
from coldchain_kit.lots import stays
from coldchain_kit.lots.reasons import NOTHING_JUDGED, Notes
from coldchain_kit.lots.stays import Place, Steps, hours
from coldchain_kit.model import FAIL, AllowanceRow, Direction, one_sided
from coldchain_kit.register import Allowance, Lot, stock

OVER = 1.0 + 1e-9  # a share over one, whatever the last digit


def row(allowed: Allowance, lot: Lot, places: list[Place], steps: Steps, silent_min: float, earlier: tuple[float, float], notes: Notes) -> AllowanceRow:
    """One row of ``allowances[]``.

    Parameters
    ----------
    silent_min : float
        Minutes of the stays and between them without readings [min].
    earlier : (least, most)
        Hours out before this case, as stated and from earlier cases [h].
    """
    direction, from_c, to_c = band(allowed, places)
    used = stays.spent(places, steps, limit_c=from_c, direction=direction, unknown_counts=True)
    if allowed.counting == "total":
        least, most = used.total_least / 60 + earlier[0], used.total_most / 60 + earlier[1]
    else:
        least, most = max(used.single_least / 60, earlier[0]), max(used.single_most / 60, earlier[1])
    bound = allowed.counting == "total" and not lot.earlier_known
    against = other_state(allowed, lot) + _beyond_ceiling(places, direction, to_c, notes)
    share = least / allowed.hours, most / allowed.hours
    return {
        "lot": allowed.lot, "from_c": allowed.from_c, "to_c": allowed.to_c, "direction": direction, "hours": allowed.hours, "counting": allowed.counting,
        "source": allowed.source, "dated": None if allowed.dated is None else allowed.dated.isoformat(), "line": allowed.line, "state": allowed.state or stock.UNOPENED, "state_stated": allowed.state is not None,
        "used_least": least, "used_most": most, "used_bound": bound, "applicable": not against, "share_least": None if against else share[0],
        "share_most": None if against or bound else share[1], "more_than_stated": None if against else more(*share, bound=bound),
        "earlier_hours": earlier[1], "without_readings_hours": silent_min / 60,
        "why": " ".join([*(against or _counted(allowed, silent_min, earlier[1], bound=bound)), *_short_of(allowed, places, steps, direction, from_c, used)]),
    }  # fmt: skip


def _short_of(allowed: Allowance, places: Sequence[Place], steps: Steps, direction: Direction, from_c: float, used: stays.Spent) -> list[str]:
    """That the statement begins beyond the limit, so that nothing is stated for the time between the two."""
    limits = [limit for here in places if (limit := here.stay.condition.limit_c(direction)) is not None]
    sign = 1.0 if direction == "above" else -1.0
    if not limits or sign * (from_c - min(limits, key=lambda limit: sign * limit)) <= 1e-6:
        return []
    limit = min(limits, key=lambda limit: sign * limit)
    between = stays.spent(list(places), steps, limit_c=limit, direction=direction, unknown_counts=False).total_most - stays.spent(list(places), steps, limit_c=from_c, direction=direction, unknown_counts=False).total_least
    return [f"It states nothing between {limit:g} and {from_c:g} °C, where the lot was at most {hours(between)}."] if between > 0 else []


def more(least: float, most: float, *, bound: bool) -> Literal["yes", "may_be", "no"]:
    """Whether more than was stated is used: "yes", "may_be" (at most, or because earlier time is not known), "no".

    Parameters
    ----------
    least, most : float
        Shares of the stated hours.
    bound : bool
        Earlier time out of range is not known, so that the shares are of this case only.

    Examples
    --------
    >>> more(1.2, 3.0, bound=False), more(0.2, 1.1, bound=False), more(0.2, 0.4, bound=True), more(0.2, 1.0, bound=False)
    ('yes', 'may_be', 'may_be', 'no')
    """
    return "yes" if least > OVER else "may_be" if bound or most > OVER else "no"


def band(allowed: Allowance, places: Sequence[Place] = ()) -> tuple[Direction, float, float]:
    """Direction, near end and far end [°C] of an allowance.

    ``to_c`` is the far end; a band written upwards but lying wholly at or below the product's low limit ("from 0 to 2")
    is a cold one: its far end is the colder.
    """
    low = next((here.stay.condition.limit_c("below") for here in places if here.stay.condition.limit_c("below") is not None), None)
    if allowed.from_c > allowed.to_c:
        return "below", allowed.from_c, allowed.to_c
    if low is not None and allowed.to_c <= low:
        return "below", allowed.to_c, allowed.from_c
    return "above", allowed.from_c, allowed.to_c


def sides_without(rows: Sequence[AllowanceRow], sides: Sequence[Direction]) -> list[Direction]:
    """Sides of a lot's limits that no statement covers although one covers the other side.

    Examples
    --------
    >>> sides_without([{"direction": "above"}], ["above", "below"]), sides_without([], ["above", "below"])
    (['below'], [])
    """
    stated = {one["direction"] for one in rows}
    return [side for side in sides if stated and side not in stated]


def other_state(allowed: Allowance, lot: Lot) -> list[str]:
    """Why a statement does not apply: a stay of the lot in another state than the statement is for; else an empty list."""
    wanted = allowed.state or stock.UNOPENED
    others = [(stay, state) for stay in lot.stays for state in stay.states if state != wanted]
    if not others:
        return []
    stay, state = others[0]
    taken = ", as no state is stated" if stay.state is None and state == stock.UNOPENED else ""
    for_ = f"{wanted} stock" + ("" if allowed.state else " (taken so, as no state is stated)")
    return [f"The stock in {stay.unit} (stock list, line {stay.line}) was {state}{taken}, and the statement is for {for_}: it does not apply."]


def _beyond_ceiling(places: Sequence[Place], direction: str, to_c: float, notes: Notes) -> list[str]:
    """Why an allowance does not apply: a reading or a display beyond its far end, or a one-sided one that may have been; else an empty list.

    One that says nothing about the limits either is like a gap: its time counts as used (CONTRACTS rule 9).
    """
    if not places:
        return [NOTHING_JUDGED]
    sign = 1.0 if direction == "above" else -1.0
    for here in places:
        for trace in here.traces:
            part = stays.within(trace, here)
            part = part[one_sided.heard(part) & ~one_sided.unknown(part, here.stay.condition)]
            end = (part["one_sided"].to_numpy() == int(sign)) & (part["bound_c"].isna().to_numpy())
            if end.any():
                at = part.index[int(np.argmax(end))]
                return [f"A reading without a number{one_sided.quoted(part[end])} in {here.stay.unit}, probe {trace.probe.name}, at {notes.local(at)}, may have been beyond {to_c:g} °C: the allowance does not apply."]
            values = stays.further(part, direction)
            out = sign * np.round(values - to_c, 6) > 0
            if out.any():
                at = int(np.argmax(np.where(out, sign * values, -np.inf)))
                doubt = " The quality tests call this reading impossible." if quality.rolled(trace).loc[part.index[at]] == FAIL else ""
                what = f"at least {values[at]:g}" if part["one_sided"].iloc[at] > 0 else f"at most {values[at]:g}" if part["one_sided"].iloc[at] else f"{values[at]:g}"
                return [f"A reading of {what} °C in {here.stay.unit}, probe {trace.probe.name}, at {notes.local(part.index[at])}, lies beyond {to_c:g} °C: the allowance does not apply.{doubt}"]
            end = part["one_sided"].to_numpy() == int(sign)
            if end.any():
                return [f"A reading that is only a bound{one_sided.quoted(part[end])} in {here.stay.unit}, probe {trace.probe.name}, at {notes.local(part.index[int(np.argmax(end))])}, may have been beyond {to_c:g} °C: the allowance does not apply."]
        for row in here.shown:
            if row["direction"] == direction and row["extreme_c"] is not None and sign * (row["extreme_c"] - to_c) > 0 and notes.meets(here, row):
                return [f"The display of {here.stay.unit} showed {row['extreme_c']:g} °C (logbook line {row['logbook_line']}), beyond {to_c:g} °C, at a time not known: the allowance does not apply."]
    return []


def _counted(allowed: Allowance, silent_min: float, earlier_hours: float, *, bound: bool) -> list[str]:
    """What the hours used of an applicable allowance hold."""
    said = []
    if silent_min > 0:
        said.append(f"Time without readings ({hours(silent_min)}) counts as used, at most.")
    if bound:
        said.append("How long the lot was out of range before is not known: the hours used are those of this case only, and the share used is not known.")
    if earlier_hours > 0:
        said.append(f"Earlier time out of range ({earlier_hours:g} h) is counted." if allowed.counting == "total" else f"Earlier time out of range ({earlier_hours:g} h) is taken as one run.")
    if allowed.state is None:
        said.append("The statement names no state of the stock: taken as unopened.")
    return said
