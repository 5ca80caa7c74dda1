"""The comparison sees nothing between the oracle and itself, and sees what is changed; so does the law."""

from __future__ import annotations

import copy

import pytest

from tests import compared, laws, oracle, random_sites, reread
from tests.as_results import as_results


def _site(seed: int, folder):
    """The case and the oracle's figures; None where its window is refused or its downloads interleave."""
    _, case = random_sites.make(seed, folder)
    try:
        mine = oracle.assess(case)
    except oracle.Refused:
        return None
    return None if compared.compared_overlaps.met(case) else (case, mine)


def test_the_oracle_agrees_with_itself(tmp_path):
    seen = {"display": 0, "bound": 0, "interval": 0}
    for seed in range(60):
        site = _site(seed, tmp_path / str(seed))
        if site is None:
            continue
        case, mine = site
        theirs = as_results(mine)
        found = [one for one in compared.compare(mine, theirs, case) if not one.startswith("cause: oracle")]
        assert (seed, found) == (seed, [])
        seen["display"] += len(mine["displays"])
        seen["bound"] += sum(row["extreme_bound"] for row in mine["excursions"])
        seen["interval"] += sum(kind == "interval" for _, kind in mine["faults"])
    assert min(seen.values()) > 0  # the sites hold what the edition changed


def _changes(theirs: dict) -> list[tuple[str, dict]]:
    """Results that are wrong in one place each."""
    found = []

    def wrong(name: str, where: str, change) -> None:
        if theirs[where]:
            other = copy.deepcopy(theirs)
            change(other[where][0])
            found.append((name, other))

    wrong("covered", "probes", lambda row: row.update(covered_share=row["covered_share"] + 0.1))
    wrong("unknown", "probes", lambda row: row.update(unknown_minutes=row.get("unknown_minutes", 0.0) + 5))
    wrong("least", "excursions", lambda row: row.update(minutes_least=row["minutes_least"] + 5))
    wrong("interval", "sources", lambda row: row.update(interval_min=17.0))
    wrong("decision", "lots", lambda row: row.update(needs_decision=not row["needs_decision"]))
    wrong("episodes", "episodes", lambda row: row.update(excursions=[]))
    return found


@pytest.mark.parametrize("name", ["covered", "unknown", "least", "interval", "decision", "episodes"])
def test_what_is_wrong_is_seen(tmp_path, name):
    caught = 0
    for seed in range(12):
        site = _site(seed, tmp_path / str(seed))
        if site is None:
            continue
        case, mine = site
        plain = compared.compare(mine, as_results(mine), case)
        for one, theirs in _changes(as_results(mine)):
            caught += one == name and len(compared.compare(mine, theirs, case)) > len(plain)
    assert caught > 0


def test_the_oracle_keeps_the_law(tmp_path):
    for seed in (0, 7, 13):
        path, case = random_sites.make(seed, tmp_path / str(seed) / "site")
        breaches = laws.check(
            path, tmp_path / str(seed) / "work", reread.reader(case), seed=seed, refused=(oracle.Refused,)
        )
        # that a thinned record with nothing stated still asks for a decision is the law's, not a rule's
        assert [one for one in breaches if not one.startswith("nothing stated")] == []


def test_files_read_again_give_the_same(tmp_path):
    for seed in range(30):
        path, case = random_sites.make(seed, tmp_path / str(seed))
        try:
            wanted = reread.results(oracle.assess(case))
        except oracle.Refused:
            continue
        assert str(reread.reader(case)(path)) == str(wanted)


# --- the law's own parts ------------------------------------------------------------------------------------

LINES = [
    "Serial,X",
    "time,A (°C)",
    "2026-03-01T00:20:00,5.2",
    "??,5.0",
    "2026-03-01T00:10:00,---",
    "2026-03-01T00:00:00,5.0",
]


def _download(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("\n".join(LINES) + "\n", "utf-8")
    return laws.read(path)


def test_a_download_newest_first_is_taken_in_the_order_of_time(tmp_path):
    download = _download(tmp_path)
    assert [download.time(row)[11:16] for row in download.rows] == ["00:00", "00:10", "00:20"]


def test_rows_are_taken_out_replaced_and_held(tmp_path):
    download = _download(tmp_path)
    assert "2026-03-01T00:10:00,---" not in laws.without(download, {"2026-03-01T00:10:00"}).lines
    said = laws.with_text(download, {"2026-03-01T00:10:00", "2026-03-01T00:20:00"}, "HI").lines
    assert (said[2], said[4]) == ("2026-03-01T00:20:00,HI", "2026-03-01T00:10:00,---")  # what had no number gets none
    still = laws.held(download, "2026-03-01T00:00:00").lines
    assert (still[2], still[4]) == ("2026-03-01T00:20:00,5.0", "2026-03-01T00:10:00,---")


def test_what_a_bridged_step_lets_go():
    times = [f"2026-03-01T{k // 6:02d}:{k % 6}0:00" for k in range(60)]
    # one lost of 10 minutes: a step of 20, bridged; two in a row: 30, a gap; every second of 40: 20 steps
    # of 20, a stretch
    assert laws.bridged_min(times, {times[5]}, 10.0) == 20.0
    assert laws.bridged_min(times, {times[5], times[6]}, 10.0) == 0.0
    assert laws.bridged_min(times, {times[k] for k in range(1, 40, 2)}, 10.0) == 0.0


def _result(share, most, unknown, asks, cause):
    outside = {"above": {"minutes_most": most}, "below": {"minutes_most": 0.0}}
    probe = {"unit": "U", "probe": "A", "covered_share": share, "unknown_minutes": unknown, "outside": outside}
    return {
        "probes": [probe],
        "lots": [{"lot": "L", "needs_decision": asks, "why": ["gap"]}],
        "cause": {"cause": cause},
    }


def test_each_clause_is_heard():
    before = _result(0.9, 60.0, 10.0, True, "power_loss")
    for after, said in (
        (_result(0.95, 60.0, 10.0, True, "power_loss"), "covered_share"),
        (_result(0.9, 30.0, 10.0, True, "power_loss"), "minutes_most"),
        (_result(0.9, 60.0, 10.0, False, "power_loss"), "needs_decision"),
        (_result(0.9, 60.0, 10.0, True, "none"), "cause"),
    ):
        found = laws.breaches(before, after)
        assert len(found) == 1
        assert said in found[0]
    assert laws.breaches(before, _result(0.5, 0.0, 70.0, True, "undetermined")) == []
    assert laws.breaches(before, _result(0.9, 30.0, 10.0, True, "power_loss"), forgiven_min=30.0) == []


def test_the_register_is_made_to_state_an_interval(tmp_path):
    (tmp_path / "site.toml").write_text(
        '[units.U]\nreadings = []\n[units.U.logger]\ninterval_min = [5, 10]\nclock = "utc"\n'
        '[[units.U.settings]]\nfrom = 2026-03-01T00:00:00\ninterval_min = 10\n[units.U.probes.A]\nrole = "air"\n',
        "utf-8",
    )
    laws.states(tmp_path, {"units.U.logger": 5.0})
    text = (tmp_path / "site.toml").read_text("utf-8")
    assert text.count("interval_min = 5\n") == text.count("interval_min") == 1
    assert ("settings" in text, "[units.U.probes.A]" in text) == (False, True)
