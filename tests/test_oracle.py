"""The kit's results against an independent oracle on seeded random sites (tests/oracle.py, tests/random_sites.py)."""

from __future__ import annotations

import datetime as dt
import os
import subprocess
import sys

import pytest

from coldchain_kit import assessment
from coldchain_kit.assessment import results
from coldchain_kit.base import KitError
from coldchain_kit.model import to_text
from tests import oracle, random_sites, sites

SECOND = 0.02  # times of a drifting clock are rounded differently on either side


def at(text: str | None) -> float | None:
    return None if text is None else dt.datetime.fromisoformat(text).timestamp()


class Differences(list):
    """Every discrepancy of one site, each with its place."""

    def number(self, where: str, mine, theirs, tolerance: float = 1e-5) -> None:
        if mine is None or theirs is None:
            if mine is not theirs:
                self.append(f"{where}: oracle {mine}, kit {theirs}")
        elif abs(mine - theirs) > tolerance:
            self.append(f"{where}: oracle {mine}, kit {theirs}")

    def at_most(self, where: str, mine: float, theirs: float) -> None:
        if theirs < mine - 1e-3:
            self.append(f"{where}: oracle {mine}, kit less: {theirs}")

    def at_least(self, where: str, mine: float, theirs: float) -> None:
        if theirs > mine + 1e-3:
            self.append(f"{where}: oracle {mine}, kit more: {theirs}")

    def same(self, where: str, mine, theirs) -> None:
        if mine != theirs:
            self.append(f"{where}: oracle {mine}, kit {theirs}")


def compare(mine: dict, theirs: dict, case: dict[str, oracle.Scenario]) -> Differences:
    found = Differences()
    _sources(found, mine, theirs)
    _probes(found, mine, theirs, case)
    _excursions(found, mine, theirs)
    _near_limit(found, mine, theirs)
    _conflicts(found, mine, theirs)
    _episodes(found, mine, theirs)
    _mkt(found, mine, theirs, case)
    _lots(found, mine, theirs, doubt=any(scenario.clock_checks for scenario in case.values()))
    _cause(found, mine, theirs)
    return found


def _sources(found: Differences, mine: dict, theirs: dict) -> None:
    rows = {row["file"]: row for row in theirs["sources"]}
    found.same("sources", {row["file"] for row in mine["sources"]}, set(rows))
    for row in mine["sources"]:
        other = rows[row["file"]]
        for name in ("rows", "read", "rejected"):
            found.same(f"sources {row['file']} {name}", row[name], other[name])
        found.same(f"sources {row['file']} rejects", row["rejects"], [reject["line"] for reject in other["rejects"]])
        for name in ("first", "last"):
            found.number(f"sources {row['file']} {name}", row[name], at(other[name]), SECOND)


def _probes(found: Differences, mine: dict, theirs: dict, case: dict[str, oracle.Scenario]) -> None:
    rows = {(row["unit"], row["probe"]): row for row in theirs["probes"]}
    found.same("probes", {(row["unit"], row["probe"]) for row in mine["probes"]}, set(rows))
    for row in mine["probes"]:
        other, where = rows[row["unit"], row["probe"]], f"probe {row['unit']} {row['probe']}"
        for name in ("role", "decides", "readings", "u_from"):
            found.same(f"{where} {name}", row[name], other[name])
        for name in ("min_c", "max_c", "as_read_min_c", "as_read_max_c", "mean_c", "u_c"):
            found.number(f"{where} {name}", row.get(name), other[name], 2e-6)
        found.number(f"{where} mkt_c", row["mkt_c"], other["mkt_c"], 5e-5)
        if row["min_c"] is None:
            continue
        for name in ("min_time", "max_time"):
            found.number(f"{where} {name}", row[name], at(other[name]), SECOND)
        cut = [(max(a, mine["window"][0]), min(b, mine["window"][1])) for a, b in row["gaps"]]  # the contract leaves open whether a gap is listed cut by the window
        found.same(f"{where} gaps", [(round(a), round(b)) for a, b in cut], [(round(max(at(gap["start"]), mine["window"][0])), round(min(at(gap["end"]), mine["window"][1]))) for gap in other["gaps"]])
        found.same(f"{where} outside", set(row["outside"]), set(other["outside"]))
        for direction, values in row["outside"].items():
            for name, value in values.items():
                found.number(f"{where} outside {direction} {name}", value, other["outside"][direction][name], 1e-3)
        found.number(f"{where} unknown_minutes", row["unknown_minutes"], other["unknown_minutes"], 1e-3)
        if not case[row["unit"]].uneven:
            # without a stated end the last instant itself is in the window
            found.number(f"{where} missing_readings", row["missing"], other["missing_readings"], 1 if case[row["unit"]].end is None and other["gaps"] and other["gaps"][-1]["edge"] else 0)
            span = mine["window"][1] - mine["window"][0]
            found.number(f"{where} covered_share", 1 - row["lost_min"] * 60 / span, other["covered_share"], 2e-4)


