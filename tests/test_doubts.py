"""What people wrote that does not fit is said where it shows: unknown lots, dates out of place, answers that were changed, functions, quantities."""

from __future__ import annotations

import datetime as dt
import random

import pytest

import coldchain_kit as ck
from coldchain_kit import forms
from coldchain_kit.base import package_files
from coldchain_kit.register import entries
from coldchain_kit.show import doubts, front, tables

HAPPENED = "2026-03-06T22:10:00Z"  # last reading inside before the sample's one excursion; Lisbon is at UTC in March


@pytest.fixture
def case(tmp_path):
    folder = package_files.copy_sample_site(tmp_path) / "cases/2026-014"
    (folder / "entries.jsonl").unlink()
    return folder


def decide(folder, lot, time, *, now, outcome="hold", why=""):
    moment = dt.datetime.fromisoformat(now.replace("Z", "+00:00"))
    entries.append(folder, who="M. Alder", field=f"decision.{lot}", new={"outcome": outcome, "by": "M. Alder", "role": "vaccine lead", "time": time}, why=why, now=moment)


def said(folder):
    return doubts.of_decisions(ck.assess(folder / "case.toml"))


def test_a_decision_in_its_time_on_a_listed_lot_raises_no_doubt(case):
    decide(case, "TBH-2207", "2026-03-09T11:20", now="2026-03-09T11:25:00Z")
    assert said(case) == []


def test_a_lot_that_nobody_listed(case):
    decide(case, "TBX-1", "2026-03-09T11:20", now="2026-03-09T11:25:00Z")
    (text,) = said(case)
    assert text.startswith("LOT NOT IN THE STOCK LIST") and "TBX-1 (No. 1)" in text
    assert text in str(front.page(ck.assess(case / "case.toml"))) and text in str(forms.decisions(ck.assess(case / "case.toml"), frozen=True))


def test_dates_that_do_not_fit_are_said_and_no_others(case):
    """Random times of decision and entry: which of the three sentences comes is worked out here from plain datetimes."""
    dice, utc, assessment = random.Random(3), dt.UTC, ck.assess(case / "case.toml")
    happened = dt.datetime.fromisoformat(HAPPENED.replace("Z", "+00:00"))
    assert assessment.results["excursions"][0]["start_earliest"] == HAPPENED
    for k in range(40):
        (case / "entries.jsonl").unlink(missing_ok=True)
        at = dt.datetime(2026, 3, 5, tzinfo=utc) + dt.timedelta(minutes=dice.randrange(6 * 1440))
        entered = at + dt.timedelta(minutes=dice.choice([-3000, -6, -4, 0, 30, 1439, 1441, 5000]))
        decide(case, "TBH-2207", f"{at:%Y-%m-%dT%H:%M}", now=f"{entered:%Y-%m-%dT%H:%M:%SZ}")
        wanted = {"DATED AHEAD"} if at > entered + dt.timedelta(minutes=5) else {"ENTERED LATER"} if entered - at > dt.timedelta(hours=24) else set()
        wanted |= {"DATED BEFORE IT HAPPENED"} if at < happened else set()
        assert {text.split(":")[0] for text in doubts.of_decisions(assessment)} == wanted, (k, at, entered)


def test_an_entry_dated_before_the_one_before_it(case):
    decide(case, "TBH-2207", "2026-03-09T11:20", now="2026-03-09T11:25:00Z")
    decide(case, "TBM-5530", "2026-03-08T11:20", now="2026-03-08T11:25:00Z")
    (text,) = said(case)
    assert text.startswith("OUT OF TIME: entry No. 2") and "before No. 1" in text


def test_a_changed_answer_is_marked_wherever_it_shows(case):
    decide(case, "TBH-2207", "2026-03-09T11:20", now="2026-03-09T11:25:00Z")
    decide(case, "TBH-2207", "2026-03-09T12:20", now="2026-03-09T12:25:00Z", outcome="return to stock", why="the maker answered")
    entries.append(case, who="M. Alder", field="conclusion", new="one")
    entries.append(case, who="M. Alder", field="conclusion", new="two", why="better said")
    found = ck.assess(case / "case.toml")
    assert "return to stock (changed, see No. 2)" in str(forms.decisions(found, frozen=True))
    assert "two (changed, see No. 4)" in str(forms.conclusion(found, frozen=True))
    assert "return to stock (by M. Alder; changed, see No. 2)." in str(front.page(found))


def test_times_of_decisions_carry_their_offset_and_names_their_function(case):
    register = case.parents[1] / "site.toml"
    register.write_text(register.read_text("utf-8") + '\n[people.ma]\nname = "M. ALDER"\nfunction = "Vaccine lead"\n', "utf-8")
    decide(case, "TBH-2207", "2026-03-09T11:20", now="2026-03-09T11:25:00Z")
    decide(case, "TBM-5530", "2026-07-09T11:20", now="2026-07-09T10:25:00Z")
    text = str(forms.decisions(ck.assess(case / "case.toml"), frozen=True))
    assert "2026-03-09 11:20 +00:00" in text and "2026-07-09 11:20 +01:00" in text
    assert "M. Alder, Vaccine lead" in text


def test_quantities_say_of_what_and_certificates_their_points(case):
    found = ck.assess(case / "case.toml")
    assert "40 × single-dose vial" in str(tables.lots(found)) and "25 × prefilled syringe" in str(tables.stays(found))
    assert "0.0 °C read as 0.1 °C" in str(tables.devices(found))


def test_tables_say_which_values_their_times_are_from(case):
    """261 min as read, 259.45 corrected: a table that prints the first must not be titled by the second."""
    found = ck.assess(case / "case.toml")
    for table in (*tables.exposures(found), tables.bands(found), forms.both_results(found)):
        if "outside" in str(table).lower() or "beyond" in str(table).lower():
            assert "corrected values" not in table.caption, table.caption
    assert "times from values as read and corrected, whichever lie further outside" in tables.exposures(found)[0].caption


def test_a_check_at_odds_with_the_readings_stands_on_the_first_screen(case):
    path = case / "logbook.csv"
    lines = path.read_text("utf-8").splitlines()
    at = next(k for k, line in enumerate(lines) if line.startswith("2026-03-04"))
    cells = lines[at].split(",")
    high = next(k for k in range(len(cells) - 1, 0, -1) if cells[k] == "yes") - 1
    cells[high] = "7.4"
    path.write_text("\n".join([*lines[:at], ",".join(cells), *lines[at + 1 :]]) + "\n", "utf-8")
    told = str(front.page(ck.assess(case / "case.toml")))
    assert "7.4" in told.partition("Logbook at odds with the readings")[2].splitlines()[0]
