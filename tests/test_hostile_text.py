"""Whatever people type into a free text stays text: on the page, on the sheets, in the tables, in a browser."""

from __future__ import annotations

import csv
import io
import re
import shutil
from html.parser import HTMLParser

import pytest

from coldchain_kit import cli, records
from coldchain_kit.base import package_files
from coldchain_kit.records import verification
from coldchain_kit.register import entries
from tests.test_browser import ARGUMENTS

MARK = "zq"  # stands in every hostile text, so that each can be found again
TEXTS = (
    f"<script>alert('{MARK}')</script>", f'"><img src=x onerror=alert(1) alt={MARK}>', f"</title></style></pre></main>{MARK}<iframe src=//x.example>",
    f'=HYPERLINK("http://x.example";"{MARK}")', f"@SUM(1+1)*cmd|' /C calc'!{MARK}", f"[{MARK}](javascript:alert(1)) ![x](http://x.example/y.png)", f"$$\\href{{javascript:alert(1)}}{{{MARK}}}$$ `{{{{7*7}}}}`",
    f"<svg/onload=alert(1)>{MARK} \u202eevil\u202c", f"&lt;b&gt;{MARK}&#60;script&#62;alert(1)", f"{MARK} | a | b |\n|---|---|\n# head\n<div onclick=alert(1)>",
)  # fmt: skip
LONG = f"{MARK} long " + "ab cd " * 17_000


class Seen(HTMLParser):
    """Elements, attributes and text of a page, by a parser that is not the kit's."""

    def __init__(self) -> None:
        super().__init__()
        self.wrong: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag, attrs):
        named = dict(attrs)
        if tag in ("script", "iframe", "object", "embed", "form", "link", "base") or (tag == "img" and not str(named.get("src")).startswith("data:")):
            self.wrong.append(self.get_starttag_text()[:120])
        for name, value in attrs:
            address = str(value or "").strip().lower()
            if name.startswith("on") or address.startswith("javascript:") or (name in ("href", "src", "xlink:href") and re.match(r"(https?:)?//", address)):
                self.wrong.append(f"{tag} {name}={address[:80]}")

    def handle_data(self, data):
        self.text.append(data)


def toml(text: str) -> str:
    return '"' + "".join({"\\": "\\\\", '"': '\\"', "\n": "\\n"}.get(c, c) for c in text) + '"'


def swapped(text: str, key: str, value: str) -> str:
    """The first ``key = "…"`` of a TOML text with another value."""
    found, count = re.subn(rf'\b{key} = "[^"]*"', lambda _: f"{key} = {toml(value)}", text, count=1)
    assert count, key
    return found


def spoiled_table(path, columns):
    rows = list(csv.DictReader(path.read_text("utf-8").splitlines()))
    for number, row in enumerate(rows):
        row |= {name: f"{TEXTS[(number + k) % len(TEXTS)]} {number}" for k, name in enumerate(columns)}
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, rows[0])
        table.writeheader()
        table.writerows(rows)


def answer(field: str, text: str) -> object:
    """A hostile answer of the shape that the question takes."""
    kind = field.partition(".")[0]
    return {
        "decision": {"outcome": "hold", "by": text, "role": text, "time": "2026-03-09T10:00", "reasons": text},
        "told": {"who": text, "time": "2026-03-09T10:00", "how": text, "reference": text},
        "count": {"received": text, "used": text, "held": text, "moved": text, "by": text, "time": "2026-03-09T10:00"},
        "reply": {"from": text, "words": text, "time": "2026-03-10T09:00"},
        "monitor": {"stage": "1", "read_by": text, "time": "2026-03-09T10:00"},
    }.get(kind, text)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """The sample site with every free text replaced, its record, sheets and month."""
    base = tmp_path_factory.mktemp("hostile")
    site = shutil.copytree(package_files.sample_data() / "tern_bay", base / "site")
    register, case = site / "site.toml", site / "cases/2026-014"
    text = register.read_text("utf-8")
    for key, value in zip(("name", "description", "serial", "number"), TEXTS, strict=False):
        text = swapped(text, key, value.replace("\n", " "))
    register.write_text(text, "utf-8")
    text = swapped((case / "case.toml").read_text("utf-8"), "title", TEXTS[0])
    (case / "case.toml").write_text(swapped(text, "by", TEXTS[1]), "utf-8")
    spoiled_table(case / "logbook.csv", ["text", "who"])
    spoiled_table(case / "stock.csv", ["product", "manufacturer", "presentation"])
    spoiled_table(case / "allowances.csv", ["source"])
    spoiled_table(case / "actions.csv", ["action", "owner", "note"])
    given = [field.replace("*", {"decision": "TBH-2207", "reply": "TBH-2207", "monitor": "TBH-2207", "text": "what"}.get(field.partition(".")[0], "1")) for field in entries.FIELDS if not field.startswith(("set_aside", "action", "found.when", "immediate.when"))]
    for number, field in enumerate(given):
        entries.append(case, who=f"{TEXTS[number % 9]} {number}", field=field, new=answer(field, TEXTS[(number + 3) % len(TEXTS)] if field != "risk" else LONG), why="first")
    out = base / "records"
    assert cli.main(["enquiry", str(case / "case.toml"), "--out", str(base / "sheets")]) == 0
    assert cli.main(["monthly", str(register), "--unit", "F2", "--month", "2026-03", "--out", str(out)]) in (0, 1)
    return {"record": records.investigate(case / "case.toml", out), "base": base}


@pytest.mark.notebooks
def test_no_text_becomes_a_part_of_a_page(hostile):
    pages = sorted(hostile["base"].rglob("*.html"))
    assert len(pages) >= 4 and verification.record(hostile["record"]) == []
    for path in pages:
        seen = Seen()
        seen.feed(path.read_text("utf-8"))
        assert seen.wrong == [], path.name
    shown = Seen()
    shown.feed((hostile["record"] / "data/record.html").read_text("utf-8"))
    told = "".join(shown.text)
    assert told.count(MARK) > 60 and f"<script>alert('{MARK}')</script>" in told and "{{7*7}}" in told and "ab cd ab cd" in told


@pytest.mark.notebooks
def test_no_table_holds_a_formula(hostile):
    cells = [cell for path in hostile["base"].rglob("tables/*.csv") for row in csv.reader(io.StringIO(path.read_bytes().decode("utf-8"), newline="")) for cell in row]
    assert sum(MARK in cell for cell in cells) >= 10
    live = [cell for cell in cells if cell[:1] in "=+-@\t\r" and cell and not re.fullmatch(r"[-+]?[\d.]+(e[-+]?\d+)?", cell)]
    assert live == []


@pytest.mark.notebooks
@pytest.mark.browser
def test_a_browser_runs_nothing_and_asks_for_nothing(hostile):
    from playwright.sync_api import sync_playwright

    heard: list[str] = []
    with sync_playwright() as started:
        browser = started.chromium.launch(executable_path=shutil.which("chromium"), args=ARGUMENTS)
        for path in sorted(hostile["base"].rglob("*.html")):
            tab = browser.new_page()
            tab.on("dialog", lambda dialog: (heard.append(f"dialog {dialog.message}"), dialog.dismiss()))
            tab.on("request", lambda request: heard.append(request.url) if not request.url.startswith(("file:", "data:")) else None)
            tab.goto(path.as_uri())
            assert tab.evaluate("document.querySelectorAll('script, iframe, form').length") == 0
            tab.close()
        browser.close()
    assert heard == []