def _excursions(found: Differences, mine: dict, theirs: dict) -> None:
    rows = {(row["unit"], row["probe"], row["direction"], round(at(row["first_out"]))): row for row in theirs["excursions"]}
    keys = {oracle.key(row): row for row in mine["excursions"]}
    found.same("excursions", sorted(keys), sorted(rows))
    for key in sorted(keys.keys() & rows.keys()):
        row, other = keys[key], rows[key]
        for name in ("start", "end", "first_out", "last_out", "first_back", "start_earliest", "end_latest"):
            found.number(f"excursion {key} {name}", row[name], at(other[name]), SECOND)
        found.number(f"excursion {key} extreme_time", row["extreme_time"], at(other["extreme_time"]), SECOND)
        for name in ("minutes", "minutes_in_window", "minutes_least", "degree_minutes"):
            found.number(f"excursion {key} {name}", row[name], other[name], 1e-3)
        for name in ("limit_c", "extreme_c"):
            found.number(f"excursion {key} {name}", row[name], other[name], 2e-6)
        found.number(f"excursion {key} p_outside", row["p_outside"], other["p_outside"], 1e-6)
        for name in ("open_start", "open_end", "readings", "verdict", "basis"):
            found.same(f"excursion {key} {name}", row[name], other[name])
        if not row["most_touching"] - 1e-3 <= other["minutes_most"] <= row["most_reach"] + 1e-3:
            found.append(f"excursion {key} minutes_most: oracle {row['most_touching']} to {row['most_reach']}, kit {other['minutes_most']}")
        if not other["minutes_least"] <= other["minutes"] + 1e-3 or not other["minutes"] <= other["minutes_most"] + 1e-3:
            found.append(f"excursion {key}: least {other['minutes_least']}, minutes {other['minutes']}, most {other['minutes_most']} are out of order")


def _near_limit(found: Differences, mine: dict, theirs: dict) -> None:
    rows = {(row["unit"], row["probe"], row["direction"], round(at(row["start"])), round(at(row["end"]))) for row in theirs["near_limit"]}
    window = mine["window"]
    may = {(row["unit"], row["probe"], row["direction"], round(row["start"]), round(row["end"])) for row in mine["near_limit"]}
    must = {
        (row["unit"], row["probe"], row["direction"], round(row["start"]), round(row["end"]))
        for row in mine["near_limit"] if not row["beside"] and row["start"] >= window[0] and row["end"] < window[1]
    }  # fmt: skip
    if must - rows:
        found.append(f"near_limit: missing {sorted(must - rows)}")
    if rows - may:
        found.append(f"near_limit: unexpected {sorted(rows - may)}")


