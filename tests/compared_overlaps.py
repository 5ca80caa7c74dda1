"""The comparison for sites with interleaving downloads: what rule 12 fixes, and times within half an interval."""

from __future__ import annotations

from tests import oracle
from tests.differences import Differences, at
from tests.oracle import course, overlaps

Case = dict[str, oracle.Scenario]
Met = list[tuple[str, oracle.Probe, overlaps.Meeting]]


def met(case: Case) -> Met:
    return [
        (unit, probe, one)
        for unit, scenario in case.items()
        for probe in scenario.probes
        for one in overlaps.meetings(scenario, probe)
    ]


def compare(theirs: dict, case: Case, found_meetings: Met) -> Differences:
    found, joined = Differences(), dict(case)
    for unit, probe, meeting in found_meetings:
        if meeting.shift_s is None:
            _at_odds(found, theirs, case[unit], unit, probe, meeting)
        elif joined[unit] is case[unit]:
            joined[unit] = overlaps.together(case[unit], meeting)
    mine = oracle.assess(joined)
    for unit, probe, meeting in found_meetings:
        if meeting.shift_s is not None:
            _together(found, mine, theirs, (unit, probe.name), case[unit])
    return found


def _together(found: Differences, mine: dict, theirs: dict, key: tuple, scenario: oracle.Scenario) -> None:
    """Every reading once, no conflict, the same excursions at the same time but for the clock."""
    rows = {(row["unit"], row["probe"]): row for row in theirs["probes"]}
    row = next(row for row in mine["probes"] if (row["unit"], row["probe"]) == key)
    other, where = rows[key], f"interleaved {key}"
    found.between(f"{where} readings", row["readings"] - 2, other["readings"], row["readings"] + 2)
    if any((one["unit"], one["probe"]) == key for one in theirs["conflicts"]):
        found.append(f"{where}: conflicts although a shift brings the downloads together")
    usual = max(
        60.0, float(oracle.series(scenario, next(p for p in scenario.probes if p.name == key[1])).edges_s[0]) / 2
    )
    ours = sorted(
        (one["direction"], one["first_out"]) for one in mine["excursions"] if (one["unit"], one["probe"]) == key
    )
    listed = sorted(
        (one["direction"], at(one["first_out"])) for one in theirs["excursions"] if (one["unit"], one["probe"]) == key
    )
    if len(ours) != len(listed) or any(
        a[0] != b[0] or abs(a[1] - b[1]) > usual for a, b in zip(ours, listed, strict=False)
    ):
        found.append(f"{where} excursions: oracle {ours}, kit {listed}")


def _at_odds(
    found: Differences,
    theirs: dict,
    scenario: oracle.Scenario,
    unit: str,
    probe: oracle.Probe,
    meeting: overlaps.Meeting,
) -> None:
    """One conflict of the whole overlap; nothing that either download alone shows outside is lost."""
    key, where = (unit, probe.name), f"at odds {unit} {probe.name}"
    if not any((one["unit"], one["probe"]) == key for one in theirs["conflicts"]):
        found.append(f"{where}: no conflict")
    if probe.name not in oracle.deciding(scenario.probes):
        return
    window = tuple(at(one) for one in theirs["case"]["window"])
    listed = [row for row in theirs["excursions"] if (row["unit"], row["probe"]) == key]
    for name in (meeting.first, meeting.second):
        s = oracle.series(scenario, probe, only=name)
        for sign in (1, -1):
            limit = scenario.condition.limit(sign)
            for row in oracle.excursions(s, oracle.side(s, sign, limit), window) if limit is not None else ():
                covered = any(
                    one["direction"] == row["direction"]
                    and at(one["start"]) <= row["last_out"]
                    and at(one["end"]) >= row["first_out"]
                    for one in listed
                )
                if course.in_window(row, window) and not covered:
                    found.append(f"{where}: {row['direction']} at {row['first_out']} in {name} is not listed")
