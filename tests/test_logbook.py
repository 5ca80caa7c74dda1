"""logbook.csv: kinds, times, displayed minimum and maximum."""

from __future__ import annotations

import pandas as pd
import pytest

from coldchain_kit import register
from coldchain_kit.base import RegisterError
from coldchain_kit.register import logbook
from tests.test_stock import SITE

HEAD = "time,kind,text,until,who,low_c,high_c,reset"


@pytest.fixture
def read(tmp_path):
    (tmp_path / "site.toml").write_text(SITE, "utf-8")
    site = register.load_site(tmp_path / "site.toml")

    def read(content):
        (tmp_path / "logbook.csv").write_text(content, "utf-8")
        return logbook.read(tmp_path / "logbook.csv", site=site)

    return read


def test_entries_come_in_order_of_time(read):
    later, = read(f"{HEAD}\n2026-07-02 09:00,check,Monday check,,R.,2.1,\"6,4\",yes\n")
    assert (later.time, later.kind, later.low_c, later.high_c, later.reset, later.who) == (pd.Timestamp("2026-07-02T08:00Z"), "check", 2.1, 6.4, True, "R.")
    both = read("time,kind,text\n2026-03-02 09:00,alarm test,heard\n2026-03-01 09:00,Door,\n")
    assert [entry.kind for entry in both] == ["door", "alarm_test"] and both[0].text == "" and both[0].line == 3


def test_until_and_fahrenheit(read):
    entry, = read("time,kind,text,until,low_f,high_f,unit\n2026-03-01 09:00,power,off,2026-03-01 11:30,35.6,46.4,F2\n")
    assert entry.until == pd.Timestamp("2026-03-01T11:30Z") and (entry.low_c, entry.high_c) == (2.0, 8.0) and entry.unit == "F2"  # FACTS B30


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("2026-03-01 09:00,doors,x,,,,,", "line 2: column 'kind' is 'doors'.*Did you mean 'door'"),
        (",door,x,,,,,", "column 'time' is empty"),
        ("2026-03-01 09:00,power,x,2026-03-01 08:00,,,,", "'until' lies before 'time'"),
        ("2026-03-01 09:00,check,x,,,8,2,", "above the high reading"),
        ("2026-03-01 09:00,check,x,,,two,8,", "column 'low_c' is 'two'"),
        ("09:00,check,x,,,2,8,", "local time such as"),
    ],
)  # fmt: skip
def test_an_entry_at_fault_says_where(read, row, says):
    with pytest.raises(RegisterError, match=says):
        read(f"{HEAD}\n{row}\n")