def _conflicts(found: Differences, mine: dict, theirs: dict) -> None:
    def keyed(rows, time):
        return sorted((row["unit"], row["probe"], round(time(row)), row["file"], row["line"], row["kept"]) for row in rows)

    # the kit also lists an instant at which one download has a value and another has none: no readings at odds, and harmless
    with_value = {}
    for row in theirs["conflicts"]:
        with_value.setdefault((row["unit"], row["probe"], row["time"]), []).append(row["value_c"])
    kept = [row for row in theirs["conflicts"] if row["value_c"] is not None and sum(value is not None for value in with_value[row["unit"], row["probe"], row["time"]]) > 1]
    found.same("conflicts", keyed(mine["conflicts"], lambda row: row["time"]), keyed(kept, lambda row: at(row["time"])))


def _episodes(found: Differences, mine: dict, theirs: dict) -> None:
    names = {row["id"]: (row["unit"], row["probe"], row["direction"], round(at(row["first_out"]))) for row in theirs["excursions"]}
    if any(row["recurrent"] for row in theirs["episodes"]):
        return  # regular short runs form one episode; what is regular the contract leaves open
    other = sorted(sorted(names[one] for one in row["excursions"]) for row in theirs["episodes"])
    found.same("episodes", sorted(sorted(group) for group in mine["episodes"]), other)


def _mkt(found: Differences, mine: dict, theirs: dict, case: dict[str, oracle.Scenario]) -> None:
    for row in theirs["mkt"]:
        if row["mkt_c"] is None:
            continue
        s = mine["series"][row["unit"]][row["probe"]]
        window = at(row["window_start"]), at(row["window_end"])
        inside = (s.t >= window[0] - SECOND) & (s.t <= window[1] + SECOND)  # the reading that ends the excursion is included
        weight = oracle.weights_min(s, inside)
        found.number(f"mkt {row['probe']} {row['window_start']} {row['window_end']}", oracle.mkt_c(s.value[inside], weight[inside]), row["mkt_c"], 5e-5)
        if window[1] - window[0] > case[row["unit"]].condition.mkt[1] * 3600 + 1:
            found.append(f"mkt: the window {row['window_start']} to {row['window_end']} is longer than its rule")


def _bounds(found: Differences, where: str, mine: dict, theirs: dict, least: str, most: str, *, doubt: bool) -> None:
    """The same; a checked clock's doubt at a move may widen the bounds, never narrow them."""
    if doubt:
        found.at_least(f"{where} {least}", mine[least], theirs[least])
        found.at_most(f"{where} {most}", mine[most], theirs[most])
        return
    for name in (least, most):
        found.number(f"{where} {name}", mine[name], theirs[name], 1e-4)


def _lots(found: Differences, mine: dict, theirs: dict, *, doubt: bool) -> None:
    rows = {row["lot"]: row for row in theirs["lots"]}
    found.same("lots", {row["lot"] for row in mine["lots"]}, set(rows))
    for row in mine["lots"]:
        other, where = rows[row["lot"]], f"lot {row['lot']}"
        exposures = {(one["unit"], one["probe"], one["direction"], round(at(one["start"]))): one for one in other["exposures"]}
        for one in row["exposures"]:
            key = (one["unit"], one["probe"], one["direction"], round(one["start"]))
            if key not in exposures:
                found.append(f"{where} exposure {key}: not in the kit's {sorted(exposures)}")
                continue
            if not doubt:
                found.number(f"{where} exposure {key} minutes", one["minutes"], exposures[key]["minutes"], 1e-3)
            _bounds(found, f"{where} exposure {key}", one, exposures[key], "minutes_least", "minutes_most", doubt=doubt)
        allowed = {(one["from_c"], one["to_c"], one["counting"]): one for one in other["allowances"]}
        for one in row["allowances"]:
            key = (one["from_c"], one["to_c"], one["counting"])
            _bounds(found, f"{where} allowance {key}", one, allowed[key], "used_least", "used_most", doubt=doubt)
            found.same(f"{where} allowance {key} applicable", one["applicable"], allowed[key]["applicable"])
            found.same(f"{where} allowance {key} share null", not one["applicable"], allowed[key]["share_most"] is None)
        if row["spans"] and not doubt:
            found.same(f"{where} possible_freezing", row["possible_freezing"], other["possible_freezing"])
        if row["reasons"] and not other["needs_decision"]:
            found.append(f"{where} needs_decision: oracle {sorted(row['reasons'])}, kit false")
        if row["spans"] and not row["may"] and not theirs["faults"] and not theirs["near_limit"] and other["needs_decision"]:
            found.append(f"{where} needs_decision: oracle no reason, kit {other['why']}")


