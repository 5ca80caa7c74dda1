"""What waits at a site: last readings, runs outside without a case, certificates and clocks due, cases, records, training."""

from __future__ import annotations

import datetime as dt
import shutil

import pytest

from coldchain_kit import desk
from coldchain_kit.base import KitError, package_files

MONDAY = dt.date(2026, 3, 10)


@pytest.fixture
def site(tmp_path):
    return package_files.copy_sample_site(tmp_path / "site")


def rows(site, caption: str, *, today: dt.date = MONDAY) -> dict[str, tuple]:
    table = next(one for one in desk.overview(site, today=today) if one.caption.startswith(caption))
    return {str(row[0]): tuple(map(str, row[1:])) for row in table.rows}


def test_the_last_reading_is_that_of_the_download(site):
    """Against the last row of the file itself, less the certificate's 0.1 °C at 5 °C."""
    lines = (site / "downloads" / "F2" / "F2_2026-03.csv").read_text("utf-8").splitlines()
    last = [line.split(";") for line in lines if line.split(";")[0].isdigit()][-1]
    shown = rows(site, "Units")["F2"][0]
    assert last[1:3] == ["09.03.2026", "09:05:00"] and "2026-03-09 09:05" in shown
    assert shown.startswith(f"{float(last[3].replace(',', '.')) - 0.1:.1f} °C (upper)")


def test_a_run_outside_that_no_case_looks_at_is_told_and_one_with_a_case_is_not(site):
    assert rows(site, "Units")["F2"][1] == "none"
    shutil.rmtree(site / "cases" / "2026-014")
    told = rows(site, "Units")["F2"][1]
    assert "above the limit from 2026-03-06 22:11" in told and "at most 270 min (4 h 30 min)" in told


def test_certificates_and_clocks_fall_due(site):
    assert rows(site, "Units", today=dt.date(2027, 3, 1))["F2"][2] == "['upper: due 2027-05-12', 'return: due 2027-05-12']"
    late = rows(site, "Units", today=dt.date(2027, 6, 1))["F2"]
    assert "upper: OVERDUE since 2027-05-12" in late[2] and "DUE again" in late[3] and "DUE" not in rows(site, "Units")["F2"][3]


def test_a_case_or_a_unit_that_cannot_be_read_says_why_and_hides_nothing_else(site):
    (site / "cases" / "bad").mkdir()
    (site / "cases" / "bad" / "case.toml").write_text("x = 1\n", "utf-8")
    shutil.rmtree(site / "downloads" / "F1")
    assert rows(site, "Cases")["bad"][0] == "cannot be read" and "unknown key 'x'" in rows(site, "Cases")["bad"][1] and "2026-014" in rows(site, "Cases")
    units = rows(site, "Units")
    assert units["F1"][0] == "awaiting download" and "no file matches" in units["F1"][1] and units["F2"][0].startswith("4.6 °C")


@pytest.mark.notebooks
def test_a_damaged_record_is_said(site):
    from coldchain_kit import records

    made = records.investigate(site / "cases" / "2026-014" / "case.toml", site / "records")
    assert rows(site, "Records")["2026-014"] == ("1", "whole", "not signed")
    page = made / "data" / "record.html"
    page.write_bytes(page.read_bytes() + b" ")
    assert rows(site, "Records")["2026-014"][1].startswith("DAMAGED: ")


def test_no_site_is_one_plain_error(tmp_path):
    with pytest.raises(KitError):
        desk.overview(tmp_path)
