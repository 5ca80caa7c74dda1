"""The record's page as a tagged PDF that declares PDF/A-2a (ISO 19005-2) and PDF/UA-1 (ISO 14289-1), made with typst: same page, same bytes, no system fonts, nothing from outside.

The page's HTML is turned into rows of plain data; what people typed reaches typst as text, never as its markup.
"""

from __future__ import annotations

import base64
import json
import re
from html.parser import HTMLParser
from importlib import resources
from typing import Any

from coldchain_kit.base import RecordError

_INLINE = {"strong": "strong", "b": "strong", "dt": "strong", "em": "em", "i": "em", "code": "code", "kbd": "code"}
_HEADINGS = ("h1", "h2", "h3", "h4", "h5", "h6")
_BLOCK = (*_HEADINGS, "p", "div", "dl", "blockquote", "main", "footer")
_SKIP = ("style", "title", "nav", "head")
Given = dict[str, str | None]  # the attributes of a tag
_VOID = ("meta", "br", "link", "img", "hr", "wbr", "col")


class _Reader(HTMLParser):
    """Our own page (it is clean and balanced) into blocks of text, lists, tables and figures; a method a tag."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.blocks: list[dict[str, Any]] = []
        self.words: list[dict[str, str]] = []
        self.style: list[str] = []
        self.lists: list[dict[str, Any]] = []
        self.table: dict[str, Any] | None = None
        self.figure: dict[str, Any] | None = None
        self.skip = self.level = 0
        self.pre = self.in_head = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if self.skip or tag in _SKIP or given.get("class") in ("skip", "banner"):
            self.skip += tag not in _VOID
        elif tag in _INLINE:
            self.style.append(_INLINE[tag])
        elif tag in _BLOCK:
            self._start_block(tag, given)
        else:
            getattr(self, f"_start_{tag}", lambda given: None)(given)

    def handle_endtag(self, tag: str) -> None:
        if self.skip:
            self.skip -= tag not in _VOID
        elif tag in _INLINE:
            del self.style[-1:]
            self.words += [{"kind": "text", "text": ": "}] if tag == "dt" else []
        elif tag in _HEADINGS:
            self._end_heading(tag)
        elif tag in _BLOCK:
            self._flush()
        else:
            getattr(self, f"_end_{tag}", lambda: None)()

    def handle_data(self, data: str) -> None:
        if not self.skip:
            self.words.append({"kind": self.style[-1] if self.style else "text", "text": data if self.pre else re.sub(r"\s+", " ", data)})

    def _taken(self) -> list[dict[str, str]]:
        words, self.words = _tidy(self.words), []
        return words

    def _flush(self) -> None:
        """End a paragraph, where one can end: not inside a table, a list or a figure."""
        if self.table is None and self.figure is None and not self.lists:
            words = self._taken()
            self.blocks += [{"kind": "par", "words": words}] if words else []

    def _start_block(self, tag: str, given: Given) -> None:
        self._flush()
        if tag == "p" and given.get("class") == "blank":
            self.blocks.append({"kind": "line"})

    def _end_heading(self, tag: str) -> None:
        words = self._taken()
        if words:
            self.level = min(int(tag[1]), self.level + 1)  # PDF/UA: no level is left out
            self.blocks.append({"kind": "heading", "level": self.level, "words": words})

    def _start_br(self, given: Given) -> None:
        self.words.append({"kind": "break"})

    def _start_pre(self, given: Given) -> None:
        self._flush()
        self.pre = True

    def _end_pre(self) -> None:
        self.blocks.append({"kind": "pre", "text": "".join(row.get("text", "") for row in self.words)})
        self.words, self.pre = [], False

    def _start_ul(self, given: Given, *, ordered: bool = False) -> None:
        if self.lists:
            self._end_li()
        self._flush()
        self.lists.append({"kind": "list", "ordered": ordered, "items": []})

    def _start_ol(self, given: Given) -> None:
        self._start_ul(given, ordered=True)

    def _end_li(self) -> None:
        words = self._taken()
        if self.lists and words:
            self.lists[-1]["items"].append(words)

    def _end_ul(self) -> None:
        if self.lists:
            found = self.lists.pop()
            self.blocks += [found] if found["items"] else []

    _end_ol = _end_ul

    def _start_table(self, given: Given) -> None:
        self._flush()
        self.table = {"kind": "table", "caption": [], "head": [], "rows": [], "row": []}

    def _start_thead(self, given: Given) -> None:
        self.in_head = True

    def _end_thead(self) -> None:
        self.in_head = False

    def _start_td(self, given: Given) -> None:
        self.words = []

    _start_th = _start_td

    def _end_td(self) -> None:
        words = self._taken()
        if self.table is not None:
            self.table["head" if self.in_head else "row"].append({"words": words})

    _end_th = _end_td

    def _end_tr(self) -> None:
        if self.table is not None and self.table["row"]:
            self.table["rows"].append(self.table["row"])
            self.table["row"] = []

    def _end_caption(self) -> None:
        if self.table is not None:
            self.table["caption"] = self._taken()

    def _end_table(self) -> None:
        table, self.table, self.words = self.table or {"head": [], "rows": []}, None, []
        count = max([len(table["head"]), *(len(row) for row in table["rows"])], default=0)
        if not count:
            return
        rows = [row + [{"words": []}] * (count - len(row)) for row in table["rows"]]
        head = table["head"] + [{"words": []}] * (count - len(table["head"])) if table["head"] else []
        longest = [max(map(_length, column)) for column in zip(*([head] if head else []), *rows, strict=True)]
        widths = [round(min(max(length, 9), 60) ** 0.6, 3) for length in longest]
        self.blocks.append({"kind": "table", "caption": table["caption"], "head": [cell["words"] for cell in head], "rows": rows, "columns": count, "widths": widths})

    def _start_figure(self, given: Given) -> None:
        self._flush()
        self.figure = {"kind": "figure", "alt": "", "picture": "", "format": "svg", "caption": []}

    def _start_img(self, given: Given) -> None:
        if self.figure is not None:
            kind, _, data = (given.get("src") or "").partition(";base64,")
            self.figure |= {"alt": given.get("alt") or "Picture", "picture": list(base64.b64decode(data)), "format": kind.rpartition("/")[2]}

    def _end_figcaption(self) -> None:
        if self.figure is not None:
            self.figure["caption"] = self._taken()

    def _end_figure(self) -> None:
        self.blocks += [self.figure] if self.figure else []
        self.figure = None


def _length(cell: dict[str, Any]) -> int:
    return sum(len(row.get("text", "")) for row in cell["words"])


def _tidy(run: list[dict[str, str]]) -> list[dict[str, str]]:
    rows = [dict(row) for row in run]
    while rows and not rows[0].get("text", "x").strip():
        rows.pop(0)
    while rows and not rows[-1].get("text", "x").strip():
        rows.pop()
    if rows and "text" in rows[0]:
        rows[0]["text"] = rows[0]["text"].lstrip()
    if rows and "text" in rows[-1]:
        rows[-1]["text"] = rows[-1]["text"].rstrip()
    return rows


def blocks(page: str) -> list[dict[str, Any]]:
    """The page's content as blocks of plain data: heading, par, list, table, pre, figure."""
    drawings: list[str] = []

    def aside(found: re.Match[str]) -> str:
        drawings.append(found.group())
        return f'<img class="drawing" alt="{len(drawings) - 1}">'

    reader = _Reader()
    reader.feed(re.sub(r"<svg\b.*?</svg>", aside, page, flags=re.DOTALL))
    reader.close()
    for row in reader.blocks:
        if row["kind"] == "figure" and isinstance(row["picture"], list) and not row["picture"] and row["alt"].isdigit():
            row |= _drawing(drawings[int(row["alt"])])
    return [row for row in reader.blocks if row["kind"] != "figure" or row["picture"]]


