"""Nothing looks better than it is: stays by their own limits, what is not known of a lot, windows nobody measured in, units beside."""

from __future__ import annotations

import datetime as dt
import json

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldchain_kit import assessment, cli, register
from coldchain_kit.assessment import NoReadings, results
from coldchain_kit.base import RegisterError
from coldchain_kit.causes import together
from coldchain_kit.lots import allowed
from coldchain_kit.model import conditions
from coldchain_kit.register import logbook, stock
from coldchain_kit.show import enquiry, front, tables
from tests import sites
from tests.conftest import TRAPS

STOCK = "lot,product,quantity,moved_in,moved_out,unit,earlier_out_hours,state,opened_at,goes_with,condition"
ALLOWED = "lot,from_c,to_c,hours,counting,source,state\n"
STATED = "[units.U.logger]\ninterval_min = 10\n"


def course(level: float = 5.0, *, hours: int = 72, **patches: float) -> list[tuple[str, float]]:
    """Ten-minute readings from 1 March; ``h10_20=9.5`` sets the hours 10 to 20."""
    first, rows = dt.datetime(2026, 3, 1), []
    for k in range(hours * 6):
        value = next((patch for span, patch in patches.items() if int(span[1:].split("_")[0]) * 6 <= k < int(span.split("_")[1]) * 6), level + 0.1 * (k % 3))
        rows.append(((first + dt.timedelta(minutes=10 * k)).isoformat(), value))
    return rows


def case_of(folder, rows, *stays, others=None, allowances="", case="", unit=STATED, site="", book=""):
    """A case over U; ``others``: name -> (rows or None, lines of its table), further units of the register."""
    folder.mkdir(parents=True, exist_ok=True)
    more = ""
    for name, (readings, table) in (others or {}).items():
        (folder / name).mkdir()
        if readings is not None:
            (folder / name / "a.csv").write_text("time,A (°C)\n" + "".join(f"{time},{value}\n" for time, value in readings), "utf-8")
        more += f'\n[units.{name}]\nkind = "refrigerator"\nreadings = ["{name}/*.csv"]\n{table}\n[units.{name}.logger]\ninterval_min = 10\n'
    papers = {"stock.csv": STOCK + "\n" + "".join(f"{row}\n" for row in stays)} if stays else {}
    papers |= {"allowances.csv": ALLOWED + allowances} if allowances else {}
    papers |= {"logbook.csv": book} if book else {}
    return sites.write(folder, [sites.series(folder, rows)], unit=unit + more, case=case, site=site, papers=papers)


def two_units(path):
    text = path.read_text("utf-8")
    path.write_text(text.replace('unit = "U"', 'units = ["U", "V"]').replace("[inputs]", '[inputs]\nreadings = { U = ["U/a.csv"], V = ["V/a.csv"] }'), "utf-8")
    return path


def lots_of(path) -> dict[str, dict]:
    found = assessment.assess(path).results
    assert results.faults(found) == []
    return {row["lot"]: row for row in found["lots"]}


# --- stays and statements -----------------------------------------------------------------------------------


def test_each_stay_is_held_against_its_own_limits(tmp_path):
    site = "[conditions.warm]\nlow_c = 2.0\nhigh_c = 10.0\nsource = 'Label, 2026'\n"
    stays = ("L,Example,1,2026-03-01T00:00,2026-03-01T12:00,U,0,,,,warm", "L,Example,1,2026-03-01T12:00,,V,0,,,,")
    path = two_units(case_of(tmp_path, course(), *stays, others={"V": (course(h20_40=9.5), "")}, site=site))
    found = assessment.assess(path).results
    lot = found["lots"][0]
    assert lot["outside"]["above"]["limit_c"] is None and lot["outside"]["above"]["limits_c"] == [10.0, 8.0]
    assert lot["outside"]["above"]["minutes_least"] == pytest.approx(20 * 60 - 10)
    facts = dict(enquiry.sheets(found)[0]["lots"][0]["facts"])
    assert "at least 1,190 min" in facts["Total time above 10.0 °C and 8.0 °C, each stay by its own limit"]


