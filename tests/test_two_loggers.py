"""A unit with two loggers: each has its own clock, settings, alarm, serial and downloads, and what is said of one is not said of the other."""

from __future__ import annotations

import datetime as dt

import pytest

from coldchain_kit import assessment, register
from coldchain_kit.base import RegisterError
from coldchain_kit.show import tables
from tests import sites

UNIT = """readings = ["U/*.csv"]
[units.U.loggers.top]
serial = "T-1"
clock = "utc"
interval_min = 5
range_c = [-40.0, 20.0]
alarm = { enabled = true, low_c = 2.0, high_c = 8.0, delay_min = 0 }
[units.U.loggers.low]
serial = "L-1"
clock = "+01:00"
clock_checks = [[2026-06-03T12:00:00, 2026-06-03T11:10:00]]
interval_min = [10, 30]
alarm = { enabled = false }
[[units.U.settings]]
logger = "low"
from = 2026-06-02T00:00:00
alarm = { enabled = true, high_c = 8.0, delay_min = 0 }
[units.U.probes.A]
role = "buffered"
logger = "top"
[units.U.probes.B]
role = "buffered"
logger = "low"
"""
SITE = '[site]\nname = "Test site"\ntimezone = "Europe/Lisbon"\n[units.U]\nkind = "refrigerator"\n'
CASE = '[case]\nid = "T-1"\ntitle = "Test case"\nunit = "U"\nsite = "site.toml"\n'


def rows(hot: range, *, count: int = 288, step: int = 5) -> list[tuple[str, float]]:
    start = dt.datetime(2026, 6, 2)
    return [((start + dt.timedelta(minutes=step * k)).isoformat(), 9.0 if k in hot else 5.0 + 0.1 * (k % 3)) for k in range(count)]


def write(folder, *, unit: str = UNIT, serials: bool = True, headers: tuple[str, str] = ("A", "B")):
    names = ("T-1", "L-1") if serials else ("", "")
    for name, serial, header, one in (("t.csv", names[0], headers[0], rows(range(100, 110))), ("l.csv", names[1], headers[1], rows(range(50, 60), count=144, step=10))):
        sites.series(folder, one, name=name, header=(f"Serial number: {serial}\n\n" if serial else "") + f"time,{header}")
    (folder / "site.toml").write_text(SITE + unit, "utf-8")
    (folder / "case.toml").write_text(CASE, "utf-8")
    return folder / "case.toml"


def test_each_logger_has_its_own_clock_alarm_and_settings(tmp_path):
    done = assessment.assess(write(tmp_path))
    results = done.results
    by_probe = {row["probe"]: row for row in results["excursions"]}
    assert by_probe["A"]["first_out"] == "2026-06-02T08:20:00Z"  # UTC as shown
    assert by_probe["B"]["first_out"] == "2026-06-02T08:10:00Z"  # 08:20 at +01:00 is 07:20 UTC, and the check says 50 min slow
    assert {probe: row["logger_alarm"] for probe, row in by_probe.items()} == {"A": "yes", "B": "yes"}
    assert results["clock"][0]["state"] == "declared"
    assert "Logger top: The register says that the clock shows UTC." in results["clock"][0]["text"]
    assert "Logger low: The register says that the clock runs at +01:00 from UTC." in results["clock"][0]["text"]
    assert [row["finding"] for row in results["alarms"] if row["finding"] == "alarm_off"] == [], "off before the settings of 2 June only"
    assert {row["file"] for row in results["sources"]} == {"U/t.csv", "U/l.csv"}
    assert all(trace.sources[int(trace.readings["source"].iat[0])].file == {"A": "U/t.csv", "B": "U/l.csv"}[name] for name, trace in done.units["U"].traces.items())
    titles = [table.caption for table in tables.devices(done)]
    assert [title for title in titles if title.startswith("Logger ")] == ["Logger top of unit U, from the register", "Logger low of unit U, from the register"]


def test_an_alarm_that_was_off_is_that_loggers_alone(tmp_path):
    off = UNIT.replace('[[units.U.settings]]\nlogger = "low"\nfrom = 2026-06-02T00:00:00\nalarm = { enabled = true, high_c = 8.0, delay_min = 0 }\n', "")
    results = assessment.assess(write(tmp_path, unit=off)).results
    assert {row["probe"]: row["logger_alarm"] for row in results["excursions"]} == {"A": "yes", "B": "no"}
    (row,) = [row for row in results["alarms"] if row["finding"] == "alarm_off"]
    assert row["text"].startswith("Logger low: ")


def test_a_clock_to_correct_names_its_logger(tmp_path):
    spring = UNIT.replace('clock = "utc"', 'clock = "local"').replace("readings", "readings")
    path = write(tmp_path, unit=spring)
    times = [(dt.datetime(2026, 3, 28, 20) + dt.timedelta(minutes=5 * k)).isoformat() for k in range(288)]  # over the hour left out in Lisbon
    sites.series(tmp_path, [(time, 5.0 + 0.1 * (k % 3)) for k, time in enumerate(times)], name="t.csv", header="Serial number: T-1\n\ntime,A")
    texts = [row["text"] for row in assessment.assess(path).results["faults"] if "Correct the clock" in row["text"]]
    assert texts and all("Correct the clock of logger top in the register" in text for text in texts)


