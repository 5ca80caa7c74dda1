"""Times that cannot be (CONTRACTS rule 12), zones that are an offset's name, the end of a window in a repeated hour."""

from __future__ import annotations

import datetime as dt
import random

import pandas as pd
import pytest

from coldchain_kit import assessment, downloads, register
from coldchain_kit.base import zones
from coldchain_kit.records import freezing
from tests import sites
from tests.conftest import TRAPS

START = dt.datetime(2026, 3, 1)
HEAD = "time,kind,text\n"


def rows(count: int = 200, *, start: dt.datetime = START) -> list[tuple[str, float]]:
    return [((start + dt.timedelta(minutes=10 * k)).isoformat(), 5.0 + 0.1 * (k % 3)) for k in range(count)]


def found(folder, *, logbook: str = "", preamble: str = "", name: str = "a.csv", zone: str = "UTC", **more) -> dict:
    path = sites.series(folder, rows(), header=f"{preamble}time,A (°C)", name=name)
    papers = {"logbook.csv": HEAD + logbook} if logbook else {}
    return assessment.assess(sites.write(folder, [path], papers=papers, zone=zone, **more)).results


def clock(results: dict) -> list[dict]:
    return [row for row in results["faults"] if row["kind"] == "clock"]


@pytest.mark.parametrize("seed", range(10))
def test_every_reading_after_the_download_line_is_a_clock_fault(tmp_path, seed):
    rng = random.Random(seed)
    at = START + dt.timedelta(minutes=rng.randint(5, 2100))
    results = found(tmp_path, logbook=f"{at.isoformat()},download,read out\n")
    late = [time for time, _ in rows() if dt.datetime.fromisoformat(time) > at]
    assert [(row["readings"], row["probe"]) for row in clock(results)] == ([(len(late), None)] if late else [])
    if late:
        assert "line 2" in clock(results)[0]["text"]
        assert any("later than the last download" in why for why in results["believable"][0]["reasons"]), "on the first screen"
        assert (results["cause"]["cause"], results["believable"][0]["answer"]) == ("record_error", "usable with limits")


def test_a_download_line_that_names_the_file_is_its_download(tmp_path):
    early = (START + dt.timedelta(hours=10)).isoformat()
    late = (START + dt.timedelta(days=9)).isoformat()
    assert clock(found(tmp_path / "1", logbook=f"{early},download,read a.csv\n{late},download,read out\n"))
    assert not clock(found(tmp_path / "2", logbook=f"{early},download,read b.csv\n{late},download,read out\n"))
    assert not clock(found(tmp_path / "3", logbook=f"{early},download,read out\n{late},download,read out\n"))


@pytest.mark.parametrize(
    "said",
    ["Download date: 2026-03-01 20:00", "Exported;01.03.2026 20:00:00", "Report created on 2026-03-01T20:00", "Ausgelesen am 01.03.2026;20:00", "Exporté le 01/03/2026 20:00", "Read out: 2026-03-01 20:00:00Z"],
)
def test_a_file_with_readings_later_than_it_says_it_was_made(tmp_path, said):
    results = found(tmp_path, preamble=f"{said}\n\n")
    (row,) = clock(results)
    assert row["readings"] == sum(time > "2026-03-01T20:00:00" for time, _ in rows())
    assert "later than the file says it was made, 2026-03-01 20:00 +00:00" in row["text"]


@pytest.mark.parametrize("said", ["Download date: 2026-03-03 20:00", "Start time: 2026-03-01 00:00", "Downloaded by: M. Alder", "Created: yes", "Logging started: 2026-03-01 00:00:00", "Exported: 2026-03-02"])
def test_other_lines_of_the_preamble_are_no_statement_of_that_kind(tmp_path, said):
    assert clock(found(tmp_path, preamble=f"{said}\n\n")) == []


def test_the_files_own_time_is_the_loggers_or_the_sites_whichever_is_later(tmp_path):
    """Lisbon in summer, a clock that keeps winter time: readings until 12:00 UTC; "made 12:30" on either clock is later than that."""
    path = sites.series(tmp_path, rows(73, start=dt.datetime(2026, 7, 1)), header="Downloaded: 2026-07-01 12:30\ntime,A (°C)")
    (read,) = downloads.read(path)
    entry = register.load_site(sites.write(tmp_path, [path], unit='[units.U.logger]\nclock = "utc"\n', zone="Europe/Lisbon").parent / "site.toml").units["U"]
    placed = downloads.place(read, entry, zone="Europe/Lisbon")
    assert downloads.join(entry, [placed], zone="Europe/Lisbon").notices == ()


def test_the_trap_of_a_file_made_before_its_last_reading(tmp_path):
    results = assessment.assess(sites.write(tmp_path, [TRAPS / "downloads_later_than_made.csv"])).results
    assert [row["kind"] for row in results["faults"]] == ["clock"]


def test_later_than_the_freeze():
    results = {"sources": [{"file": "a.csv", "last": "2026-03-10T23:55:00Z"}, {"file": "b.csv", "last": None}, {"file": "c.csv", "last": "2026-03-09T09:00:00Z"}]}
    assert freezing.later_than_freeze(results, "2026-03-09T09:12:00Z").startswith("a.csv has readings until 2026-03-10T23:55:00Z, later than")
    assert freezing.later_than_freeze(results, "2026-03-10T23:55:00Z") == ""


def test_the_end_of_a_window_in_the_repeated_hour_is_its_second_pass(tmp_path):
    case = "start = 2026-10-25T01:30:00\nend = 2026-10-25T01:45:00\n"
    path = sites.write(tmp_path, [sites.series(tmp_path, rows(400, start=dt.datetime(2026, 10, 24)))], zone="Europe/Lisbon", case=case)
    loaded = register.load_case(path)
    assert (loaded.start, loaded.end) == (pd.Timestamp("2026-10-25T00:30Z"), pd.Timestamp("2026-10-25T01:45Z"))


@pytest.mark.parametrize(("zone", "likely"), [("EST", "America/New_York"), ("MST", "America/Denver"), ("HST", "Pacific/Honolulu"), ("Etc/GMT+5", "America/New_York"), ("Etc/GMT-1", "Europe/Berlin"), ("GMT", "Europe/London")])
def test_a_zone_that_is_an_offset_is_questioned_not_refused(tmp_path, zone, likely):
    results = found(tmp_path, zone=zone, unit='[units.U.logger]\nclock = "local"\n')
    assert results["clock"][0]["state"] == "not_verified"
    assert f"Did you mean {likely}?" in results["clock"][0]["text"]
    assert any(likely in why for why in results["believable"][0]["reasons"])


def test_no_place_is_questioned():
    places = [name for name in zones._names() if "/" in name and not name.startswith("Etc/")]
    assert len(places) > 300
    assert [name for name in [*places, "UTC", "Etc/UTC", "CET", "EST5EDT"] if zones.question(name)] == []
