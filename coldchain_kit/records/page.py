"""An executed notebook as one page that opens with no network: no script, no outside reference, readable on screen and on paper.

Code is left out; text, charts (still SVG with their description) and tables stay. Figures and tables are numbered through.
"""

from __future__ import annotations

import html as escaping
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import resources
from typing import TYPE_CHECKING, Any

from coldchain_kit.records import markup

if TYPE_CHECKING:
    from coldchain_kit.records.context import Context, WhatChanged

LIVE = "live"  # tag of a cell that speaks to the person at work and has no place in a frozen record
BANNER = {"demonstration": "DEMONSTRATION: invented site and readings", "exercise": "EXERCISE: not a real event"}


@dataclass
class _Count:
    figures: int = 0
    tables: int = 0
    ids: dict[str, int] = field(default_factory=dict)
    contents: list[dict[str, str]] = field(default_factory=list)


KINDS = {"investigation": "Investigation of a temperature deviation", "monthly": "Monthly summary", "self-check": "Check of this installation", "review": "Review of records"}
_NUMBERED = {"monthly": "Month", "review": "Review", "self-check": "Check"}


def of_record(notebook: Any, held: Context, *, contents: str, files: Mapping[str, str]) -> str:
    """The page of a record: a function of the executed notebook and of data/context.json alone, so that ``rerun`` makes it again to the byte.

    Parameters
    ----------
    notebook : NotebookNode
        Executed.
    held : Context
        What the page takes from outside its inputs.
    contents : str
        Hash of the record's contents.
    files : dict
        Name below data/ -> SHA-256; inputs and attachments are listed at the end.
    """
    before, told = held["previous"], held["changes"]
    facts = [(_NUMBERED.get(held["kind"], "Case"), held["number"]), ("Revision", str(held["revision"])), ("Reason", held["reason"])]
    facts += [("CLOCK", text) for text in held["warnings"]] + [("Site", held["site"])]
    tail = [("Earlier", held.get("earlier", [])), (f"What changed since revision {before['revision']}", told["told"]) if before and told else ("Changed", ["First revision."])]
    at = f"{held['frozen_at'].replace('T', ' ').replace('Z', ' UTC')}, by the computer account {held['frozen_by']}, with coldchain_kit {held['kit_version']}. Hash of its contents {contents[:16]}."
    tail += [("Frozen", [at, *([f"Record hash of revision {before['revision']}: {before['record_hash'] or 'not known'}."] if before else [])])]
    listed = [(name, digest) for name, digest in sorted(files.items()) if name.startswith(("inputs/", "attachments/"))]
    return html(
        notebook, title=held["title"], kind=KINDS.get(held["kind"], ""), facts=tuple((label, value) for label, value in facts if value), running=f"{held['number']}, revision {held['revision']}",
        banner=held["banner"], contents_hash=contents, changes=told, since=before["revision"] if before else 0, files=tuple(listed), tail=tuple((label, tuple(texts)) for label, texts in tail if texts),
    )  # fmt: skip


def html(notebook: Any, *, title: str, kind: str = "", facts: tuple[tuple[str, str], ...] = (), running: str = "", banner: str = "", contents_hash: str = "", changes: WhatChanged | None = None, since: int = 0, files: tuple[tuple[str, str], ...] = (), tail: tuple[tuple[str, tuple[str, ...]], ...] = ()) -> str:
    """The page.

    Parameters
    ----------
    notebook : NotebookNode
        Executed; its first level-one heading gives way to ``title``.
    title, kind : str
        What the record is about; what kind of record it is.
    facts : pairs of (label, value)
        Head of the page: case, revision, site.
    running : str
        Printed at the top of every sheet of paper.
    banner : str
        EXERCISE or DEMONSTRATION line, shown at all times on screen and on every sheet.
    contents_hash : str
        Hash of the record's contents; its first 16 characters are printed.
    changes, since :
        What changed since revision ``since``; it stands before everything else.
    files : pairs of (name, SHA-256)
        Listed at the end.
    tail : pairs of (label, sentences)
        Last lines of the front page: earlier records, what changed, when it was frozen.

    Returns
    -------
    str
        HTML without any outside reference; the same notebook gives the same text.
    """
    import jinja2

    count = _Count()
    body = "\n".join(part for cell in notebook.cells for part in _cell(cell, count))
    lead, head, rest = body.partition("<h2 ")  # what stands above the first part comes before the contents list: the front page
    lead, foot_mark, foot = lead.partition('<p class="front-foot"')  # what the page adds to the front page stands above its last sentence
    argued, annex, proved = (head + rest).partition('<h2 id="annex-')  # signatures stand where the argument ends
    template = resources.files("coldchain_kit.records").joinpath("page_template/page.html.j2").read_text("utf-8")
    style = resources.files("coldchain_kit.records").joinpath("page_template/page.css").read_text("utf-8")
    margins = [("top-left", _css_text(running)), ("bottom-left", _css_text(title[:90])), ("bottom-right", '"Page " counter(page) " of " counter(pages)')]
    margins += [("top-right", _css_text(banner))] if banner else []
    made = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined).from_string(template)
    safe = jinja2.utils.markupsafe.Markup
    parts = [entry for entry in count.contents if not entry["id"].startswith("annex-")]
    signed = [{"id": "signatures", "text": "Signatures"}] if contents_hash else []
    contents = parts + signed + count.contents[len(parts) :] if annex else count.contents
    text = made.render(
        title=title, kind=kind, facts=facts, banner=banner, contents_hash=contents_hash, changes=changes, since=since, files=files, contents=contents, lead=safe(lead), tail=tail, foot=safe(foot_mark + foot), body=safe(argued), annexes=safe(annex + proved), style=safe(style),
        margins=[(place, safe(content)) for place, content in margins],
    )  # fmt: skip
    return text + "\n"