@pytest.mark.parametrize(
    ("unit", "serials", "headers"),
    [
        (UNIT, True, ("A", "B")),  # by serial
        (UNIT, False, ("A", "B")),  # by column
        (UNIT.replace('readings = ["U/*.csv"]\n', "").replace('serial = "T-1"', 'readings = ["U/t.csv"]').replace('serial = "L-1"', 'readings = ["U/l*.csv"]'), True, ("A", "B")),
        (UNIT.replace('logger = "top"', 'column = "Temp"\nlogger = "top"').replace('role = "buffered"\nlogger = "low"', 'role = "buffered"\ncolumn = "Temp"\nlogger = "low"'), True, ("Temp", "Temp")),
    ],
    ids=["serial", "column", "globs", "same column, serial"],
)
def test_a_download_is_its_loggers_by_pattern_serial_or_column(tmp_path, unit, serials, headers):
    results = assessment.assess(write(tmp_path, unit=unit, serials=serials, headers=headers)).results
    assert {row["probe"]: row["readings"] for row in results["probes"]} == {"A": 288, "B": 144}


def test_a_download_of_neither_is_refused(tmp_path):
    unit = UNIT.replace('logger = "top"', 'column = "Temp"\nlogger = "top"').replace('role = "buffered"\nlogger = "low"', 'role = "buffered"\ncolumn = "Temp"\nlogger = "low"')
    with pytest.raises(RegisterError, match="nothing says which logger of unit U l.csv is from"):
        assessment.assess(write(tmp_path, unit=unit, serials=False, headers=("Temp", "Temp")))


WRONG = [
    (('logger = "low"\nfrom', "from"), r"settings of unit 'U' do not say which logger is meant\. Expected one of top, low\. Add logger"),
    (('role = "buffered"\nlogger = "low"', 'role = "buffered"'), r"probe 'B' of unit 'U' do not say which logger is meant"),
    (('logger = "low"\nfrom', 'logger = "lwo"\nfrom'), r"settings of unit 'U' name logger 'lwo'.*Did you mean 'low'\?"),
    (("[units.U.loggers.top]", "[units.U.logger]\n[units.U.loggers.top]"), r"both \[units\.U\.logger\] and \[units\.U\.loggers\]"),
    (('clock = "+01:00"', 'clock = "summer"'), r"site\.toml line 1\d: clock is 'summer'"),
    (("interval_min = [10, 30]", "interval_min = [10, -30]"), r"'units\.U\.loggers\.low\.interval_min' is a list\. Expected a number above zero, or a list"),
]


@pytest.mark.parametrize(("change", "said"), WRONG, ids=[row[1][:40] for row in WRONG])
def test_what_the_register_must_say_of_two_loggers(tmp_path, change, said):
    assert change[0] in UNIT
    with pytest.raises(RegisterError, match=said):
        register.load_case(write(tmp_path, unit=UNIT.replace(*change)))


def test_a_logger_named_where_there_is_none(tmp_path):
    with pytest.raises(RegisterError, match=r"probe 'A' names logger 'x', but unit 'U' has no \[units\.U\.loggers\.x\]"):
        register.load_case(write(tmp_path, unit='readings = ["U/*.csv"]\n[units.U.probes.A]\nlogger = "x"\n'))


@pytest.mark.parametrize("dead", ["A", "B"])
@pytest.mark.parametrize("outside", [False, True])
def test_a_dead_logger_beside_one_that_speaks_is_unknown_and_never_leaves_the_case_unheard(tmp_path, dead, outside):
    """With ``no_readings`` said, the other logger's readings count, the dead one's probe covers nothing, and each lot needs a decision."""
    alive = {"A": "B", "B": "A"}[dead]
    (tmp_path / "U").mkdir()
    values = [9.5 if outside and 20 <= k < 30 else 5.0 + 0.1 * (k % 3) for k in range(200)]
    (tmp_path / "U" / f"{alive}.csv").write_text(f"time,{alive} (°C)\n" + "".join(f"2026-03-0{1 + k // 144}T{k % 144 // 6:02d}:{10 * (k % 6):02d},{value}\n" for k, value in enumerate(values)))
    unit = "".join(f'[units.U.loggers.{name}]\ninterval_min = 10\nserial = "{name}"\n[units.U.probes.{name}]\nlogger = "{name}"\nrole = "buffered"\n' for name in "AB")
    papers = {"stock.csv": "lot,product,quantity,moved_in,moved_out,earlier_out_hours\nL1,Vaccine,10,2026-03-01T00:00,,0\n"}
    path = sites.write(tmp_path, [tmp_path / "U" / f"{alive}.csv"], unit=unit, case='no_readings = "one logger is dead"', papers=papers)
    found = assessment.assess(path).results
    shares = {row["probe"]: row["covered_share"] for row in found["probes"]}
    assert shares == {dead: 0.0, alive: 1.0}
    assert [row["probe"] for row in found["excursions"]] == [alive] * outside
    assert found["cause"]["cause"] != "none"
    assert any(f"Probe {dead} of U decides and has no reading" in text for text in found["lots"][0]["why"])
