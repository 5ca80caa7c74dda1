"""The record page: complete, escaped, without anything from outside; the PDF of the same page."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from coldchain_kit.base import RecordError
from coldchain_kit.records import markup, page, pdf

SVG = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" width="90" height="40" viewBox="0 0 90 40"><title>Trace of F2</title><desc>Above 8 °C for three hours.</desc><g clip-path="url(#a)"><path d="M0 0L9 9"/><text>°C</text></g></svg>'
TABLE = '<style>td{color:red}</style><table class="kit"><caption>Probes, °C</caption><thead><tr><th scope="col">Probe</th><th scope="col">Highest (°C)</th></tr></thead><tbody><tr><th scope="row">upper</th><td class="num">9.3</td></tr></tbody></table>'
AT = "2026-03-09T09:12:00Z"
HOSTILE = '<script>alert(1)</script><img src="https://example.org/x.png" onerror="x()"><a href="https://example.org">link</a></main></body><style>@import "x"</style><form><input></form><p style="background:url(http://x)">kept</p>'


def output(**data):
    return new_output("display_data", {key.replace("_", "/", 1): value for key, value in data.items()})


def notebook():
    return new_notebook(cells=[
        new_markdown_cell("# Investigation\n\nFirst words."),
        new_markdown_cell("## What happened"),
        new_code_cell("secret_code()", outputs=[new_output("display_data", {"image/svg+xml": SVG, "text/plain": "Trace"}), output(text_html=TABLE)]),
        new_markdown_cell("## What happened\n\n### Detail\n\n" + HOSTILE),
        new_code_cell("x", outputs=[new_output("stream", name="stdout", text="a < b & \x1b[31mred\x1b[0m"), new_output("stream", name="stderr", text="careful"), output(text_html=HOSTILE)]),
        new_code_cell("x", outputs=[output(text_html=TABLE.replace("Probes", "Lots")), new_output("display_data", {"image/svg+xml": SVG.replace("Trace of F2", "Second")})]),
    ])  # fmt: skip


def html(**more):
    return page.html(notebook(), title="F2 above 8 °C", kind="Investigation", facts=(("Case", "2026-014"),), running="2026-014, revision 1", contents_hash="ab12" * 16, **more)


class Strict(HTMLParser):
    """Every element closed in order; every address it would fetch collected."""

    void = {"meta", "br", "img", "hr", "link", "input", "col", "wbr"}

    def __init__(self, text):
        super().__init__()
        self.open, self.fetched, self.tags = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.fetched += [(tag, name, value) for name, value in attrs if name in ("src", "href", "xlink:href", "action", "data", "poster", "srcset", "background") or name.startswith("on")]
        if tag not in self.void:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def test_page_closes_what_it_opens_and_fetches_nothing():
    parsed = Strict(html(banner=page.BANNER["demonstration"]))
    assert parsed.open == []
    assert all(name == "href" and value.startswith("#") for _, name, value in parsed.fetched)
    assert not {"script", "iframe", "object", "form", "input", "link", "img"} & set(parsed.tags)
    assert parsed.tags.count("style") == 1
    text = html()
    assert "default-src 'none'" in text and "https://" not in text and "http://" not in text


def test_code_is_hidden_and_words_are_escaped():
    text = html()
    assert "secret_code" not in text
    assert "<pre>a &lt; b &amp; red</pre>" in text and '<pre class="message">careful</pre>' in text
    assert "alert(1)" not in text and "<p>kept</p>" in text


def test_figures_and_tables_are_numbered_and_named():
    text = html()
    assert re.findall(r"<b>(Figure \d\. [^<]+)</b>", text) == ["Figure 1. Trace of F2", "Figure 2. Second"]
    assert re.findall(r"<caption><b>(Table \d\.)</b> (\w+)", text) == [("Table 1.", "Probes"), ("Table 2.", "Lots")]
    assert 'aria-label="Table 1. Probes, °C"' in text and "<desc>Above 8 °C for three hours.</desc>" in text


def test_contents_list_reaches_every_section():
    text = html()
    targets = re.findall(r'<li><a href="#([^"]+)">([^<]+)</a>', text)
    assert targets == [("what-happened", "What happened"), ("what-happened-2", "What happened")]
    assert all(text.count(f'id="{name}"') == 1 for name, _ in targets)
    assert "<h1>F2 above 8 °C</h1>" in text and text.count("<h1") == 1


def test_banner_stands_on_screen_and_on_every_sheet():
    text = html(banner=page.BANNER["exercise"])
    assert '<aside class="banner" aria-label="Kind of page">EXERCISE: not a real event</aside>' in text
    assert '@top-right { content: "EXERCISE: not a real event" }' in text
    assert "<title>EXERCISE: not a real event: F2 above 8 °C</title>" in text
    assert "banner" not in re.sub(r"<style>.*?</style>", "", html(), flags=re.DOTALL)


def test_title_cannot_leave_its_place():
    text = page.html(new_notebook(cells=[]), title='</style><script>x</script>"', running='"} body{}', banner="</title>")
    assert "<script>" not in text and text.count("</style>") == 1 and "} body{}" not in text


def test_sixteen_characters_of_the_hash_are_printed():
    assert "<code>ab12ab12ab12ab12</code>" in html() and "ab12" * 5 not in html()


def test_same_notebook_gives_the_same_page():
    assert html() == html()


@pytest.mark.parametrize("source", ["<svg", "<!DOCTYPE x [<!ENTITY a 'b'>]><svg/>", "<html/>"])
def test_broken_pictures_are_left_out(source):
    assert markup.svg(source) == ("", "", "")


def test_svg_keeps_no_outside_reference():
    hostile = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:x="http://www.w3.org/1999/xlink"><image x:href="http://e/x.png"/><use x:href="#here"/><rect fill="url(http://e)" stroke="url(#g)" onclick="x"/><foreignObject/><style>@import "x"</style></svg>'
    assert markup.svg(hostile)[0] == '<svg><image></image><use href="#here"></use><rect stroke="url(#g)"></rect></svg>'


def test_pdf_is_tagged_whole_and_the_same_to_the_byte():
    first, second = (pdf.from_page(html(), title="F2", frozen_at=AT, running="2026-014, revision 1", banner="EXERCISE") for _ in range(2))
    # What the file declares of itself in its metadata: PDF/A part and conformance (ISO 19005-1, 6.7.11) and PDF/UA part (ISO 14289-1, clause 5): MEMORY.
    # Whether it keeps what it declares is typst's word: no validator is at hand here.
    assert b"<pdfaid:part>2</pdfaid:part>" in first and b"<pdfaid:conformance>A</pdfaid:conformance>" in first and b"<pdfuaid:part>1</pdfuaid:part>" in first
    assert first == second and first.startswith(b"%PDF") and b"StructTreeRoot" in first
    assert set(re.findall(rb"D:2\d{13}", first)) == {b"D:20260309091200"}, "no clock time in the file but the freeze's"


def test_pdf_rows_hold_what_the_page_shows():
    rows = pdf.blocks(html(banner="EXERCISE"))
    kinds = [row["kind"] for row in rows]
    assert kinds.count("figure") == 2 and kinds.count("table") == 3 and kinds.count("heading") >= 4
    assert rows[kinds.index("figure")]["alt"] == "Trace of F2. Above 8 °C for three hours."
    table = rows[kinds.index("table")]
    assert [[word["text"] for word in cell["words"]] for cell in table["rows"][0]] == [["upper"], ["9.3"]]
    assert "Go to the text" not in str(rows)


def test_pdf_takes_typed_text_as_text():
    words = new_notebook(cells=[new_code_cell("x", outputs=[output(text_html="<p>#panic() $x$ *b* @ref &lt;label&gt; =1</p>")])])
    assert pdf.from_page(page.html(words, title="#panic()"), title="#panic()", frozen_at=AT).startswith(b"%PDF")


@pytest.mark.parametrize("source", ["#### deep first", "## a\n\n##### skipped levels", "##", "<table><caption>empty</caption></table>", "| a |\n|---|", "- one\n    - two\n\n1. x\n\n> quoted\n\n`code` **bold *both***", "Ελληνικά Кириллица −40 °C ± ≤ µ"])
def test_pdf_of_odd_notebooks(source):
    words = new_notebook(cells=[new_markdown_cell("# t"), new_markdown_cell(source)])
    assert pdf.from_page(page.html(words, title="t"), title="t", frozen_at=AT).startswith(b"%PDF")


def test_a_letter_no_font_has_is_a_plain_message(monkeypatch):
    import typst

    asked = []

    def refuse(*given, ignore_system_fonts, **more):
        asked.append(ignore_system_fonts)
        fault = typst.TypstError()
        fault.message = "PDF/UA-1 error: the text `x` could not be displayed with font `y`"
        raise fault

    monkeypatch.setattr(typst, "compile", refuse)
    with pytest.raises(RecordError, match="could not be displayed.*print the page from a browser"):
        pdf.from_page(html(), title="t", frozen_at=AT)
    assert asked == [True, False]
