"""The preliminary sheet: one self-contained page, marked, escaped, with the same figures as the case."""

from __future__ import annotations

import re

import pytest

from coldchain_kit.base import KitError
from coldchain_kit.register import entries
from coldchain_kit.show import preliminary, tables, wording
from coldchain_kit.show.front.times import long
from tests.assessed import assessed


def test_the_sheet_is_marked_and_holds_the_figures_of_the_case(tmp_path):
    case = assessed(tmp_path)
    page = preliminary.html(case)
    row, outside = case.results["excursions"][0], case.results["probes"][0]["outside"]["above"]
    for text in (
        preliminary.MARK,
        "DEMONSTRATION",
        wording.celsius(row["extreme_c"]),
        f"{long(outside['minutes_least'])}</td>",
        f'title="At most">{long(outside["minutes_most"])}</td>',
        "L-7731",
        "NOT MARKED",
        "Europe/Lisbon",
        "Fri 6 Mar 18:43",
    ):
        assert text in page
    assert all(caution.replace('"', "&quot;") in page for caution in tables.CAUTIONS)


def test_the_sheet_asks_for_nothing_from_outside_and_escapes_what_was_typed(tmp_path):
    case = assessed(tmp_path)
    entries.append(tmp_path, who="R. Vaz", field="immediate.where", new="<script>alert(1)</script>")
    page = re.sub(r' xmlns(:xlink)?="[^"]*"', "", preliminary.html(case))  # the names of a picture's own grammar ask for nothing
    assert "<script" not in page and "&lt;script&gt;" in page and "<on>" not in page and "http" not in page and "src=" not in page


@pytest.mark.browser
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_sheet_prints_on_one_page(tmp_path, paper):
    import re
    import shutil

    playwright = pytest.importorskip("playwright.sync_api")
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or pytest.skip("no chromium")
    path = preliminary.write(assessed(tmp_path), tmp_path)
    with playwright.sync_playwright() as runner:
        browser = runner.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page()
        page.goto(path.as_uri())
        pdf = page.pdf(format=paper)
        browser.close()
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1


def test_writing_replaces_the_sheet_whole(tmp_path):
    case = assessed(tmp_path)
    out = tmp_path / "papers"
    assert preliminary.write(case, out).read_text("utf-8") == preliminary.html(case)
    entries.append(tmp_path, who="R. Vaz", field="immediate.by", new="M. Alder")
    assert "M. Alder" in preliminary.write(case, out).read_text("utf-8")
    assert [path.name for path in out.iterdir()] == ["preliminary.html"]


def test_a_place_that_cannot_be_written_is_one_plain_error(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(KitError, match="could not be written"):
        preliminary.write(assessed(tmp_path), tmp_path / "file")


def test_the_button_writes_it_and_a_frozen_record_holds_no_button(tmp_path):
    case = assessed(tmp_path)
    assert preliminary.offer(case, frozen=True) is None
    box = preliminary.offer(case)
    box.children[0].click()
    assert (tmp_path / "preliminary.html").is_file() and "Written" in box.children[1].value