def test_earlier_time_that_is_not_known_is_not_zero(tmp_path):
    stays = ("L,Example,1,2026-03-01T00:00,,,,,,,", "M,Example,1,2026-03-01T00:00,,,1.5,,,,")
    statements = "L,8,25,10,total,Letter,\nL,8,25,10,single,Letter,\nM,8,25,10,total,Letter,\n"
    lots = lots_of(case_of(tmp_path, course(h10_12=9.5), *stays, allowances=statements))
    total, single = lots["L"]["allowances"]
    assert (total["used_bound"], total["share_most"], total["more_than_stated"]) == (True, None, "may_be") and "not known" in total["why"]
    assert total["used_least"] == pytest.approx(110 / 60) and total["used_most"] == pytest.approx(130 / 60)
    assert (single["used_bound"], single["more_than_stated"]) == (False, "no") and single["share_most"] == pytest.approx(13 / 60)
    (other,) = lots["M"]["allowances"]
    assert other["used_most"] == pytest.approx(130 / 60 + 1.5) and other["used_bound"] is False and other["share_most"] is not None


def test_more_than_stated_stands_in_words_on_every_screen(tmp_path):
    stays = ("L,Example,1,2026-03-01T00:00,,,0,,,,", "M,Example,1,2026-03-01T00:00,,,,,,,")
    case = assessment.assess(case_of(tmp_path, course(h10_20=9.5), *stays, allowances="L,8,25,4,total,Letter,\nM,8,25,20,total,Letter,\n"))
    lot = case.results["lots"][0]
    assert lot["allowances"][0]["share_least"] > 1 and any(said.startswith("More than was stated: at least 9.8 h") for said in lot["why"])
    for screen in (front.page(case), tables.lots(case), tables.allowances(case), enquiry.sheets(case.results)):
        assert "more than stated" in str(screen).lower() and "may be more than stated: earlier time is not known" in str(screen).lower()
        assert "no statement covers the cold side" in str(screen)


@given(st.floats(0, 3), st.floats(0, 3), st.booleans())
def test_words_about_a_share_never_say_less_than_its_numbers(least, more_by, bound):
    word = allowed.more(least, least + more_by, bound=bound)
    assert (word == "no") <= (least + more_by <= allowed.OVER and not bound) and (least > allowed.OVER) <= (word == "yes")


@pytest.mark.parametrize(
    ("state", "opened_at", "statement", "applies"),
    [
        ("", "", "", True), ("unopened", "", "unopened", True), ("opened", "", "", False), ("opened", "", "opened", True), ("", "", "opened", False),
        ("", "2026-03-02T09:00", "", False), ("unopened", "2026-02-20T09:00", "opened", True), ("reconstituted", "", "unopened", False), ("thawed", "", "thawed", True),
    ],
)  # fmt: skip
def test_a_statement_is_for_stock_in_one_state(tmp_path, state, opened_at, statement, applies):
    lots = lots_of(case_of(tmp_path, course(), f"L,Example,1,2026-03-01T00:00,,,0,{state},{opened_at},,", allowances=f"L,8,25,10,total,Letter,{statement}\n"))
    (row,) = lots["L"]["allowances"]
    assert row["applicable"] is applies and (row["share_most"] is not None) is applies
    assert applies or "does not apply" in row["why"]
    assert lots["L"]["stays"][0]["state_stated"] is bool(state)


def test_a_diluent_is_a_row_of_its_own(tmp_path):
    site = "[conditions.room_temperature]\nhigh_c = 25.0\nsource = 'Label, 2026'\n"
    stays = ("L,Example,1,2026-03-01T00:00,,,0,,,D,", "D,Diluent,1,2026-03-01T00:00,,,0,,,,room_temperature")
    case = assessment.assess(case_of(tmp_path, course(), *stays, site=site))
    assert [row["goes_with"] for row in case.results["lots"]] == ["D", None] and "goes with lot D" in str(tables.lots(case))


@pytest.mark.parametrize(
    ("trap", "says"),
    [
        ("stock_unknown_state.csv", "one of unopened, opened, reconstituted, thawed"), ("stock_goes_with_nobody.csv", "'D7', which the stock list does not have"),
        ("allowances_unknown_state.csv", "one of unopened, opened, reconstituted, thawed"), ("logbook_no_unit.csv", "say which one the line is about"),
    ],
)  # fmt: skip
def test_papers_at_fault_are_refused(tmp_path, trap, says):
    case_of(tmp_path, course())
    site = register.load_site(tmp_path / "site.toml")
    readers = {
        "stock": lambda path: stock.read(path, site=site, units=("U",)), "allowances": lambda path: stock.read_allowances(path),
        "logbook": lambda path: logbook.read(path, site=site, units=("U", "V")),
    }  # fmt: skip
    with pytest.raises(RegisterError, match=says):
        readers[trap.split("_")[0]](TRAPS / trap)


