"""Display tables: captions, units, scopes, local times; nothing blank; everything escaped; the same as data."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser

import pandas as pd
import pytest

from coldchain_kit import assessment
from coldchain_kit.show import tables, wording
from coldchain_kit.show.tables.excursions import extreme
from coldchain_kit.show.tables.table import Table, cell, turned
from tests import sites
from tests.assessed import assessed

VIEWS = [name for name in tables.__all__ if name not in ("CAUTIONS", "Prose", "Table", "Tables", "csv_tables", "fingerprint")]


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    return assessed(tmp_path_factory.mktemp("case"))


class Reader(HTMLParser):
    """Tags in order, and the text of every cell."""

    def __init__(self, page: str):
        super().__init__()
        self.tags, self.cells, self.scopes, self._open = [], [], [], False
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        if tag in ("td", "th"):
            self._open = True
            self.cells.append("")
            if tag == "th":
                self.scopes.append(dict(attrs).get("scope"))

    def handle_endtag(self, tag):
        if tag in ("td", "th"):
            self._open = False

    def handle_data(self, data):
        if self._open:
            self.cells[-1] += data


@pytest.mark.parametrize("name", VIEWS)
def test_every_table_has_captions_scopes_and_no_blank_cell(case, name):
    found = getattr(tables, name)(case)
    page = Reader(found._repr_html_())
    assert page.tags.count("caption") == page.tags.count("table")
    assert set(page.scopes) <= {"col", "row"}
    assert all(text.strip() and text.strip() not in ("nan", "None", "NaT") for text in page.cells)
    bundle = found._repr_mimebundle_()
    assert set(bundle) == {"text/html", "text/plain"} and bundle["text/plain"].strip() and "<" not in re.sub(r"<(on|X|659)>", "", bundle["text/plain"])


@pytest.mark.parametrize("name", VIEWS)
def test_what_people_typed_is_escaped(case, name):
    page = getattr(tables, name)(case)._repr_html_()
    assert "<on>" not in page and "<X>" not in page


@pytest.mark.parametrize("name", VIEWS)
def test_same_assessment_same_bytes(case, tmp_path, name):
    assert getattr(tables, name)(case)._repr_html_() == getattr(tables, name)(assessed(tmp_path))._repr_html_()


@pytest.mark.parametrize("name", VIEWS)
def test_a_clean_record_without_anything_still_reads_as_sentences(tmp_path, name):
    clean = assessed(tmp_path, warm=False, gap=False)
    results = {key: ([] if isinstance(held, list) and key not in ("probes", "sources") else held) for key, held in clean.results.items()}
    text = str(getattr(tables, name)(replace(clean, results=results))).replace("never says that product is safe", "")
    assert text.strip()
    for word in ("is safe", "was safe", "discard the", "may be used"):
        assert word not in text


def test_times_stand_in_the_sites_zone_with_offset(tmp_path):
    lisbon, tokyo = (str(tables.excursions(assessed(tmp_path, zone=zone))) for zone in ("Europe/Lisbon", "Asia/Tokyo"))
    assert re.search(r"2026-03-0\d \d\d:\d\d \+00:00", lisbon) and "+09:00" not in lisbon
    assert re.search(r"2026-03-0\d \d\d:\d\d \+09:00", tokyo) and "+00:00" not in tokyo


def test_as_read_and_corrected_are_told_apart(case):
    text = str(tables.readings(case))
    probe = case.results["probes"][0]
    assert f"{probe['as_read_min_c']:g} °C to {probe['as_read_max_c']:g} °C" in text
    assert wording.celsius(probe["max_c"]) in text and probe["max_c"] != probe["as_read_max_c"]
    assert "corrected values" in text and "As read" in text


def test_bounds_and_verdict_stand_beside_the_minutes(case):
    row = case.results["excursions"][0]
    text = str(tables.excursions(case))
    for value in ("minutes", "minutes_least", "minutes_most"):
        assert wording.minutes(row[value]) in text
    undecided = replace(case, results={**case.results, "excursions": [{**row, "verdict": "undecided", "faulty": True, "open_end": True}]})
    text = str(tables.excursions(undecided))
    assert "handle as an excursion" in text and "yes: faulty" in text and "record begins or ends, or a gap" in text


def test_an_extreme_is_never_rounded_onto_its_limit(case):
    results = {**case.results, "excursions": [{**case.results["excursions"][0], "extreme_c": 8.0004}]}
    assert "8.0004 °C" in str(tables.excursions(replace(case, results=results)))


def test_no_excursion_in_a_record_with_gaps_says_that_nothing_is_known_there(tmp_path):
    assert "about which nothing is known" in str(tables.excursions(assessed(tmp_path, warm=False)))
    assert "nothing is known" not in str(tables.excursions(assessed(tmp_path, warm=False, gap=False)))


def test_rows_are_read_plus_refused_and_the_refused_are_shown(case):
    text = str(tables.sources(case))
    assert "2,822 | 2,821 | 1" in text
    assert "F2.csv | 17 | line refused | the time '2026-13-01' cannot be read" in str(tables.refused(case))


def test_a_limit_names_its_document_and_how_it_was_seen(case):
    text = str(tables.conditions(case))
    assert "8 °C, the limit itself is inside" in text and "Source | " in text and "read in a text that quotes it" in text and "enter the label" in text.lower()
    assert "The label and the manufacturer decide" in text


def test_lots_say_who_decides_and_never_what_to_do(case):
    text = str(tables.lots(case))
    assert "a person must decide" in text and "The pharmacist or quality unit decides" in text
    assert "remain" not in str(tables.allowances(case)) and "4.0 h" in str(tables.allowances(case))


def test_a_freezing_that_was_not_evaluated_is_not_called_unseen(case):
    results = {**case.results, "lots": [{**case.results["lots"][0], "possible_freezing": None}]}
    assert "not evaluated" in str(tables.lots(replace(case, results=results)))


def test_causes_are_ranked_with_their_figures(case):
    row = {"observation": "It rose for 4.7 hours.", "number": 280.0, "threshold": 120.0, "unit": "min", "weight": 0.9, "comment": "A closed cabinet takes hours."}
    causes = [
        {"cause": "power_loss", "support": 0.9, "for": [row], "against": [], "untested": [], "check_next": ["Look at the plug"]},
        {"cause": "defrost", "support": 0.001, "for": [], "against": [row], "untested": [], "check_next": []},
    ]
    third = {"cause": "warm_load", "support": 0.002, "for": [], "against": [], "untested": [], "check_next": []}
    results = {**case.results, "episodes": [{**case.results["episodes"][0], "causes": [*causes, third]}]}
    text = str(tables.causes(replace(case, results=results)))
    assert "loss of power | strong (0.90 of 1) | It rose for 4.7 hours." in text
    assert "It rose for 4.7 hours. | for | 280.0 min | 120.0 min | 0.9 | A closed cabinet takes hours." in str(tables.evidence(replace(case, results=results)))
    assert "each with a support under 0.05: warm goods put in" in text
    assert "☐ Look at the plug" in str(tables.check_next(replace(case, results=results)))


def test_how_the_record_was_made_names_interpreter_kit_zone_and_full_hashes(case):
    import platform

    text = str(tables.made(case))
    assert platform.python_version() in text and "coldchain_kit 0." in text and "Time zone database | 20" in text
    assert "ab" * 32 in text and re.search(r"Kit's code, SHA-256 \| [0-9a-f]{64}", text)
    assert "/home" not in text and "/work" not in text and "/tmp" not in text


def test_cautions_carry_the_mark_of_a_demonstration(case):
    assert str(tables.cautions(case)).startswith("DEMONSTRATION")
    assert all(caution in str(tables.cautions(case)) for caution in tables.CAUTIONS)


def test_csv_tables_hold_full_figures_units_and_utc(case):
    frames = tables.csv_tables(case)
    assert {"sources", "probes", "excursions", "gaps", "causes", "lots", "stays", "exposures", "allowances", "rejected"} <= set(frames)
    row = frames["excursions"].iloc[0]
    assert row["minutes"] == case.results["excursions"][0]["minutes"] and row["start_utc"].endswith("Z")
    for frame in frames.values():
        assert isinstance(frame, pd.DataFrame) and len(frame)
        assert not any(isinstance(value, (list, dict)) for value in frame.to_numpy().ravel())
    assert {"used_least_hours", "used_most_hours"} <= set(frames["allowances"])


def test_long_lists_are_cut_and_the_rest_is_counted(case):
    results = {**case.results, "excursions": [{**case.results["excursions"][0], "id": f"E{n}"} for n in range(100)]}
    many = replace(case, results=results)
    assert "And 60 more excursions: the CSV table in the record lists them all." in str(tables.excursions(many))
    assert len(tables.csv_tables(many)["excursions"]) == 100


def test_few_rows_with_long_headers_are_turned():
    table = turned(Table("T", ("Id", "First (°C)"), (("E1", "1.0 °C"), ("E2", None))))
    assert table.columns == ("Id", "E1", "E2") and table.rows == (("First (°C)", "1.0 °C", None),)
    assert "not known" in str(table)


@pytest.mark.parametrize(("value", "shown"), [(float("nan"), "not known"), (pd.NaT, "not known"), (False, "no"), ([], "none"), (["One.", "Two."], "One. Two."), (0, "0")])
def test_a_cell_is_never_blank(value, shown):
    assert cell(value) == shown


def test_estimates_are_called_estimates_and_refusals_stand_with_their_reason(case):
    mkt = {"unit": "F2", "probe": "A", "condition": "x", "rule": "30 days back", "window_start": "2026-03-01T00:00:00Z", "window_end": "2026-03-11T00:00:00Z", "covered_share": 0.9, "ea_kj_mol": 83.144, "mkt_c": None, "limit_c": 25.0, "source": "test", "why_not": "A frozen product has no MKT.", "warning": ""}  # fmt: skip
    gap = {
        "unit": "F2",
        "probe": "A",
        "start": "2026-03-04T03:00:00Z",
        "end": "2026-03-04T08:00:00Z",
        "minutes": 300.0,
        "before_c": 5.0,
        "after_c": 5.2,
        "warmest_c": 9.1,
        "minutes_to_limit": 120.0,
        "assumes": "Cooling stops.",
    }
    hidden = {
        "unit": "F2",
        "probe": "A",
        "time_constant_min": 12.0,
        "air_high_c": 14.0,
        "air_high_time": "2026-03-06T21:00:00Z",
        "warmer_by_c": 2.5,
        "air_low_c": 1.0,
        "air_low_time": "2026-03-05T21:00:00Z",
        "colder_by_c": 0.5,
        "doubt_c": None,
    }
    found = replace(case, results={**case.results, "mkt": [mkt], "gap_estimates": [gap], "buffer": [hidden]})
    assert "refused" in str(tables.mkt(found)) and "A frozen product has no MKT." in str(tables.mkt(found))
    for text in (str(tables.gap_estimates(found)), str(tables.buffer(found))):
        assert "No verdict and no allowance rests on this." in text
    assert "after 120 min (2 h)" in str(tables.gap_estimates(found)) and "14.0 °C at 2026-03-06 21:00 +00:00" in str(tables.buffer(found))


def test_the_same_sentence_of_two_files_is_told_once(case):
    twice = "The clock follows Europe/Lisbon. It was checked 2 times. The clock follows Europe/Lisbon. It was checked 2 times. After the last check, it is held."
    text = str(tables.clock(replace(case, results={**case.results, "clock": [{"unit": "F2", "state": "declared", "text": twice}]})))
    assert text.count("follows Europe/Lisbon") == text.count("checked 2 times") == 1 and "it is held" in text


def test_the_window_s_edge_is_no_reading(case):
    rows = [{**row, "gaps": [{"start": "2026-03-10T00:00:00Z", "end": "2026-03-11T00:00:00Z", "minutes": 1440.0, "edge": "end"}]} for row in case.results["probes"]]
    text = str(tables.gaps(replace(case, results={**case.results, "probes": rows})))
    assert "2026-03-10 00:00 +00:00 | none in the window | 1,440 min (1 d)" in text


def test_as_read_and_corrected_extreme_stand_side_by_side(case):
    row, probe = case.results["excursions"][0], next(one for one in case.results["probes"] if one["decides"])
    probes = [{**probe, "max_time": row["extreme_time"], "max_c": 13.79, "as_read_max_c": 13.8}]
    assert extreme({**row, "extreme_c": 13.8}, probes) == "13.8 °C as read, 13.79 °C corrected"
    assert extreme({**row, "extreme_c": 13.8}, []) == "13.8 °C"


def test_what_the_register_has_from_the_manual_and_the_laboratory_is_shown(case):
    entry = case.site.units["F2"]
    logger = replace(entry.logger, memory_readings=4000, when_full="overwrite", backup_hours=72.0)
    probe = entry.probes["A"]
    certificate = replace(probe.certificates[-1], number="C-7", laboratory="Harbour <Metrology>") if probe.certificates else None
    assert certificate is not None
    units = {**case.site.units, "F2": replace(entry, logger=logger, probes={**entry.probes, "A": replace(probe, certificates=(certificate,))})}
    found = tables.devices(replace(case, case=replace(case.case, site=replace(case.site, units=units))))
    assert "4,000 readings, overwrites the oldest when full" in str(found) and "72.0 h" in str(found) and "C-7 (Harbour <Metrology>)" in str(found)
    assert "Harbour &lt;Metrology&gt;" in found._repr_html_()
    assert "Memory" not in str(tables.devices(case)), "nothing is shown where nothing is stated"


@pytest.mark.parametrize("gone", [(), (40,), (40, 90, 170)])
def test_the_lots_table_tells_missing_readings(tmp_path, gone):
    """Isolated losses out of reach are no reason for a decision (CONTRACTS rule 14): they are counted in the lot's row, and shown there."""
    rows = [(f"2026-03-0{1 + k // 144}T{k % 144 // 6:02d}:{10 * (k % 6):02d}", 5.0 + 0.1 * (k % 3)) for k in range(720) if k not in gone]
    papers = {"stock.csv": "lot,product,quantity,moved_in,moved_out,earlier_out_hours\nL1,Vaccine,10,2026-03-01T00:00,,0\n"}
    found = tables.lots(assessment.assess(sites.write(tmp_path, [sites.series(tmp_path, rows)], unit="[units.U.logger]\ninterval_min = 10\n", papers=papers)))
    (told,) = [row[found.columns.index("Missing readings")] for row in found.rows]
    assert told == (f"{len(gone)}, {100 * len(gone) * 10 / 7190:.2g} % of the stay" if gone else "none")
