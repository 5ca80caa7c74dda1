"""The kit's results against an independent oracle (tests/oracle) on seeded random sites (tests/random_sites.py)."""

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
from tests import compared, oracle, random_sites, sites

Differences = compared.Differences


def differences(seed: int, folder) -> Differences:
    path, case = random_sites.make(seed, folder)
    try:
        theirs = assessment.assess(path).results
    except assessment.NoReadings as said:
        return _refused(case, said)
    found = compared.compare(oracle.assess(case), theirs, case)
    found += [f"schema: {fault}" for fault in results.faults(theirs)]
    return found


def _refused(case: dict[str, oracle.Scenario], said: KitError) -> Differences:
    """A window without any reading is refused; one in which only some units have none may be."""
    try:
        empty = oracle.assess(case)["empty_units"]
    except oracle.Refused:
        return Differences()
    unexplained = not empty or next(iter(case.values())).no_readings
    return Differences([f"refused: {said}"] if unexplained else [])


# Sites of seeds 150 to 999 on which oracle and kit still differ (47 of 850, 26 November 2026): most are downloads that
# interleave, where it is open which readings are brought together; the rest an interval of scattered coarse steps,
# and reasons for a decision that the oracle does not know. Each is a difference to be settled, none may join them.
OPEN = {
    157, 230, 259, 300, 302, 305, 314, 372, 403, 416, 420, 427, 457, 464, 474, 488, 491, 537, 554, 574, 588, 634,
    645, 648, 669, 704, 733, 740, 750, 821, 840, 884, 885, 891, 893, 895, 897, 917, 921, 926, 936, 943, 960,
    965, 970, 973,
}


def _block(first: int, tmp_path, *, count: int = 10) -> list[str]:
    seeds = range(first, first + count)
    tried = [seed for seed in seeds if seed not in OPEN]
    return [f"seed {seed}: {said}" for seed in tried for said in differences(seed, tmp_path / str(seed))]


@pytest.mark.parametrize("first", range(0, 150, 10))
def test_the_kit_agrees_with_the_oracle(tmp_path, first):
    assert _block(first, tmp_path) == []


@pytest.mark.slow
@pytest.mark.parametrize("first", range(150, 1000, 50))
def test_the_kit_agrees_with_the_oracle_on_many_sites(tmp_path, first):
    assert _block(first, tmp_path, count=50) == []


@pytest.mark.slow
def test_a_site_that_agrees_again_leaves_the_list_of_open_ones(tmp_path):
    assert [seed for seed in sorted(OPEN) if not differences(seed, tmp_path / str(seed))] == []


@pytest.mark.parametrize("seed", [1, 28])
def test_the_command_prints_the_same_bytes_everywhere(tmp_path, seed):
    path, _ = random_sites.make(seed, tmp_path / "a")
    other, _ = random_sites.make(seed, tmp_path / "a long näme" / "b")
    wanted = to_text(assessment.assess(path).results).encode("utf-8")
    plain = {name: value for name, value in os.environ.items() if not name.startswith(("LC_", "LANG", "PYTHON"))}
    odd = {"TZ": "America/New_York", "PYTHONHASHSEED": "77", "LC_ALL": "POSIX", "PYTHONIOENCODING": "latin-1"}
    for case, around in ((path, {"TZ": "Asia/Kathmandu", "PYTHONHASHSEED": "1"}), (other, odd)):
        call = [sys.executable, "-m", "coldchain_kit", "assess", case.name]
        done = subprocess.run(call, cwd=case.parent, env={**plain, **around}, capture_output=True, check=False)
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


def test_a_coarser_stretch_that_nothing_states_is_unknown(tmp_path):
    # 5 min, then 10 min: bridged, a reading missing in each of its 81 steps, and none of its time known; the step of
    # 15 min is a gap of the first stretch, two readings of which are missing
    times = _minutes([5] * 40 + [15] + [5] * 40 + [10] * 81)
    found = _found(tmp_path, times)
    probe = found["probes"][0]
    assert [gap["minutes"] for gap in probe["gaps"]] == [15.0]
    assert probe["missing_readings"] == 2 + 81
    assert probe["unknown_minutes"] == 15.0 + 810.0
    assert "interval" in {fault["kind"] for fault in found["faults"]}


def test_two_stated_steps_are_both_complete(tmp_path):
    unit = "[units.U.logger]\ninterval_min = [5, 10]\n"
    found = _found(tmp_path, _minutes([5] * 40 + [10] * 40), unit=unit)
    probe = found["probes"][0]
    assert (probe["missing_readings"], probe["unknown_minutes"], probe["gaps"]) == (0, 0.0, [])
    assert "interval" not in {fault["kind"] for fault in found["faults"]}


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
    papers = {
        "stock.csv": "lot,product,quantity,moved_in,moved_out,earlier_out_hours\nL,Example,1,2026-03-01T20:00,,0\n",
        "allowances.csv": "lot,from_c,to_c,hours,counting,source\nL,8,25,4,total,letter\n",
    }
    window = "start = 2026-03-01T00:00:00\nend = 2026-03-01T20:02:00\n"
    found = _found(tmp_path, _minutes([10] * 99), case=window, papers=papers)
    lot = found["lots"][0]
    assert lot["allowances"][0]["used_most"] == pytest.approx(2 / 60)
    assert lot["needs_decision"]


def test_no_mkt_where_a_reading_in_the_file_lies_below_the_low_limit(tmp_path):
    # 1.9 as read, 2.1 corrected: an excursion below by the reading, so no mean hides it
    certificate = (
        '{ number = "C", date = 2026-01-05, expanded_uncertainty_c = 0.3, points = [[0.0, -0.2], [10.0, 9.8]] }'
    )
    unit = f'[units.U.probes.A]\nrole = "buffered"\ncertificate = {certificate}\n'
    found = _found(tmp_path, _minutes([10] * 60), lambda k: 1.9 if k == 30 else 5.0, unit=unit)
    assert [(row["direction"], row["basis"]) for row in found["excursions"]] == [("below", "as_read")]
    assert found["probes"][0]["mkt_c"] is None


@pytest.mark.parametrize(
    ("unit", "said"),
    [
        ('[units.U.logger]\nclock = "+25:00"\n', "clock is"),
        (
            "[units.U.probes.A]\n"
            'certificate = { number = "C", expanded_uncertainty_c = 0.3, points = [[0.0, 5.1], [5.0, 5.1]] }\n',
            "one reference",
        ),
    ],
)
def test_what_cannot_be_is_refused(tmp_path, unit, said):
    with pytest.raises(KitError, match=said):
        _found(tmp_path, _minutes([10] * 20), unit=unit)


def test_a_stated_start_cuts_the_stay_even_where_the_record_begins_just_then(tmp_path):
    papers = {"stock.csv": "lot,product,quantity,moved_in,moved_out\nL,Example,1,2026-02-20T08:00,\n"}
    window = "start = 2026-03-01T00:00:00\nend = 2026-03-02T00:00:00\n"
    unit = "[units.U.logger]\ninterval_min = 10\n"  # stated, so that nothing about the interval asks for a decision
    found = _found(tmp_path, _minutes([10] * 143), case=window, papers=papers, unit=unit)
    lot = found["lots"][0]
    assert (lot["stays"][0]["judged_from"], lot["needs_decision"]) == ("2026-03-01T00:00:00Z", False)