# --- reasons of rule 14 -------------------------------------------------------------------------------------


def why(path, lot="L") -> str:
    return " ".join(lots_of(path)[lot]["why"])


def test_stock_put_in_while_readings_are_outside_is_a_reason_of_its_own(tmp_path):
    rows = course(h10_12=9.5)
    assert "Stock was put into U" in why(case_of(tmp_path / "a", rows, "L,Example,1,2026-03-01T11:00,,,0,,,,"))
    assert "Stock was put into U" not in why(case_of(tmp_path / "b", rows, "L,Example,1,2026-03-01T09:00,,,0,,,,"))
    assert why(case_of(tmp_path / "c", rows, "L,Example,1,2026-03-01T13:00,,,0,,,,")) == ""


def test_stock_that_comes_warm_is_a_reason_of_its_own(tmp_path):
    site = "[conditions.room_temperature]\nhigh_c = 25.0\nsource = 'Label, 2026'\n"
    stays = ("L,Example,1,2026-03-01T00:00,2026-03-01T12:00,U,0,,,,", "L,Example,1,2026-03-01T12:00,,V,0,,,,")
    path = two_units(case_of(tmp_path, course(21.0), *stays, others={"V": (course(), "")}, site=site, unit='condition = "room_temperature"\n' + STATED))
    assert "came warm into V" in why(path) and "the probe does not show" in why(path)
    book = "time,kind,text,high_c\n2026-03-01T09:10,load,Delivery of ten boxes,{}\n"
    for name, high, said in (("a", "14.0", True), ("b", "6.0", False), ("c", "", False)):
        text = why(case_of(tmp_path / name, course(), "L,Example,1,2026-03-01T09:00,,,0,,,,", book=book.format(high)))
        assert ("measured at 14 °C" in text) is said and bool(text) is said


def test_a_lot_that_went_to_a_unit_outside_the_case_needs_a_decision(tmp_path):
    stays = ("L,Example,1,2026-03-01T00:00,2026-03-02T00:00,U,0,,,,", "L,Example,1,2026-03-20T00:00,,V,0,,,,")
    window = "start = 2026-03-01T00:00:00\nend = 2026-03-03T00:00:00\n"
    path = case_of(tmp_path, course(), *stays, others={"V": (course(), "")}, case=window)
    assert "V, where the lot went, is not part of this case" in why(path)
    assert why(case_of(tmp_path / "b", course(), stays[0], case=window)) == ""


@pytest.mark.parametrize(("decides", "reason"), [("decides = false", True), ("", False)])
def test_a_probe_said_not_to_decide_that_left_the_limits_is_a_reason(tmp_path, decides, reason):
    tmp_path.joinpath("U").mkdir()
    rows = "".join(f"{time},{value},{11.0 if k == 30 else 5.0}\n" for k, (time, value) in enumerate(course()))
    (tmp_path / "U" / "a.csv").write_text("time,A (°C),B (°C)\n" + rows, "utf-8")
    unit = STATED + f'[units.U.probes.A]\nrole = "buffered"\n[units.U.probes.B]\nrole = "air"\n{decides}\n'
    papers = {"stock.csv": STOCK + "\nL,Example,1,2026-03-01T00:00,,,0,,,,\n"}
    text = why(sites.write(tmp_path, [tmp_path / "U" / "a.csv"], unit=unit, papers=papers))
    assert ("is said not to decide, and it left the limits: one reading above 8 °C, the furthest 11 °C" in text) is reason


