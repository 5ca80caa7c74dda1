"""What of foreign HTML and SVG may stand on a record page: an allowlist, balanced, without any outside reference.

Whatever people typed reaches the page as text; a script, a style sheet, a form, a frame, a link or picture from elsewhere never does.
"""

from __future__ import annotations

import html
import re
import xml.etree.ElementTree as ET
from html.parser import HTMLParser

Attributes = list[tuple[str, str | None]]  # of a tag, as the parser gives them


def _names(text: str) -> frozenset[str]:
    return frozenset(text.split())


_TAGS = _names(
    "p h1 h2 h3 h4 h5 h6 ul ol li dl dt dd table caption thead tbody tfoot tr th td colgroup col strong b em i u s sub sup small mark code pre kbd samp "
    "blockquote br hr span div section article abbr time details summary figure figcaption a img del ins q var wbr"
)
_VOID = frozenset(("br", "hr", "img", "col", "wbr"))
_SILENT = _names("script style iframe object embed noscript template svg math form select textarea button title head audio video canvas")
_ATTRIBUTES = _names("id class scope colspan rowspan lang dir title role start datetime alt headers abbr span open tabindex")
_PICTURE = re.compile(r"data:image/(png|jpeg|gif);base64,[A-Za-z0-9+/=\s]+")
_STYLE = re.compile(r"(?!.*(url|expression|position|import))[\w\s:;.,%#()+\-]*", re.IGNORECASE)
_SVG_SKIP = _names("script foreignObject iframe animate animateMotion animateTransform set handler listener metadata")


class _Cleaner(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.out: list[str] = []
        self.open: list[str] = []
        self.silent: list[str] = []

    def handle_starttag(self, tag: str, attrs: Attributes) -> None:
        if self.silent:
            if tag in _SILENT and tag not in ("embed",):
                self.silent.append(tag)
        elif tag in _SILENT:
            if tag != "embed":
                self.silent.append(tag)
        elif tag in _TAGS and not (tag == "img" and not _PICTURE.fullmatch(dict(attrs).get("src") or "")):
            self.out.append(f"<{tag}{_kept(tag, attrs)}>")
            if tag not in _VOID:
                self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: Attributes) -> None:
        if not self.silent and tag in _TAGS:
            self.handle_starttag(tag, attrs)
            if tag not in _VOID:
                self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        if self.silent:
            if tag in self.silent:
                while self.silent.pop() != tag:
                    pass
        elif tag in self.open:
            while (last := self.open.pop()) != tag:
                self.out.append(f"</{last}>")
            self.out.append(f"</{tag}>")

    def handle_data(self, data: str) -> None:
        if not self.silent:
            self.out.append(html.escape(data, quote=False))

    def text(self) -> str:
        return "".join(self.out) + "".join(f"</{tag}>" for tag in reversed(self.open))


def _kept(tag: str, attrs: Attributes) -> str:
    kept = []
    for name, value in attrs:
        value = value or ""
        inside = name == "href" and tag == "a" and value.startswith("#") or name == "src" and tag == "img" and _PICTURE.fullmatch(value)
        if name in _ATTRIBUTES or name.startswith("aria-") or inside or name == "style" and _STYLE.fullmatch(value):
            kept.append(f' {name}="{html.escape(value)}"')
    return "".join(kept)


def clean(source: str) -> str:
    """HTML cut down to the allowlist, every element closed.

    Examples
    --------
    >>> clean('<p onclick="x()">8 °C <script>alert(1)</script><a href="https://example.org">there</a></div>')
    '<p>8 °C <a>there</a></p>'
    """
    cleaner = _Cleaner()
    cleaner.feed(source)
    cleaner.close()
    return cleaner.text()


def svg(source: str) -> tuple[str, str, str]:
    """An SVG picture for inside a page: (markup without namespaces and outside references, title, description).

    An SVG that is not well formed gives empty markup.

    Examples
    --------
    >>> svg('<svg xmlns="http://www.w3.org/2000/svg" width="9" onload="x()"><title>Trace</title><desc>Falls.</desc><script>x()</script></svg>')
    ('<svg width="9"><title>Trace</title><desc>Falls.</desc></svg>', 'Trace', 'Falls.')
    """
    if "<!DOCTYPE" in source or "<!ENTITY" in source:
        return "", "", ""
    try:
        root = ET.fromstring(source)
    except ET.ParseError:
        return "", "", ""
    if _local(root.tag) != "svg":
        return "", "", ""
    words = {_local(node.tag): (node.text or "").strip() for node in root if isinstance(node.tag, str)}
    return _drawn(root), words.get("title", ""), words.get("desc", "")


def _local(name: str) -> str:
    return name.rpartition("}")[2] if isinstance(name, str) else ""


def _drawn(node: ET.Element) -> str:
    tag = _local(node.tag)
    if not tag or tag in _SVG_SKIP or tag == "style" and re.search(r"url|import", node.text or "", re.IGNORECASE):
        return ""
    shown = "".join(f' {_local(name)}="{html.escape(value)}"' for name, value in node.attrib.items() if _svg_attribute(tag, _local(name), value))
    inside = html.escape(node.text or "", quote=False) + "".join(_drawn(child) + html.escape(child.tail or "", quote=False) for child in node)
    return f"<{tag}{shown}>{inside}</{tag}>"


def _svg_attribute(tag: str, name: str, value: str) -> bool:
    if name.lower().startswith("on") or name in ("base", "space", "src"):
        return False
    if name == "href":
        return value.startswith("#") or tag == "image" and bool(_PICTURE.fullmatch(value))
    return all(target.strip(" '\"").startswith("#") for target in re.findall(r"url\(([^)]*)", value, re.IGNORECASE))