def _cause(found: Differences, mine: dict, theirs: dict) -> None:
    kinds = {row["kind"] for row in theirs["faults"]} - {"gap", "no_value"}
    cause = theirs["cause"]["cause"]
    if mine["excursions"]:
        if cause == "none":
            found.append("cause: none although there is an excursion")
    elif not kinds:
        found.same("cause", "none", cause)
    else:
        wanted = {"record_error"} if kinds <= {"clock", "unit_mixup", "repeated"} else {"probe_fault"} if not kinds & {"clock", "unit_mixup", "repeated"} else {"record_error", "probe_fault"}
        if cause not in wanted:
            found.append(f"cause: oracle {sorted(wanted)} for {sorted(kinds)}, kit {cause}")


def differences(seed: int, folder) -> Differences:
    path, case = random_sites.make(seed, folder)
    theirs = assessment.assess(path).results
    found = compare(oracle.assess(case), theirs, case)
    found += [f"schema: {fault}" for fault in results.faults(theirs)]
    return found


def _block(first: int, tmp_path, *, count: int = 10) -> list[str]:
    return [f"seed {seed}: {said}" for seed in range(first, first + count) for said in differences(seed, tmp_path / str(seed))]


@pytest.mark.parametrize("first", range(0, 150, 10))
def test_the_kit_agrees_with_the_oracle(tmp_path, first):
    assert _block(first, tmp_path) == []


@pytest.mark.slow
@pytest.mark.parametrize("first", range(150, 1000, 50))
def test_the_kit_agrees_with_the_oracle_on_many_sites(tmp_path, first):
    assert _block(first, tmp_path, count=50) == []


@pytest.mark.parametrize("seed", [1, 28])
def test_the_command_prints_the_same_bytes_everywhere(tmp_path, seed):
    path, _ = random_sites.make(seed, tmp_path / "a")
    other, _ = random_sites.make(seed, tmp_path / "a long näme" / "b")
    wanted = to_text(assessment.assess(path).results).encode("utf-8")
    plain = {name: value for name, value in os.environ.items() if not name.startswith(("LC_", "LANG", "PYTHON"))}
    for case, around in ((path, {"TZ": "Asia/Kathmandu", "PYTHONHASHSEED": "1"}), (other, {"TZ": "America/New_York", "PYTHONHASHSEED": "77", "LC_ALL": "POSIX", "PYTHONIOENCODING": "latin-1"})):
        done = subprocess.run([sys.executable, "-m", "coldchain_kit", "assess", case.name], cwd=case.parent, env={**plain, **around}, capture_output=True, check=False)
        assert (done.returncode, done.stderr, done.stdout == wanted) == (0, b"", True)


# What the comparison brought to light, each as a small case of its own.


def _minutes(steps: list[float], *, start: str = "2026-03-01T00:00:00") -> list[str]:
    at, found = dt.datetime.fromisoformat(start), []
    for step in [0, *steps]:
        at += dt.timedelta(minutes=step)
        found.append(at.isoformat())
    return found


def _found(tmp_path, times: list[str], value=lambda k: 5.0 + 0.1 * (k % 3), **more) -> dict:
    rows = [(time, value(k)) for k, time in enumerate(times)]
    return assessment.assess(sites.write(tmp_path, [sites.series(tmp_path, rows)], **more)).results


def test_each_stretch_has_its_own_interval(tmp_path):
    # 5 min, then 10 min, as many of each: the median of all would be 7.5 min and bridge a gap of 15 min in the first stretch
    times = _minutes([5] * 40 + [15] + [5] * 40 + [10] * 81)
    probe = _found(tmp_path, times)["probes"][0]
    assert [gap["minutes"] for gap in probe["gaps"]] == [15.0]
    assert probe["missing_readings"] == 2