def test_a_column_that_nobody_registered_and_that_left_the_limits_is_a_reason(tmp_path):
    tmp_path.joinpath("U").mkdir()
    rows = "".join(f"{time},{value},{11.0 if k == 30 else 5.0}\n" for k, (time, value) in enumerate(course()))
    (tmp_path / "U" / "a.csv").write_text("time,A (°C),B (°C)\n" + rows, "utf-8")
    papers = {"stock.csv": STOCK + "\nL,Example,1,2026-03-01T00:00,,,0,,,,\n"}
    path = sites.write(tmp_path, [tmp_path / "U" / "a.csv"], unit=STATED + '[units.U.probes.A]\nrole = "buffered"\n', papers=papers)
    assert "Probe B of U is not registered, and it left the limits" in why(path)


# --- windows nobody measured in -----------------------------------------------------------------------------

LATER = "start = 2026-04-01T00:00:00\nend = 2026-04-03T00:00:00\n"


def test_a_window_without_a_reading_is_refused_with_what_the_downloads_cover(tmp_path, capsys):
    path = case_of(tmp_path, course(), case=LATER)
    with pytest.raises(NoReadings, match=r"those of U cover 2026-03-01 00:00 \+00:00 to 2026-03-03 23:50 \+00:00"):
        assessment.assess(path)
    assert cli.main(["assess", str(path)]) == 2 and "no_readings" in capsys.readouterr().err


@pytest.mark.parametrize("files", ["U/a.csv", "U/gone-*.csv"])
def test_a_window_said_to_have_none_is_unknown_throughout(tmp_path, files):
    stays = ("L,Example,1,2026-03-01T00:00,,,0,,,,", "M,Example,1,2026-02-01T00:00,2026-02-02T00:00,,0,,,,")
    path = case_of(tmp_path, course(), *stays, case=LATER + 'no_readings = "the logger is dead"\n', unit=STATED + '[units.U.probes.A]\nrole = "buffered"\n')
    (tmp_path / "site.toml").write_text((tmp_path / "site.toml").read_text("utf-8").replace("U/a.csv", files), "utf-8")
    case = assessment.assess(path)
    assert case.results["cause"]["cause"] == "undetermined" and {row["covered_share"] for row in case.results["probes"]} == {0.0}
    assert all(row["needs_decision"] and "the logger is dead" in row["why"][0] for row in case.results["lots"])
    assert results.faults(case.results) == [] and "the logger is dead" in str(front.page(case).line("What"))


def test_a_reason_changes_nothing_where_there_are_readings(tmp_path):
    stays = ("L,Example,1,2026-03-01T00:00,,,0,,,,",)
    said = assessment.assess(case_of(tmp_path / "a", course(), *stays, case='no_readings = "the logger is dead"\n')).results
    assert said == assessment.assess(case_of(tmp_path / "b", course(), *stays)).results


def test_a_month_without_a_reading_awaits_its_download(tmp_path, capsys):
    case_of(tmp_path, course(), unit=STATED + '[units.U.probes.A]\nrole = "buffered"\n')
    call = ["monthly", str(tmp_path / "site.toml"), "--month", "2026-04", "--out", str(tmp_path / "out")]
    assert cli.main(call) == 1
    assert "unit U is awaiting download" in capsys.readouterr().err and "AWAITING DOWNLOAD" in (tmp_path / "out" / "index-2026-04.html").read_text("utf-8")
    assert [path.name for path in (tmp_path / "out").iterdir() if path.is_dir()] == []


@pytest.mark.notebooks
def test_a_month_closed_without_a_download_is_frozen_as_unknown(tmp_path):
    case_of(tmp_path, course(), unit=STATED + '[units.U.probes.A]\nrole = "buffered"\n')
    out = tmp_path / "out"
    assert cli.main(["monthly", str(tmp_path / "site.toml"), "--month", "2026-04", "--out", str(out), "--final"]) == 1
    (record,) = [path for path in out.iterdir() if path.is_dir()]
    found = json.loads((record / "data" / "results.json").read_text("utf-8"))
    assert found["cause"]["cause"] == "undetermined" and found["probes"][0]["covered_share"] == 0
    assert cli.main(["verify", str(record)]) == 0 and cli.main(["rerun", str(record)]) == 0


# --- units beside, units together ---------------------------------------------------------------------------