def _drawing(svg: str) -> dict[str, Any]:
    said = [re.sub(r"<[^>]+>", "", found) for found in re.findall(r"<(?:title|desc)\b[^>]*>(.*?)</(?:title|desc)>", svg, flags=re.DOTALL)[:2]]
    return {"picture": list(svg.replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"', 1).encode("utf-8")), "format": "svg", "alt": ". ".join(said) or "Chart"}


def setter() -> Any:
    """The package typst; raises RecordError where it is not installed. Ask before a long run."""
    try:
        import typst
    except ImportError:
        raise RecordError("a PDF needs the package typst", mend='Install it, in the folder of the kit: .venv/bin/pip install ".[pdf]"') from None
    return typst


def from_page(page: str, *, title: str, frozen_at: str, running: str = "", banner: str = "") -> bytes:
    """The PDF of a page made by :func:`coldchain_kit.records.page.html`.

    ``frozen_at`` (ISO 8601, UTC) is the document's date, which PDF/A asks for: no other clock goes into the file.

    Raises
    ------
    RecordError
        The package ``typst`` is not installed, or cannot set the page.
    """
    typst = setter()
    source = resources.files("coldchain_kit.records").joinpath("page_template/page.typ").read_bytes()
    document = json.dumps({"title": title, "running": running, "banner": banner, "at": [int(part) for part in re.findall(r"\d+", frozen_at)[:6]], "blocks": blocks(page)}, ensure_ascii=False)
    for own_fonts_only in (True, False):  # the system's fonts only where typst's own lack a letter
        try:
            return typst.compile(source, format="pdf", sys_inputs={"document": document}, pdf_standards=["ua-1", "a-2a"], ignore_system_fonts=own_fonts_only)
        except typst.TypstError as fault:
            said = fault.message
            if "could not be displayed with font" not in said:
                break
    raise RecordError(f"the PDF could not be set: {said}", mend="Freeze without --pdf, and print the page from a browser")
