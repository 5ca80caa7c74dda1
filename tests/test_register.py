"""site.toml and case.toml: what is right is read, what is wrong is named with its line, all at once."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest

from coldchain_kit import assessment, register
from coldchain_kit.base import RegisterError, zones

SITE = """[site]
name = "Tern Bay Health Centre"
timezone = "Europe/Lisbon"

[conditions.local_fridge]
low_f = 36.0
high_f = 46.0
source = "Local programme, 2026 edition"

[units.F2]
kind = "refrigerator"
condition = "refrigerated"
readings = ["F2/*.csv"]

[units.F2.logger]
clock = "as_set"
set_on = 2026-07-01
clock_checks = [[2026-03-09T08:41:00, 2026-03-09T08:44:00]]
alarm = { enabled = true, low_f = 36.0, high_c = 8.0 }

[[units.F2.settings]]
from = 2026-02-01T12:00:00
alarm = { enabled = false }

[units.F2.probes.A]
role = "buffered"
certificate = { number = "C1", date = 2026-02-10, due = 2028-02-10, expanded_uncertainty_c = 0.3, points = [[0.0, 0.1], [5.0, 5.2]] }

[units.F2.probes.B]
role = "air"
"""

CASE = """[case]
id = "2026-014"
title = "F2 above 8 °C"
unit = "F2"
site = "site.toml"
start = 2026-03-01T00:00:00
end = 2026-03-11T00:00:00
"""


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "F2").mkdir()
    (tmp_path / "F2" / "a.csv").write_text("time,A\n")
    (tmp_path / "site.toml").write_text(SITE, "utf-8")
    (tmp_path / "case.toml").write_text(CASE, "utf-8")
    return tmp_path


def test_a_whole_register_is_read(folder):
    case = register.load_case(folder / "case.toml")
    entry = case.site.units["F2"]
    assert entry.logger.alarm == register.Alarm(True, round((36 - 32) / 1.8, 6), 8.0, None)
    (since, changed), *more = entry.settings
    assert (since, changed.alarm.enabled, more) == (dt.datetime(2026, 2, 1, 12), False, [])
    assert changed.alarm.high_c == 8.0, "a dated setting keeps what it does not change"
    assert [row.probe.decides for row in entry.probes.values()] == [True, False], "air only where the unit has no buffered probe"
    assert entry.probes["A"].certificates[0].points == ((0.0, 0.1), (5.0, 5.2))
    assert case.start == pd.Timestamp("2026-03-01T00:00Z")
    assert [path.name for path in case.readings["F2"]] == ["a.csv"]


def test_what_is_not_given_is_not_known(folder):
    entry = register.load_case(folder / "case.toml").site.units["F2"]
    assert entry.logger.interval_min == ()
    assert entry.probes["B"].certificates == ()
    assert entry.probes["B"].probe.time_constant_min is None


WRONG = [
    ("timezone = ", 'timezone = "Europe/Lisboa"', r"site\.toml line 3: the zone 'Europe/Lisboa' is not known.*Did you mean 'Europe/Lisbon'\?"),
    ("kind = ", 'kind = "fridge"', r"site\.toml line 11: 'units\.F2\.kind' is 'fridge'\. Expected one of refrigerator"),
    ("condition = ", 'condition = "refigerated"', r"site\.toml line 12: storage condition 'refigerated'.*Did you mean 'refrigerated'\?"),
    ("readings = ", 'reading = ["F2/*.csv"]', r"site\.toml line 13: unknown key 'units\.F2\.reading'.*Did you mean 'readings'\?"),
    ("clock = ", 'clock = "summer"', r"site\.toml line 16: clock is 'summer'\. Expected local, as_set"),
    ("low_f = ", "low_c = 2.0", r"condition 'local_fridge' mixes degC and degF"),
    ("set_on = ", "", r"site\.toml line 16: clock is 'as_set' and the day it was set is not given"),
    ("role = ", 'role = "bufferd"', r"line 26: 'units\.F2\.probes\.A\.role' is 'bufferd'"),
    ("name = ", "name = ", r"site\.toml line 2: not valid TOML"),
]


@pytest.mark.parametrize(("start", "line", "message"), WRONG, ids=[row[1] for row in WRONG])
def test_each_fault_is_named_with_its_line(folder, start, line, message):
    rows = SITE.splitlines()
    at = next(k for k, row in enumerate(rows) if row.startswith(start))
    rows[at] = line
    (folder / "site.toml").write_text("\n".join(rows), "utf-8")
    with pytest.raises(RegisterError, match=message):
        register.load_site(folder / "site.toml")


def test_all_faults_come_at_once(folder):
    text = SITE.replace('"buffered"', '"x"').replace('"refrigerator"', '"y"').replace("[site]", "[site]\ncolour = 1")
    (folder / "site.toml").write_text(text, "utf-8")
    with pytest.raises(RegisterError) as caught:
        register.load_site(folder / "site.toml")
    assert len(caught.value.faults) == 3


CASES_WRONG = [
    ("unit = ", 'unit = "F3"', r"case\.toml line 4: unit 'F3' is not in the register"),
    ("id = ", 'id = "../x"', r"case id '\.\./x'"),
    ("id = ", f'id = "{"x" * 300}"', r"at most 64"),
    ("end = ", "end = 2026-02-01T00:00:00", r"the window ends before it starts"),
    ("unit = ", 'unit = "F2"\nunits = ["F2"]', r"both 'unit' and 'units' are given"),
    ("start = ", 'start = "2026-03-01"', r"'case\.start'.*Expected the site's local time"),
    ("site = ", 'site = "sit.toml"', r"there is no site file 'sit\.toml'"),
]


@pytest.mark.parametrize(("start", "line", "message"), CASES_WRONG, ids=[row[1][:20] for row in CASES_WRONG])
def test_each_fault_of_a_case_is_named(folder, start, line, message):
    rows = [line if row.startswith(start) else row for row in CASE.splitlines()]
    (folder / "case.toml").write_text("\n".join(rows), "utf-8")
    with pytest.raises(RegisterError, match=message):
        register.load_case(folder / "case.toml")


def test_a_paper_that_is_not_there_is_named(folder):
    (folder / "case.toml").write_text(CASE + '[inputs]\nstock = "stok.csv"\n', "utf-8")
    with pytest.raises(RegisterError, match=r"case\.toml line 9: there is no file 'stok\.csv'"):
        register.load_case(folder / "case.toml")


def test_a_pattern_that_finds_nothing_is_named(folder):
    (folder / "site.toml").write_text(SITE.replace("F2/*.csv", "F2/*.txt"), "utf-8")
    with pytest.raises(RegisterError, match=r"site\.toml line 13: no file matches 'F2/\*\.txt'"):
        register.load_case(folder / "case.toml")


def test_several_units_need_their_readings_named_apart(folder):
    (folder / "site.toml").write_text(SITE + '\n[units.F3]\nkind = "refrigerator"\nreadings = ["F2/*.csv"]\n', "utf-8")
    text = CASE.replace('unit = "F2"', 'units = ["F2", "F3"]')
    (folder / "case.toml").write_text(text + '[inputs]\nreadings = ["F2/a.csv"]\n', "utf-8")
    with pytest.raises(RegisterError, match="one list of readings for several units"):
        register.load_case(folder / "case.toml")
    (folder / "case.toml").write_text(text + '[inputs]\nreadings = { F2 = ["F2/a.csv"], F3 = ["F2/a.csv"] }\n', "utf-8")
    assert set(register.load_case(folder / "case.toml").readings) == {"F2", "F3"}


@pytest.mark.parametrize("name", ["tzdata.zi", "zone.tab", "../../etc/passwd", "/etc/localtime", "Europe", ""])
def test_what_lies_beside_the_zones_is_no_zone(folder, name):
    path = folder / "site.toml"
    path.write_text(SITE.replace('"Europe/Lisbon"', f'"{name}"'), "utf-8")
    with pytest.raises(RegisterError, match=r"site\.toml line \d+: .*(zone|timezone)"):
        register.load_site(path)


def test_local_times_rest_on_the_installed_database(folder, monkeypatch):
    site, tokyo = register.load_site(folder / "site.toml"), zones.database("Asia/Tokyo")
    assert site.instant(dt.datetime(2026, 7, 1, 9)) == pd.Timestamp("2026-07-01T08:00Z")
    monkeypatch.setattr(zones, "database", lambda zone: tokyo)  # a zone looked up elsewhere by its name would not notice
    assert site.instant(dt.datetime(2026, 7, 1, 9)) == pd.Timestamp("2026-07-01T00:00Z")


@pytest.mark.parametrize(("limits", "told"), [
    ('title = "x"', "has no limit"), ("low_c = 8.0\nhigh_c = 2.0", "low limit at or above"), ("low_f = 46.0\nhigh_f = 46.0", "low limit at or above"),
    ("low_c = 2.0\nhigh_f = 46.0", "mixes degC and degF"),
])  # fmt: skip
def test_a_condition_that_cannot_be_broken_or_kept_is_refused(folder, limits, told):
    path = folder / "site.toml"
    path.write_text(f"{SITE}\n[conditions.own]\n{limits}\n", "utf-8")
    with pytest.raises(RegisterError, match=rf"site\.toml line \d+: condition 'own' .*{told}|site\.toml line \d+: condition 'own' {told}"):
        register.load_site(path)


@pytest.mark.parametrize("key", ["readings", "attachments", "earlier"])
@pytest.mark.parametrize("pattern", [".", "..", "a**b", "/", "x" * 300, "a\\u0000b", "~/x"])
def test_what_can_name_no_file_is_one_plain_error(folder, key, pattern):
    path = folder / "case.toml"
    path.write_text(f'[case]\nid = "c"\ntitle = "t"\nunit = "F2"\nsite = "site.toml"\n[inputs]\n{key} = ["{pattern}"]\n', "utf-8")
    with pytest.raises(RegisterError, match=r"case\.toml line \d+: "):
        register.load_case(path)


@pytest.mark.parametrize(("more", "found"), [
    ("", None), ('[units.R1]\nkind = "room"\ncondition = "room"\nreadings = ["R1/*.csv"]', "R1"), ('[units.R1]\nkind = "room"\ncondition = "room"', None),
    ('[units.R1]\nkind = "room"\ncondition = "room"\nreadings = ["a"]\n[units.R2]\nkind = "room"\ncondition = "room"\nreadings = ["a"]', None),
])  # fmt: skip
def test_the_room_of_a_case_is_the_sites_only_one_with_readings(folder, more, found):
    (folder / "site.toml").write_text(f"{SITE}\n{more}\n", "utf-8")
    assert assessment.room_unit(register.load_case(folder / "case.toml")) == found
