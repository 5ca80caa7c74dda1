"""In a real browser: a frozen page opens with no network and fits the screen; JupyterLab opens, runs the investigation and keeps an answer."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request

import pytest

from coldchain_kit import records
from coldchain_kit.base import package_files
from coldchain_kit.register import entries

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.notebooks]
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"]


@pytest.fixture(scope="module")
def browser():
    program = shutil.which("chromium")
    if program is None:
        pytest.skip("no chromium on this machine: apt-get install chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=program, headless=True, args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    site = package_files.copy_sample_site(tmp_path_factory.mktemp("site"))
    return records.investigate(site / "cases" / "2026-014" / "case.toml", site / "records") / "data" / "record.html"


@pytest.mark.parametrize("width", [420, 800, 1280])
def test_a_frozen_page_asks_for_nothing_and_fits_the_screen(browser, page_file, width):
    page = browser.new_page(viewport={"width": width, "height": 1000})
    asked, told = [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: told.append(message.text) if message.type == "error" else None)
    page.goto(page_file.as_uri())
    assert [url for url in asked if url != page_file.as_uri()] == []
    assert told == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width, "something is cut off or makes the page scroll sideways"
    assert page.locator("script").count() == 0
    assert page.locator("svg[role=img]").count() >= 3
    assert page.locator("svg[role=img] > title").count() == page.locator("svg[role=img]").count()
    page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
def test_nothing_of_a_page_shuts_out_a_screen_reader(browser, page_file, scheme, width):
    """Against axe-core's own rules, all of them (WCAG 2.2 A and AA, and best practice)."""
    from axe_playwright_python.sync_playwright import Axe

    opened = browser.new_context(bypass_csp=True, color_scheme=scheme, viewport={"width": width, "height": 900})
    page = opened.new_page()
    page.goto(page_file.as_uri())
    found = Axe().run(page).response
    opened.close()
    assert len(found["passes"]) > 20 and [(row["id"], row["nodes"][0]["html"][:120]) for row in found["violations"]] == []


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_one_page_answers_and_six_argue(browser, page_file, paper):
    """The printed pages of the sample case, read by pypdf: the front page is one sheet, the annexes begin on a new one after at most six."""
    import io

    import pypdf

    page = browser.new_page()
    page.goto(page_file.as_uri())
    text = [sheet.extract_text() for sheet in pypdf.PdfReader(io.BytesIO(page.pdf(format=paper, print_background=True))).pages]
    page.close()
    contents = next(number for number, words in enumerate(text) if "Contents" in words.splitlines())
    annexes = next(number for number, words in enumerate(text) if words.count("Annex A: The data as given") and "Contents" not in words.splitlines())
    assert contents == 1 and all(label in " ".join(text[0].split()) for label in ("Stock now", "Freezing", "Limits", "Frozen", "This page never says that product is safe, or waste."))
    assert annexes - contents <= 6
    assert all(len(words.split()) > 200 for at, words in enumerate(text[:-1]) if at != annexes - 1)  # no half-empty page but the last of the body and of the record


def test_the_page_says_what_an_auditor_asks(browser, page_file):
    page = browser.new_page()
    page.goto(page_file.as_uri())
    text = page.inner_text("main")
    for words in ("2026-014", "Tern Bay Health Centre", "Europe/Lisbon", "do not use", "13.8 °C", "TB-CAL-311", "loss of power", "M. Alder", "TBH-2207", "DEMONSTRATION"):
        assert words in text, words
    page.close()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@pytest.fixture
def lab(tmp_path):
    """JupyterLab on a copy of the sample site, opened by the kit's own command; ended by its pid."""
    port = free_port()
    apart = {key: str(tmp_path / key.lower()) for key in ("JUPYTER_CONFIG_DIR", "JUPYTER_RUNTIME_DIR", "JUPYTERLAB_SETTINGS_DIR", "JUPYTERLAB_WORKSPACES_DIR")}
    log = (tmp_path / "lab.log").open("w")
    started = subprocess.Popen([sys.executable, "-m", "coldchain_kit", "lab", str(tmp_path / "site"), "--no-browser", "--port", str(port)], env={**os.environ, **apart, "JUPYTER_TOKEN": "tok"}, stdout=log, stderr=log, start_new_session=True)
    for _ in range(240):
        try:
            urllib.request.urlopen(f"http://127.0.0.1:{port}/api/status?token=tok", timeout=2).read()
            break
        except OSError:
            time.sleep(0.25)
    yield tmp_path / "site", port
    os.killpg(started.pid, signal.SIGTERM)
    started.wait(20)
    log.close()


def test_lab_opens_runs_the_investigation_and_keeps_an_answer(browser, lab):
    folder, port = lab
    page = browser.new_page(viewport={"width": 1280, "height": 1100})
    outside = []
    page.on("request", lambda request: outside.append(request.url) if not request.url.startswith((f"http://127.0.0.1:{port}", f"ws://127.0.0.1:{port}", "data:", "blob:")) else None)
    page.goto(f"http://127.0.0.1:{port}/lab/tree/notebooks/investigation.ipynb?token=tok&reset", wait_until="domcontentloaded")
    page.wait_for_selector(".jp-NotebookPanel .jp-Notebook .jp-Cell", timeout=90_000)
    page.wait_for_function("() => document.querySelector('.jp-StatusBar-Widget')?.innerText.includes('Idle') || document.body.innerText.includes('| Idle')", timeout=90_000)
    page.locator(".lm-MenuBar-itemLabel", has_text="Run").first.click()
    page.locator(".lm-Menu-itemLabel", has_text="Run All Cells").first.click()
    to_top = "document.querySelectorAll('.jp-NotebookPanel *').forEach(one => { if (one.scrollTop > 0) one.scrollTop = 0 })"  # what is far off the screen is not drawn
    page.wait_for_function(f"() => {{ {to_top}; return document.querySelector('.jp-RenderedVegaCommon5 canvas, .jp-RenderedVegaCommon5 svg, .jp-RenderedSVG svg') !== null }}", timeout=120_000)
    page.wait_for_selector(".jupyter-widgets", state="attached", timeout=120_000)
    assert outside == []
    assert page.locator(".jp-RenderedText[data-mime-type='application/vnd.jupyter.stderr']").count() == 0
    before = len(entries.read(folder / "cases" / "2026-014"))
    boxes = page.locator(".jupyter-widgets input[type=text]")
    boxes.nth(0).fill("M. Alder")
    boxes.nth(1).fill("seen again on Tuesday")
    answer = page.locator(".jupyter-widgets textarea").first
    answer.fill("Yes, marked again on Tuesday — “do not use”.")
    answer.press("Tab")
    for _ in range(40):
        if len(entries.read(folder / "cases" / "2026-014")) > before:
            break
        page.wait_for_timeout(250)
    assert entries.read(folder / "cases" / "2026-014")[-1]["new"] == "Yes, marked again on Tuesday — “do not use”.", json.dumps(page.locator(".jupyter-widgets").first.inner_text()[:500])
    page.close()
