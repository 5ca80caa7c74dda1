"""site.toml and case.toml: what is right is read, what is wrong is named with its line, all at once."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest

from coldchain_kit import assessment, register
from coldchain_kit.base import KitError, RegisterError, zones

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


# ---- the contract's own example, and what cannot be -------------------------------------------------------------


EXAMPLE = SITE.replace(
    'timezone = "Europe/Lisbon"',
    """timezone = "Europe/Lisbon"
checks_per_day = 1
open_days = ["Monday", "Friday"]
logbook = "logbook.csv"
language = "en"
product_time_constant_min = [3, 240]
product_time_constant_source = "Own trial, 2025"
[people.ma]
name = "M. Alder"
function = "vaccine lead"
role = "author"
[[notify]]
who = "Programme's office"
trigger = "any excursion"
hours = 24
source = "Local programme, 2026"
""",
).replace('role = "buffered"', 'role = "buffered"\ndrift_c_per_year = 0.1')


def test_the_site_keeps_what_it_states_of_itself(folder):
    (folder / "site.toml").write_text(EXAMPLE, "utf-8")
    site = register.load_site(folder / "site.toml")
    assert (site.checks_per_day, site.open_days, site.language, site.logbook) == (1, ("monday", "friday"), "en", folder / "logbook.csv")
    assert (site.product_time_constant_min, site.product_time_constant_source) == ((3.0, 240.0), "Own trial, 2025")
    assert site.people == {"ma": register.Person("ma", "M. Alder", "vaccine lead", "author")}
    assert site.notify == (register.Notify("Programme's office", "any excursion", 24, "Local programme, 2026"),)
    probe = site.units["F2"].probes["A"]
    assert (probe.drift_c_per_year, probe.certificates[0].drift_c_per_year) == (0.1, 0.1)


def test_the_case_keeps_beside_no_readings_and_earlier(folder):
    (folder / "site.toml").write_text(SITE + SITE.partition("[units.F2]")[2].join(["[units.F1]", ""]).replace("units.F2", "units.F1"), "utf-8")
    (folder / "old.json").write_text("{}", "utf-8")
    (folder / "case.toml").write_text(CASE + 'beside = ["F1"]\nno_readings = "logger dead"\nearlier = ["old.json"]\njoin_min = 60\n', "utf-8")
    case = register.load_case(folder / "case.toml")
    assert (case.beside, case.no_readings, case.join_min, case.earlier) == (("F1",), "logger dead", 60.0, (folder / "old.json",))


@pytest.mark.parametrize(("line", "said"), [('beside = ["F9"]', "unit 'F9' is not in the register"), ('beside = ["F2"]', "unit 'F2' stands in the case and beside it"), ("no_readings = true", "'case.no_readings' is 'True'"), ("join_min = inf", "'case.join_min' is 'inf'"), ("join_min = 1e12", "above zero and at most two years"), ("end = 2026-03-11", "'case.end' is '2026-03-11'. Expected the site's local time"), ("start = 0001-01-01T00:00:00", "'case.start' is '0001-01-01 00:00:00'")])
def test_what_a_case_cannot_say(folder, line, said):
    key = line.split(" ")[0]
    text = "".join(row for row in CASE.splitlines(keepends=True) if not row.startswith(f"{key} "))
    (folder / "case.toml").write_text(text + line + "\n", "utf-8")
    with pytest.raises(RegisterError) as caught:
        register.load_case(folder / "case.toml")
    assert said in str(caught.value) and "case.toml line" in str(caught.value)


FIGURES = ["inf", "-inf", "nan", "-1", "1e300", "0x" + "f" * 5000, "2026-03-01", "2026-03-01T08:00:00", "2026-03-01T08:00:00Z", "08:00:00", "true", '"x"', "[1]", "{ a = 1 }", "9" * 5000]
KEYS = [
    "low_f", "high_f", "set_on", "clock_checks", "alarm", "from", "certificate", "role", "kind", "readings", "clock", "source", "condition",
    "alarm = { delay_min", "alarm = { low_c", "certificate = { date", "certificate = { due", "certificate = { expanded_uncertainty_c", "certificate = { coverage", "certificate = { drift_c_per_year",
]  # fmt: skip
MORE = ["checks_per_day", "open_days", "product_time_constant_min", "logbook", "language"]
OF_LOGGER = ["interval_min", "memory_readings", "backup_hours", "events_kept", "range_c", "temperature_unit", "date_order", "serial"]
OF_PROBE = ["time_constant_min", "resolution_c", "span_c", "decides", "drift_c_per_year", "certificates", "place", "column", "logger"]


@pytest.mark.parametrize("value", FIGURES, ids=[value[:20] for value in FIGURES])
def test_whatever_stands_in_the_register_is_read_or_one_plain_error(folder, value):
    """Each key with each kind of value: never another exception, in the register or in what is computed from it."""
    download = "".join(f"2026-03-0{1 + k // 24}T{k % 24:02d}:00:00,{5.0 + 0.1 * (k % 3):.1f},5.0\n" for k in range(72))
    (folder / "F2" / "a.csv").write_text("time,A,B\n" + download, "utf-8")
    tries = [(key, key) for key in KEYS] + [(key, "[site]\n") for key in MORE] + [(key, "[units.F2.logger]\n") for key in OF_LOGGER] + [(key, "[units.F2.probes.A]\n") for key in OF_PROBE]
    for key, place in tries:
        line = f"{key} = {value}{' }' if '{' in key else ''}\n"
        if place == key:
            start = key.split(" ")[0] + " ="
            text = "".join(line if row.startswith(start) else row for row in SITE.splitlines(keepends=True))
        else:
            text = SITE.replace(place, place + line)
        assert line in text, key
        (folder / "site.toml").write_text(text, "utf-8")
        try:
            assessment.assess(folder / "case.toml")
        except KitError as error:
            assert str(error) and "\n\n" not in str(error), key


def test_deep_nesting_is_a_plain_error(folder):
    (folder / "site.toml").write_text("a = " + "[" * 100_000, "utf-8")
    with pytest.raises(RegisterError, match="not valid TOML"):
        register.load_site(folder / "site.toml")


def test_one_unit_at_fault_is_left_out_where_the_others_are_wanted(folder):
    second = SITE.partition("[units.F2]")[2].join(["[units.F1]", ""]).replace("units.F2", "units.F1").replace('role = "buffered"', 'role = "bufferd"')
    (folder / "site.toml").write_text(SITE + second, "utf-8")
    with pytest.raises(RegisterError, match="bufferd"):
        register.load_site(folder / "site.toml")
    site = register.load_site(folder / "site.toml", keep_going=True)
    assert (list(site.units), list(site.broken)) == (["F2"], ["F1"])
    with pytest.raises(RegisterError, match=r"site\.toml line \d+: 'units\.F1\.probes\.A\.role' is 'bufferd'"):
        site.unit("F1")


# ---- logbooks of several units ------------------------------------------------------------------------------------

BOOK = "time,kind,text,unit\n2026-03-02T08:00,door,open,F2\n2026-03-02T09:00,door,open,{}\n"


def _two_units(folder, site: str = SITE):
    (folder / "site.toml").write_text(site + SITE.partition("[units.F2]")[2].join(["[units.F1]", ""]).replace("units.F2", "units.F1"), "utf-8")


def test_a_line_without_a_unit_in_a_case_with_several_is_refused_with_its_line(folder):
    _two_units(folder)
    (folder / "logbook.csv").write_text(BOOK.format(""), "utf-8")
    (folder / "case.toml").write_text(CASE.replace('unit = "F2"', 'units = ["F2", "F1"]') + '[inputs]\nlogbook = "logbook.csv"\nreadings = { F2 = ["F2/*.csv"], F1 = ["F2/*.csv"] }\n', "utf-8")
    case = register.load_case(folder / "case.toml")
    with pytest.raises(RegisterError, match=r"logbook\.csv line 3: column 'unit' is empty\. Expected one of F2, F1\. The case has several units"):
        register.logbook.read(case.logbook, site=case.site, units=case.units)
    assert len(register.logbook.read(case.logbook, site=case.site, units=["F2"])) == 2


@pytest.mark.parametrize(("unit", "kept"), [("F1", 1), ("", None)])
def test_the_sites_logbook_is_used_where_the_case_names_none(folder, unit, kept):
    _two_units(folder, SITE.replace("[site]\n", '[site]\nlogbook = "logbook.csv"\n'))
    (folder / "logbook.csv").write_text(BOOK.format(unit), "utf-8")
    case = register.load_case(folder / "case.toml")
    assert case.logbook == folder / "logbook.csv"
    if kept is None:
        with pytest.raises(RegisterError, match=r"line 3: column 'unit' is empty.*The site's logbook is for all its units"):
            register.logbook.read(case.logbook, site=case.site, units=case.units)
    else:
        assert [entry.unit for entry in register.logbook.read(case.logbook, site=case.site, units=case.units)] == ["F2"]


def test_a_sites_logbook_that_is_not_there_is_named(folder):
    (folder / "site.toml").write_text(SITE.replace("[site]\n", '[site]\nlogbook = "none.csv"\n'), "utf-8")
    with pytest.raises(RegisterError, match=r"site\.toml line 2: there is no file 'none\.csv'"):
        register.load_case(folder / "case.toml")


@pytest.mark.parametrize("interval", ["1e-9", "0.001", "1e9", "[5, 1e-9]", "inf", "nan", "0", "-5"])
def test_an_interval_that_no_logger_has_is_one_plain_error(tmp_path, interval, capsys):
    """1e-9 min ended in a traceback out of memory."""
    from coldchain_kit import cli
    from tests import sites

    rows = [(f"2026-03-01T{k // 12:02d}:{5 * (k % 12):02d}:00", 5.0) for k in range(288)]
    case = sites.write(tmp_path, [sites.series(tmp_path, rows)], unit=f"[units.U.logger]\ninterval_min = {interval}\n")
    assert cli.main(["assess", str(case)]) == 2
    told = capsys.readouterr().err
    assert "interval_min" in told and "site.toml line" in told and "Traceback" not in told


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ("coverage = 1000", "a coverage factor k from 1 to 14"), ("coverage = 0.5", "a coverage factor k from 1 to 14"), ("points = [[5.0, 5.0], [5.0, 9.0]]", "rise with the indicated"),
        ("points = [[0.0, 5.0], [5.0, 0.0]]", "rise with the indicated"), ("points = [[0.0, 0.1], [8.0, 5.0], [5.0, 8.0]]", "rise with the indicated"),
    ],
)  # fmt: skip
def test_a_certificate_that_cannot_be_is_one_plain_error(tmp_path, given, told):
    (tmp_path / "site.toml").write_text(f'[site]\nname = "S"\ntimezone = "UTC"\n[units.U]\nkind = "refrigerator"\n[units.U.probes.A]\ncertificate = {{ expanded_uncertainty_c = 0.3, {given} }}\n', "utf-8")
    with pytest.raises(RegisterError, match=told):
        register.load_site(tmp_path / "site.toml")


@pytest.mark.parametrize("given", ["coverage = 1", "coverage = 13.97", "points = [[0.0, 0.1], [5.0, 5.2], [25.0, 24.8]]", "points = [[5.0, 5.1], [5.0, 5.3]]", "points = [[5.0, 5.2], [0.0, 0.1]]"])
def test_certificates_as_laboratories_write_them_are_read(tmp_path, given):
    (tmp_path / "site.toml").write_text(f'[site]\nname = "S"\ntimezone = "UTC"\n[units.U]\nkind = "refrigerator"\n[units.U.probes.A]\ncertificate = {{ expanded_uncertainty_c = 0.3, {given} }}\n', "utf-8")
    assert register.load_site(tmp_path / "site.toml").units["U"].probes["A"].certificates
