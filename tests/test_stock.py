"""stock.csv and allowances.csv as people write them, and every way they go wrong."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest

from coldchain_kit import register
from coldchain_kit.base import RegisterError, sheet
from coldchain_kit.register import stock

SITE = """
[site]
name = "Tern Bay Health Centre"
timezone = "Europe/Lisbon"
[units.F2]
kind = "refrigerator"
[units.F3]
kind = "refrigerator"
[units.Z1]
kind = "freezer"
"""
HEAD = "lot,product,quantity,moved_in,moved_out"


@pytest.fixture
def site(tmp_path):
    (tmp_path / "site.toml").write_text(SITE, "utf-8")
    return register.load_site(tmp_path / "site.toml")


def lots(tmp_path, site, content, *, units=("F2",)):
    path = tmp_path / "stock.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    return stock.read(path, site=site, units=units)


def test_a_plain_stock_list(tmp_path, site):
    (first, second) = lots(tmp_path, site, f"{HEAD}\nA1,Vaccine one,12,2026-03-01 08:00,\nB7,Vaccine two,3,2026-07-01T08:00:00,2026-07-02 09:30\n")
    assert (first.lot, first.product, first.stays[0].quantity, first.stays[0].unit) == ("A1", "Vaccine one", "12", "F2")
    assert first.stays[0].moved_in == pd.Timestamp("2026-03-01T08:00Z") and first.stays[0].moved_out is None
    assert second.stays[0].moved_in == pd.Timestamp("2026-07-01T07:00Z")  # Lisbon is UTC+1 in July
    assert first.stays[0].condition.id == "refrigerated" and first.earlier_out_hours is None


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize(("separator", "newline"), [(",", "\n"), (";", "\r\n"), ("\t", "\r")])
def test_encoding_separator_and_line_ends_do_not_matter(tmp_path, site, encoding, separator, newline):
    cells = [HEAD.split(",") + ["earlier_out_hours", "state"], ["A1", "Impfstoff für Säuglinge", "12", "01.03.2026 08:00", "", "2.5", "Opened"]]
    content = newline.join(separator.join(row) for row in cells).encode(encoding)
    (lot,) = lots(tmp_path, site, content)
    assert lot.product == "Impfstoff für Säuglinge" and lot.earlier_out_hours == 2.5 and lot.stays[0].state == "opened"


def test_columns_in_any_order_and_case_with_comments_and_blank_lines(tmp_path, site):
    (lot,) = lots(tmp_path, site, '# stock on Monday\n\nMoved in,Moved Out,Lot,Product,Quantity\n2026-03-01 8:00,,A1,"Vaccine, adult",1\n,,,,\n')
    assert lot.product == "Vaccine, adult" and lot.stays[0].line == 4


def test_one_lot_in_two_units_is_one_lot(tmp_path, site):
    content = f"{HEAD},unit,manufacturer\nA1,V,12,2026-03-05 10:00,,F3,\nA1,V,12,2026-03-01 08:00,2026-03-05 09:30,F2,Maker\n"
    (lot,) = lots(tmp_path, site, content, units=("F2", "F3"))
    assert [stay.unit for stay in lot.stays] == ["F2", "F3"] and lot.manufacturer == "Maker"


def test_a_date_without_time_is_the_whole_day_and_repeated_hours_make_stays_longer(tmp_path, site):
    (day, night) = lots(tmp_path, site, f"{HEAD}\nA1,V,1,2026-03-01,2026-03-02\nB1,V,1,2026-10-25 01:30,2026-10-25 01:45\n")
    assert day.stays[0].moved_out == pd.Timestamp("2026-03-03T00:00Z")
    # Lisbon: 01:00-01:59 happens twice on 25 October 2026 (change at 01:00Z, EU rule): first pass is 00:30Z, second 01:45Z.
    assert (night.stays[0].moved_in, night.stays[0].moved_out) == (pd.Timestamp("2026-10-25T00:30Z"), pd.Timestamp("2026-10-25T01:45Z"))


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("", "is empty"),
        ("lot,product,quantity,moved_in\nA,B,1,2026-03-01\n", "line 1: column 'moved_out' is missing"),
        (f"{HEAD},mover\nA,B,1,2026-03-01,,x\n", "unknown column 'mover'.*Did you mean 'moved_out'|unknown column 'mover'"),
        (f"{HEAD},earlier_out_hour\nA,B,1,2026-03-01,,2\n", "unknown column 'earlier_out_hour'.*Did you mean 'earlier_out_hours'"),
        (f"{HEAD},lot\nA,B,1,2026-03-01,,A\n", "column 'lot' twice"),
        (f"{HEAD}\n,B,1,2026-03-01,\n", "line 2: column 'lot' is empty"),
        (f"{HEAD}\nA,B,1,,\n", "line 2: column 'moved_in' is empty"),
        (f"{HEAD}\nA,B,1,03/04/2026 08:00,\n", "2026-04-03 or 2026-03-04"),
        (f"{HEAD}\nA,B,1,2026-02-30,\n", "column 'moved_in' is '2026-02-30'"),
        (f"{HEAD}\nA,B,1,2026-03-02 08:00,2026-03-01 08:00\n", "moved_out is not after moved_in"),
        (f"{HEAD}\nA,B,1,2026-03-02 08:00,,extra\n", "6 cells under 5 columns"),
        (f"{HEAD},unit\nA,B,1,2026-03-02 08:00,,F22\n", "column 'unit' is 'F22'.*Did you mean 'F2'"),
        (f"{HEAD},condition\nA,B,1,2026-03-02 08:00,,refrigrated\n", "Did you mean 'refrigerated'"),
        (f"{HEAD},do_not_freeze\nA,B,1,2026-03-02 08:00,,maybe\n", "Expected yes or no"),
        (f"{HEAD},earlier_out_hours\nA,B,1,2026-03-02 08:00,,-1\n", "zero or more hours"),
        (f"{HEAD};earlier_out_hours\n".replace(",", ";") + "A;B;1;2026-03-02 08:00;;1,000\n", "Write 1000 or 1.000"),
        (f"{HEAD},expiry\nA,B,1,2026-03-02 08:00,,2027-01\nA,B,1,2026-03-03 08:00,,2027-02\n", "but lot 'A' has '2027-01' in line 2"),
        (b"\x00\x01\x02", "not text"),
    ],
)  # fmt: skip
def test_a_stock_list_at_fault_says_where(tmp_path, site, content, says):
    with pytest.raises(RegisterError, match=says):
        lots(tmp_path, site, content)


def test_all_faults_come_at_once_and_no_file_is_said(tmp_path, site):
    with pytest.raises(RegisterError) as caught:
        lots(tmp_path, site, f"{HEAD}\n,B,1,2026-03-01,\nA,,1,yesterday,\n")
    assert len(caught.value.faults) == 3
    with pytest.raises(RegisterError, match="there is no file 'nothing.csv'"):
        stock.read(tmp_path / "nothing.csv", site=site, units=("F2",))


def test_unit_must_be_said_where_there_are_several(tmp_path, site):
    with pytest.raises(RegisterError, match="several units"):
        lots(tmp_path, site, f"{HEAD}\nA,B,1,2026-03-02 08:00,\n", units=("F2", "F3"))


ALLOWANCES = "lot,from_c,to_c,hours,counting,source,dated"


def allowances(tmp_path, content, **rest):
    (tmp_path / "allowances.csv").write_text(content, "utf-8")
    return stock.read_allowances(tmp_path / "allowances.csv", **rest)


def test_allowances(tmp_path):
    (first,) = allowances(tmp_path, f"{ALLOWANCES}\nA1,8,15,24,Total,Letter 12,2026-02-01\n")
    assert (first.from_c, first.to_c, first.hours, first.counting, first.source, first.dated) == (8, 15, 24, "total", "Letter 12", dt.date(2026, 2, 1))


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("A1,8,15,24,both,Letter,", "column 'counting' is 'both'.*one of single, total"),
        ("A1,8,15,24,total,,", "column 'source' is empty"),
        ("A1,8,8,24,total,Letter,", "are the same"),
        ("A1,8,15,0,total,Letter,", "more than zero hours"),
        ("A1,8 °C,15,2,total,Letter,", "without unit"),
        ("A1,8,15,2,total,Letter,soon", "column 'dated' is 'soon'"),
        ("A1,8,15,2,total,Letter,2026-02-01 10:00", "without time"),
    ],
)
def test_an_allowance_at_fault_says_where(tmp_path, row, says):
    with pytest.raises(RegisterError, match=says):
        allowances(tmp_path, f"{ALLOWANCES}\n{row}\n")


def test_an_allowance_for_no_lot_of_the_stock_is_an_error(tmp_path, site):
    known = lots(tmp_path, site, f"{HEAD}\nAB12,V,1,2026-03-02 08:00,\n")
    with pytest.raises(RegisterError, match="Did you mean 'AB12'"):
        allowances(tmp_path, f"{ALLOWANCES}\nAB13,8,15,24,total,Letter,\n", lots=known)


def test_a_file_that_is_too_large_is_refused_unread(tmp_path, monkeypatch):
    monkeypatch.setattr(sheet, "MAX_BYTES", 100)
    with pytest.raises(RegisterError, match="larger than"):
        allowances(tmp_path, "x" * 200)
