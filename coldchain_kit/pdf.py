"""The record's page as a tagged PDF (PDF/UA-1) made with typst: same page, same bytes, no system fonts, nothing from outside.

The page's HTML is turned into rows of plain data; what people typed reaches typst as text, never as its markup.
"""

from __future__ import annotations

import base64
import json
import re
from html.parser import HTMLParser
from importlib import resources
from typing import Any

from coldchain_kit.errors import RecordError

_INLINE = {"strong": "strong", "b": "strong", "dt": "strong", "em": "em", "i": "em", "code": "code", "kbd": "code"}
_CELLS = ("td", "th")
_SKIP = ("style", "title", "nav", "head")


class _Reader(HTMLParser):
    """Our own page (it is clean and balanced) into blocks of text, lists, tables and figures."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.blocks: list[dict[str, Any]] = []
        self.run: list[dict[str, str]] = []
        self.style: list[str] = []
        self.skip = self.level = 0
        self.pre = False
        self.lists: list[dict[str, Any]] = []
        self.table: dict[str, Any] | None = None
        self.in_head = False
        self.figure: dict[str, Any] | None = None

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        if tag in _SKIP or given.get("class") in ("skip", "banner") or self.skip and tag not in ("meta", "br", "link"):
            self.skip += 1
        elif tag in _INLINE:
            self.style.append(_INLINE[tag])
        elif tag == "br":
            self.run.append({"kind": "break"})
        elif tag == "p" and given.get("class") == "blank":
            self.blocks.append({"kind": "line"})
        elif tag in ("ul", "ol") and not self.table:
            self._flush()
            self.lists.append({"kind": "list", "ordered": tag == "ol", "items": []})
        elif tag == "table":
            self._flush()
            self.table = {"kind": "table", "caption": [], "head": [], "rows": [], "row": []}
        elif tag == "thead":
            self.in_head = True
        elif tag in _CELLS and self.table:
            self.run = []
        elif tag == "figure":
            self._flush()
            self.figure = {"kind": "figure", "alt": "", "picture": "", "format": "svg"}
        elif tag == "img" and self.figure is not None:
            kind, _, data = given.get("src", "").partition(";base64,")
            self.figure |= {"alt": given.get("alt") or "Picture", "picture": list(base64.b64decode(data)), "format": kind.rpartition("/")[2]}
        elif tag == "pre":
            self._flush()
            self.pre = True
        elif re.fullmatch(r"h[1-6]|p|div|dl|blockquote", tag) and not self.table:
            self._flush()

    def handle_endtag(self, tag):
        if self.skip:
            self.skip -= tag not in ("meta", "br", "link")
        elif tag in _INLINE:
            if self.style:
                self.style.pop()
            self.run += [{"kind": "text", "text": ": "}] if tag == "dt" else []
        elif tag in _CELLS and self.table:
            (self.table["head"] if self.in_head else self.table["row"]).append({"words": _tidy(self.run)})
            self.run = []
        elif tag == "tr" and self.table:
            if self.table["row"]:
                self.table["rows"].append(self.table["row"])
                self.table["row"] = []
        elif tag == "thead":
            self.in_head = False
        elif tag == "caption" and self.table:
            self.table["caption"], self.run = _tidy(self.run), []
        elif tag == "table" and self.table:
            self._end_table()
        elif tag == "li" and self.lists:
            self.lists[-1]["items"].append(_tidy(self.run))
            self.run = []
        elif tag in ("ul", "ol") and self.lists:
            self.blocks.append(self.lists.pop())
        elif tag == "figcaption" and self.figure is not None:
            self.figure["caption"], self.run = _tidy(self.run), []
        elif tag == "figure" and self.figure is not None:
            self.blocks.append(self.figure)
            self.figure = None
        elif tag == "pre":
            self.blocks.append({"kind": "pre", "text": "".join(row.get("text", "") for row in self.run)})
            self.run, self.pre = [], False
        elif re.fullmatch(r"h[1-6]", tag):
            words, self.run = _tidy(self.run), []
            if words:
                self.level = min(int(tag[1]), self.level + 1)
                self.blocks.append({"kind": "heading", "level": self.level, "words": words})
        elif tag in ("p", "div", "dl", "blockquote", "main") and not self.table and not self.lists:
            self._flush()

    def handle_data(self, data):
        if not self.skip:
            self.run.append({"kind": self.style[-1] if self.style else "text", "text": data if self.pre else re.sub(r"\s+", " ", data)})

    def _flush(self) -> None:
        words = _tidy(self.run)
        if words and not self.lists and self.figure is None:
            self.blocks.append({"kind": "par", "words": words})
        if not self.lists:
            self.run = []

    def _end_table(self) -> None:
        table, self.table = self.table or {}, None
        count = max([len(table["head"]), *(len(row) for row in table["rows"])], default=0)
        rows = [row + [{"words": []}] * (count - len(row)) for row in table["rows"]]
        if not count or not (rows or table["head"]):
            return
        head = [cell["words"] for cell in table["head"]] + [[]] * (count - len(table["head"])) if table["head"] else []
        longest = [max((_length(cell) for cell in column), default=1) for column in zip(*[[{"words": words} for words in head]] * bool(head), *rows, strict=True)]
        widths = [min(max(length, 6), 60) ** 0.6 for length in longest]
        self.blocks.append({"kind": "table", "caption": table["caption"], "head": head, "rows": rows, "columns": count, "widths": [round(width, 3) for width in widths]})


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

    def aside(found: re.Match) -> str:
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
        raise RecordError("a PDF needs the package typst", mend='Install it: pip install "coldchain-kit[pdf]"') from None
    return typst


def from_page(page: str, *, title: str, running: str = "", banner: str = "") -> bytes:
    """The PDF of a page made by :func:`coldchain_kit.page.html`.

    Raises
    ------
    RecordError
        The package ``typst`` is not installed, or cannot set the page.
    """
    typst = setter()
    source = resources.files("coldchain_kit").joinpath("page_template/page.typ").read_bytes()
    document = json.dumps({"title": title, "running": running, "banner": banner, "blocks": blocks(page)}, ensure_ascii=False)
    for own_fonts_only in (True, False):  # the system's fonts only where typst's own lack a letter
        try:
            return typst.compile(source, format="pdf", sys_inputs={"document": document}, pdf_standards="ua-1", ignore_system_fonts=own_fonts_only)
        except typst.TypstError as fault:
            said = fault.message
            if "could not be displayed with font" not in said:
                break
    raise RecordError(f"the PDF could not be set: {said}", mend="Freeze without --pdf, and print the page from a browser")