def test_units_beside_are_looked_at_and_named(tmp_path):
    others = {"V": (course(h11_14=9.0), ""), "W": (course(), ""), "X": (None, ""), "Y": (course(hours=72), "")}
    path = case_of(tmp_path, course(h10_12=9.5), others=others, case='beside = ["V", "W", "X"]\n')
    case = assessment.assess(path)
    assert [(row["unit"], row["found"]) for row in case.results["beside"]] == [("V", "outside"), ("W", "none_outside"), ("X", "no_readings")]
    (row,) = case.results["together"]
    assert (row["units"], row["direction"], row["excursions"]) == (["U", "V"], "above", ["U-E1", "V-E1"])
    assert "Units U and V were above their limit together" in str(front.page(case)) and "X: no readings" in str(front.page(case))
    named = {path.as_posix() for path in assessment.inputs(case.case)}
    assert any(name.endswith("V/a.csv") for name in named) and not any(name.endswith("Y/a.csv") for name in named)


@pytest.mark.parametrize(("beside", "says"), [('["U"]', "in the case and beside it"), ('["VV"]', "is not in the register")])
def test_a_unit_beside_must_be_another_of_the_site(tmp_path, beside, says):
    with pytest.raises(RegisterError, match=says):
        assessment.assess(case_of(tmp_path, course(), others={"V": (course(), "")}, case=f"beside = {beside}\n"))


SPANS = st.lists(st.tuples(st.sampled_from("UVW"), st.sampled_from(["above", "below"]), st.integers(0, 60), st.integers(1, 20)), max_size=12)


@settings(max_examples=100)
@given(SPANS)
def test_units_are_together_where_they_overlap_and_nowhere_else(spans):
    zero = pd.Timestamp("2026-03-01T00:00:00Z")
    rows = [
        {"id": f"{unit}-{k}", "unit": unit, "direction": side, "basis": "both", "start": zero + pd.Timedelta(hours=at), "end": zero + pd.Timedelta(hours=at + length)}
        for k, (unit, side, at, length) in enumerate(spans)
    ]
    found = together(rows)
    named = {name for one in found for name in one["excursions"]}
    for a in rows:
        meets = [b for b in rows if b["unit"] != a["unit"] and b["direction"] == a["direction"] and a["start"] <= b["end"] and b["start"] <= a["end"]]
        assert not meets or a["id"] in named
    assert all(len(set(one["units"])) > 1 for one in found) and len(named) == sum(len(one["excursions"]) for one in found)


# --- conditions ---------------------------------------------------------------------------------------------


def test_a_built_in_condition_cites_what_was_read_or_says_that_nothing_was():
    for condition in conditions.built_in().values():
        assert ("No text was read" in condition.source) == (condition.status == "MEMORY"), condition.id
        assert condition.freezing_rule()


def test_the_sites_own_label_is_asked_for_by_document_and_edition(tmp_path):
    assert "NOT NAMED" in str(tables.conditions(assessment.assess(case_of(tmp_path / "a", course()))))
    site = "[conditions.label]\nlow_c = 2.0\nhigh_c = 8.0\ndocument = 'Procedure 12'\nedition = '2026-01'\n"
    own = str(tables.conditions(assessment.assess(case_of(tmp_path / "b", course(), site=site, unit='condition = "label"\n' + STATED))))
    assert "Procedure 12, 2026-01" in own and "NOT NAMED" not in own and "the rule of the kit" in own


@pytest.mark.parametrize(("given_", "least"), [("", 3), ("product_time_constant_min = [10, 60]\n", 10)])
def test_contents_stand_beside_the_probe_as_an_estimate(tmp_path, given_, least):
    case = assessment.assess(case_of(tmp_path, course(h10_12=9.5), "L,Example,1,2026-03-01T00:00,,,0,,,,", site=given_))
    (row,) = case.results["lots"][0]["product_beside"]
    assert row["time_constant_min"][0] == least and row["stated"] is bool(given_) and row["estimate"] is True
    above = row["outside"]["above"]
    assert above["minutes_least"] <= above["minutes_most"] and above["probe_minutes"] > 100 and row["probe_max_c"] == 9.5
    assert "an estimate" in str(tables.exposures(case)) and "Goods put in warm or cold are not covered" in str(tables.exposures(case))


def test_a_range_of_time_constants_that_is_none_is_refused(tmp_path):
    with pytest.raises(RegisterError, match="two numbers above zero"):
        assessment.assess(case_of(tmp_path, course(), site="product_time_constant_min = [60, 10]\n"))
