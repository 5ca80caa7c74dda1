"""The enquiry sheet: the facts in the order they are asked for, nothing judged, nothing that runs."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest

from coldchain_kit.base import KitError
from coldchain_kit.model import plain
from coldchain_kit.show import enquiry, wording
from tests.test_lots import a_lot, allow, assess, at, flat, site, unit_of  # noqa: F401  (site is a fixture)

# Order of issue 5: product, presentation, lot, expiry, quantity, state; highest, lowest; first, last outside, first back;
# longest single, total; bands; without readings; earlier; probe, uncertainty; (MKT if asked); where it is now.
ORDER = [
    "Product", "Presentation", "Lot", "Expiry", "Quantity", "State", "Storage condition", "Time that", "Highest reading", "Lowest reading", "Possible freezing",
    "First reading outside", "Last reading outside", "First reading back", "Longest single", "Total time", "Time in each band", "Time without readings",
    "Earlier exposures", "Probe and place", "Uncertainty", "Where the stock list has it", "Where the stock is now",
]  # fmt: skip


@pytest.fixture
def case(site):  # noqa: F811
    lot = a_lot(site, (1, None), earlier_out_hours=1.5, state="unopened")
    row = assess(site, lot, unit_of(flat(h10_12=12.0), air=flat(h10_10=0.5)), allow())
    probe = {"unit": "F2", "probe": "A", "role": "buffered", "decides": True, "u_c": 0.25, "u_from": "assumed"}
    return plain({
        "case": {"id": "2026-014", "title": "F2 <b>above</b> 8 °C", "site": "Tern Bay & Co", "timezone": "Europe/Lisbon", "window": [at(0), at(48)]},
        "lots": [{**row, "product": "Vaccine <script>alert(1)</script>", "manufacturer": "Maker | A"}], "probes": [probe], "mkt": [],
    })  # fmt: skip


def facts(case, **rest):
    (sheet,) = enquiry.sheets(case, **rest)
    return sheet, sheet["lots"][0]["facts"]


def test_facts_stand_in_the_order_they_are_asked_for(case):
    headings = [heading for heading, _ in facts(case)[1]]
    first = [next(at for at, heading in enumerate(headings) if heading.startswith(start)) for start in ORDER]
    assert first == sorted(first)


def test_figures_carry_unit_zone_and_probe(case):
    rows = dict(facts(case)[1])
    assert rows["Highest reading"] == "12.0 °C at 2026-03-01 10:00 +00:00, F2, probe A (buffered)"
    assert rows["First reading outside, above 8.0 °C"] == "2026-03-01 10:00 +00:00 (F2, probe A (buffered))"
    assert rows["First reading back inside, above 8.0 °C"].startswith("2026-03-01 12:10 +00:00")
    assert rows["Total time above 8.0 °C"] == "at most 140 min (2 h 20 min), at least 120 min (2 h)"
    assert rows["Readings below 2.0 °C"] == "none" and "First reading outside, below 2.0 °C" not in rows
    assert rows["Time that the figures cover"] == "F2, from 2026-03-01 01:00 +00:00 to 2026-03-03 00:00 +00:00"
    assert "YES, possible: lowest reading 0.5 °C" in rows["Possible freezing"] and "probe air (air)" in rows["Possible freezing"]
    assert rows["Uncertainty of the readings"] == "F2, probe A (buffered): ±0.5 °C (k = 2, assumed, no certificate)"
    assert rows["Earlier exposures"].startswith("1.5 h out of range") and rows["Presentation"] == "not known"
    assert "READ" not in str(rows) and "remain" not in str(rows)


def test_the_question_is_the_first_line_and_names_the_statement(case):
    """The maker's own statement is quoted by its source and held against at least and at most; without one the sheet asks what is stated."""
    sheet = facts(case)[0]
    held, one = case["lots"][0]["outside"]["above"], case["lots"][0]["allowances"][0]
    for text in (one["source"], wording.minutes(held["minutes_least"]), wording.minutes(held["minutes_most"]), "together with 1.5 h earlier", "possible freezing", "Please answer in writing for this lot."):
        assert text in sheet["question"]
    bare = {**case, "lots": [{**case["lots"][0], "allowances": []}]}
    assert "what do you state for at least" in facts(bare)[0]["question"]
    page = enquiry.html(sheet)
    assert page.index('class="question"') < page.index("<h1>") and "Reply by" in page


