"""The lots' part of the comparison (tests/compared.py)."""

from __future__ import annotations

from tests import oracle
from tests.differences import Differences, at


def compare(found: Differences, mine: dict, theirs: dict, case: dict[str, oracle.Scenario], unsure: set[tuple]) -> None:
    rows = {row["lot"]: row for row in theirs["lots"]}
    found.same("lots", {row["lot"] for row in mine["lots"]}, set(rows))
    for row in (row for row in mine["lots"] if row["lot"] in rows):
        # a checked clock's doubt at a move may widen the bounds, never narrow them
        doubt = any(scenario.clock_checks for scenario in case.values())
        loose = any(unit == one for one, _ in unsure for unit, _ in row["spans"])
        _lot(
            found,
            row,
            rows[row["lot"]],
            theirs,
            doubt=doubt,
            loose=loose,
            uneven=any(one.uneven for one in case.values()),
        )
        if mine["cause"]["no_readings"] and not rows[row["lot"]]["needs_decision"]:
            found.append(f"lot {row['lot']} needs_decision: false without any reading")


def _lot(found: Differences, mine: dict, other: dict, theirs: dict, *, doubt: bool, loose: bool, uneven: bool) -> None:
    where = f"lot {mine['lot']}"
    _exposures(found, where, mine, other, doubt=doubt, loose=loose)
    _allowances(found, where, mine, other, doubt=doubt, loose=loose)
    _freezing(found, where, mine, other, loose=loose or doubt)
    demanded = mine["reasons"] - ({"missing"} if uneven else set())
    if demanded and not other["needs_decision"]:
        found.append(f"{where} needs_decision: oracle {sorted(demanded)}, kit false")
    open_question = theirs["faults"] or theirs["near_limit"] or uneven or loose
    if mine["spans"] and not mine["may"] and not open_question and other["needs_decision"]:
        found.append(f"{where} needs_decision: oracle no reason, kit {other['why']}")
    if other["needs_decision"] != bool(other["why"]):
        found.append(f"{where}: needs_decision {other['needs_decision']} with why {other['why']}")


def _freezing(found: Differences, where: str, mine: dict, other: dict, *, loose: bool) -> None:
    """Near zero on the display, or beside a one-sided reading of any value, it may be; without a reading null says not known."""
    if mine.get("unread") and other["possible_freezing"] is None:
        return
    low = any(row["direction"] == "below" for row in mine["displays"])
    perhaps = not mine["possible_freezing"] and (low or "one-sided" in mine["reasons"])
    if mine["spans"] and not loose and not perhaps:
        found.same(f"{where} possible_freezing", mine["possible_freezing"], other["possible_freezing"])


def _exposures(found: Differences, where: str, mine: dict, theirs: dict, *, doubt: bool, loose: bool) -> None:
    exposures = {
        (one["unit"], one["probe"], one["direction"], round(at(one["start"]))): one for one in theirs["exposures"]
    }
    for one in mine["exposures"]:
        key = (one["unit"], one["probe"], one["direction"], round(one["start"]))
        if key not in exposures:
            found.append(f"{where} exposure {key}: not in the kit's {sorted(exposures, key=str)}")
            continue
        if not doubt:
            found.number(f"{where} exposure {key} minutes", one["minutes"], exposures[key]["minutes"], 1e-3)
        if loose:
            continue
        for name, wider in (("minutes_least", found.at_least), ("minutes_most", found.at_most)):
            if doubt:
                wider(f"{where} exposure {key} {name}", one[name], exposures[key][name])
            else:
                found.number(f"{where} exposure {key} {name}", one[name], exposures[key][name], 1e-3)


def _allowances(found: Differences, where: str, mine: dict, theirs: dict, *, doubt: bool, loose: bool) -> None:
    allowed = {(one["from_c"], one["to_c"], one["counting"]): one for one in theirs["allowances"]}
    for one in mine["allowances"]:
        key = (one["from_c"], one["to_c"], one["counting"])
        other, here = allowed[key], f"{where} allowance {key}"
        _used(found, here, mine, one, other, doubt=doubt, loose=loose)
        found.same(f"{here} used_bound", one["used_bound"], bool(other.get("used_bound")))
        sign = 1 if one["to_c"] > one["from_c"] else -1
        beyond = any(sign * (row["extreme_c"] - one["to_c"]) > 0 for row in mine["displays"])
        if not beyond and not mine["elsewhere"]:
            found.same(f"{here} applicable", one["applicable"], other["applicable"])
        null = not other["applicable"] or one["used_bound"]
        found.same(f"{here} share null", null, other["share_most"] is None)
        if null and not other["why"]:
            found.append(f"{here}: no share and no reason")


def _used(found: Differences, here: str, lot: dict, mine: dict, theirs: dict, *, doubt: bool, loose: bool) -> None:
    if lot["elsewhere"] or loose:
        return
    more = sum(row["minutes_most"] for row in lot["displays"]) / 60 + (1e9 if doubt else 0.0)
    found.between(
        f"{here} used_most", mine["used_most"] - 1e-4, theirs["used_most"], mine["used_most_coarse"] + more + 1e-4
    )
    if doubt:
        found.at_least(f"{here} used_least", mine["used_least"], theirs["used_least"])
    else:
        found.number(f"{here} used_least", mine["used_least"], theirs["used_least"], 1e-4)