def _css_text(text: str) -> str:
    """A CSS string literal; letters that could end it, or the style element, are written as code points."""
    return '"' + re.sub(r"[^\w .,:;()°+-]", lambda found: f"\\{ord(found.group()):x} ", text) + '"'


def _cell(cell: Any, count: _Count) -> list[str]:
    if LIVE in cell.metadata.get("tags", []):
        return []
    if cell.cell_type == "markdown":
        return [_words(cell.source, count, first=not count.ids)]
    if cell.cell_type == "code":
        return [part for output in cell.get("outputs", []) for part in _output(output, count)]
    return []


def _words(source: str, count: _Count, *, first: bool = False) -> str:
    """Markdown as clean HTML with numbered tables and headings that the contents list can name."""
    from coldchain_kit.records.strict_run import quiet

    with quiet():
        from nbconvert.filters.markdown_mistune import markdown2html_mistune

        found = markup.clean(markdown2html_mistune(source))
    found = re.sub(r'<a[^>]*class="anchor-link"[^>]*>.*?</a>', "", found)
    if first:
        count.ids["start"] = 1
        found = re.sub(r"<h1[^>]*>.*?</h1>", "", found, count=1, flags=re.DOTALL)
    return _headed(_tabled(found, count), count)


def _headed(source: str, count: _Count) -> str:
    def head(found: re.Match[str]) -> str:
        level, words = max(2, int(found[1])), re.sub(r"<[^>]+>", "", found[2])
        plain = escaping.unescape(words).strip()
        if not plain:
            return ""
        name = re.sub(r"[^\w]+", "-", plain.lower()).strip("-") or "section"
        count.ids[name] = count.ids.get(name, 0) + 1
        name += f"-{count.ids[name]}" if count.ids[name] > 1 else ""
        if level == 2:
            count.contents.append({"id": name, "text": plain})
        return f'<h{level} id="{name}">{found[2].strip()}</h{level}>'

    return re.sub(r"<h([1-6])[^>]*>(.*?)</h\1>", head, source, flags=re.DOTALL)


def _tabled(source: str, count: _Count) -> str:
    """Every table in a region of its own that scrolls where it is too wide; captions numbered."""

    def table(found: re.Match[str]) -> str:
        if 'class="front-table"' in found.group():
            return found.group()
        text, caption = found.group(), re.search(r"<caption[^>]*>(.*?)</caption>", found.group(), flags=re.DOTALL)
        label = "Table"
        if caption:
            count.tables += 1
            words = caption[1].strip()
            label = f"Table {count.tables}. " + escaping.unescape(re.sub(r"<[^>]+>", "", words))
            text = _headed_right(text).replace(caption.group(), f"<caption><b>Table {count.tables}.</b> {words}</caption>", 1)
        return f'<div class="table" role="region" tabindex="0" aria-label="{escaping.escape(label)}">{text}</div>'

    return re.sub(r"<table.*?</table>", table, source, flags=re.DOTALL)


def _headed_right(table: str) -> str:
    """Headers over columns of figures stand to the right like them."""
    head, _, body = table.partition("</thead>")
    rows = [re.findall(r"<t[hd]\b[^>]*>", row) for row in re.findall(r"<tr\b.*?</tr>", body, flags=re.DOTALL)]
    right = {at for at in range(max(map(len, rows), default=0)) if all(at < len(row) and 'class="num"' in row[at] for row in rows)}
    cells = re.split(r"(?=<th\b)", head)
    return cells[0] + "".join(cell.replace("<th", '<th class="num"', 1) if at in right else cell for at, cell in enumerate(cells[1:])) + "</thead>" * bool(body) + body


def _output(output: Any, count: _Count) -> list[str]:
    if output.output_type == "stream":
        kind = ' class="message"' if output.name == "stderr" else ""
        return [f"<pre{kind}>{escaping.escape(_plain(output.text), quote=False)}</pre>"]
    data = output.get("data", {})
    if "image/svg+xml" in data:
        drawn, title, description = markup.svg(data["image/svg+xml"])
        if drawn:
            return [_figure(drawn, title or "Chart", description, count)]
    if "text/html" in data:
        return [_headed(_tabled(markup.clean(data["text/html"]), count), count)]
    if "text/markdown" in data:
        return [_words(data["text/markdown"], count)]
    if "image/png" in data:
        words = _plain(data.get("text/plain", "Picture"))
        source = re.sub(r"\s+", "", data["image/png"])
        return [_figure(markup.clean(f'<img alt="{escaping.escape(words)}" src="data:image/png;base64,{source}">'), words, "", count)]
    words = _plain(data.get("text/plain", ""))
    return [f"<pre>{escaping.escape(words, quote=False)}</pre>"] if words else []


def _plain(text: str) -> str:
    return re.sub(r"\x1b\[[0-9;]*m", "", text).strip("\n")


def _figure(drawn: str, title: str, description: str, count: _Count) -> str:
    count.figures += 1
    more = f" {escaping.escape(description, quote=False)}" if description and description != title else ""
    caption = f"<figcaption><b>Figure {count.figures}. {escaping.escape(title, quote=False)}</b>{more}</figcaption>"
    return f'<figure><div class="card" tabindex="0" role="group" aria-label="Figure {count.figures}">{drawn}</div>{caption}</figure>'