def test_a_lot_without_exposure_is_named_and_not_asked_about(case):
    quiet = {**case["lots"][0], "lot": "QUIET-1", "needs_decision": False}
    (sheet,) = enquiry.sheets({**case, "lots": [case["lots"][0], quiet]})
    assert [lot["lot"] for lot in sheet["lots"]] == [case["lots"][0]["lot"]] and sheet["others"] == ["QUIET-1 (Vaccine <script>alert(1)</script>)"]
    assert "QUIET-1 (Vaccine &lt;script&gt;" in enquiry.html(sheet)


@pytest.mark.browser
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_sheet_of_one_lot_is_one_page(tmp_path, paper):
    import shutil

    from coldchain_kit import cli
    from coldchain_kit.base import package_files

    playwright = pytest.importorskip("playwright.sync_api")
    chromium = shutil.which("chromium") or pytest.skip("no chromium")
    bay = package_files.copy_sample_site(tmp_path / "site")
    assert cli.main(["enquiry", str(bay / "cases" / "2026-014" / "case.toml"), "--out", str(tmp_path / "out")]) == 0
    pages = {}
    with playwright.sync_playwright() as runner:
        browser = runner.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        for path in sorted((tmp_path / "out").glob("*.html")):
            page = browser.new_page()
            page.goto(path.as_uri())
            pages[path.name] = len(re.findall(rb"/Type\s*/Page\b", page.pdf(format=paper)))
        browser.close()
    assert len(pages) == 3 and set(pages.values()) == {1}, pages


def test_mkt_stands_there_only_where_it_is_asked_for(case):
    assert not any("kinetic" in heading for heading, _ in facts(case)[1])
    (text,) = [text for heading, text in facts(case, with_mkt=True)[1] if "kinetic" in heading]
    assert "83.144 kJ/mol" in text and "from 2026-03-01 01:00 +00:00" in text


def test_the_sheet_is_preliminary_until_it_is_not_and_never_judges(case):
    page = enquiry.html(facts(case, marks=["DEMONSTRATION"])[0])
    assert "PRELIMINARY" in page and "DEMONSTRATION" in page and "do not use" in page
    assert "PRELIMINARY" not in enquiry.html(facts(case, preliminary=False)[0])
    told = re.sub(r"does not say that product is safe or must be discarded", "", enquiry.html(facts(case)[0]))
    assert not re.search(r"\b(safe|discard\w*|usable|acceptable)\b", told)


def test_what_people_typed_is_text_and_nothing_is_fetched(case):
    sheet = facts(case)[0]
    page = enquiry.html(sheet)
    seen = []
    parser = HTMLParser()
    parser.handle_starttag = lambda tag, attrs: seen.append((tag, dict(attrs)))
    parser.feed(page)
    assert "script" not in {tag for tag, _ in seen} and "b" not in {tag for tag, _ in seen}
    assert not any(key in ("src", "href", "onload") for _, attrs in seen for key in attrs) and "url(" not in page
    assert "USP &lt;659&gt; as" in page
    assert page == enquiry.html(enquiry.sheets(case)[0])


def test_one_sheet_a_manufacturer(case):
    second = {**case["lots"][0], "lot": "L2"}
    other = {**case["lots"][0], "lot": "L3", "manufacturer": None}
    many = {**case, "lots": [*case["lots"], second, other, {**other, "lot": "L4"}]}
    assert [len(sheet["lots"]) for sheet in enquiry.sheets(many, by="manufacturer")] == [2, 1, 1]
    assert len(enquiry.sheets(many)) == 4
    with pytest.raises(KitError, match="lot or manufacturer"):
        enquiry.sheets(many, by="maker")