def test_a_window_does_not_change_what_a_gap_is(tmp_path):
    # a gap of 60 min that the window cuts to 20 min: still a gap, and unknown time
    times = _minutes([10] * 30 + [60] + [10] * 30)  # silent from 05:00 to 06:00
    found = _found(tmp_path, times, case="start = 2026-03-01T05:40:00\nend = 2026-03-01T10:00:00\n")
    probe = found["probes"][0]
    assert [(gap["start"], gap["end"]) for gap in probe["gaps"]] == [("2026-03-01T05:40:00Z", "2026-03-01T06:00:00Z")]
    assert (probe["unknown_minutes"], probe["missing_readings"]) == (20.0, 2)  # 05:40 and 05:50
    assert probe["covered_share"] == pytest.approx(1 - 20 / 260)


def test_readings_and_missing_readings_fill_the_window(tmp_path):
    found = _found(tmp_path, _minutes([10] * 99), case="start = 2026-03-01T00:00:00\nend = 2026-03-02T00:00:00\n")
    probe = found["probes"][0]
    assert probe["readings"] + probe["missing_readings"] == 144  # a day in steps of 10 min, its end not in it
    assert probe["covered_share"] == pytest.approx(100 / 144)


def test_a_short_stay_in_silence_is_time_without_readings(tmp_path):
    # the record ends at 16:30; the lot comes at 20:00 and the window closes two minutes later
    papers = {"stock.csv": "lot,product,quantity,moved_in,moved_out\nL,Example,1,2026-03-01T20:00,\n", "allowances.csv": "lot,from_c,to_c,hours,counting,source\nL,8,25,4,total,letter\n"}
    found = _found(tmp_path, _minutes([10] * 99), case="start = 2026-03-01T00:00:00\nend = 2026-03-01T20:02:00\n", papers=papers)
    lot = found["lots"][0]
    assert lot["allowances"][0]["used_most"] == pytest.approx(2 / 60)
    assert lot["needs_decision"]


def test_no_mkt_where_a_reading_in_the_file_lies_below_the_low_limit(tmp_path):
    # 1.9 as read, 2.1 corrected: an excursion below by the reading, so no mean hides it
    unit = '[units.U.probes.A]\nrole = "buffered"\ncertificate = { number = "C", date = 2026-01-05, expanded_uncertainty_c = 0.3, points = [[0.0, -0.2], [10.0, 9.8]] }\n'
    found = _found(tmp_path, _minutes([10] * 60), lambda k: 1.9 if k == 30 else 5.0, unit=unit)
    assert [(row["direction"], row["basis"]) for row in found["excursions"]] == [("below", "as_read")]
    assert found["probes"][0]["mkt_c"] is None


@pytest.mark.parametrize(
    ("unit", "said"),
    [
        ('[units.U.logger]\nclock = "+25:00"\n', "clock is"),
        ('[units.U.probes.A]\ncertificate = { number = "C", expanded_uncertainty_c = 0.3, points = [[0.0, 5.1], [5.0, 5.1]] }\n', "one reference"),
    ],
)
def test_what_cannot_be_is_refused(tmp_path, unit, said):
    with pytest.raises(KitError, match=said):
        _found(tmp_path, _minutes([10] * 20), unit=unit)


def test_a_stated_start_cuts_the_stay_even_where_the_record_begins_just_then(tmp_path):
    papers = {"stock.csv": "lot,product,quantity,moved_in,moved_out\nL,Example,1,2026-02-20T08:00,\n"}
    found = _found(tmp_path, _minutes([10] * 143), case="start = 2026-03-01T00:00:00\nend = 2026-03-02T00:00:00\n", papers=papers)
    lot = found["lots"][0]
    assert (lot["stays"][0]["judged_from"], lot["needs_decision"]) == ("2026-03-01T00:00:00Z", False)
