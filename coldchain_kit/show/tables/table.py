"""One kind of table for screen, page and plain text: caption, units in the headers, nothing blank, everything escaped."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from html import escape

from coldchain_kit.show import wording

# JupyterLab sets the text of every table to the right; a frozen page has a style sheet of its own and drops this one.
_LOOK = (
    "<style>table.kit td,table.kit th{text-align:left!important;vertical-align:top;max-width:34em;white-space:normal;overflow-wrap:break-word}"
    "table.kit td.num{text-align:right!important;white-space:nowrap}table.kit caption{text-align:left;font-weight:600}</style>"
)


SHORT = 16  # letters


@dataclass(frozen=True)
class Table:
    """A finished table of texts.

    Parameters
    ----------
    caption : str
        What it shows and on which values it rests.
    columns : tuple of str
        Headers, with units.
    rows : tuple of tuples
        Cells; None becomes "not known". The first cell heads its row.
    notes : tuple of str
        Sentences below it; left out where it has no row.
    empty : str
        The sentence that stands in its place then.

    Examples
    --------
    >>> print(Table("Probes", ("Probe", "Highest (°C)"), (("A", "9.3"),)))
    Probes
    Probe | Highest (°C)
    A | 9.3
    """

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[object, ...], ...] = ()
    notes: tuple[str, ...] = ()
    empty: str = "None."

    def __str__(self) -> str:
        if not self.rows:
            return f"{self.caption}: {self.empty}"
        lines = [" | ".join(self.columns), *(" | ".join(map(cell, row)) for row in self.rows)]
        return "\n".join([self.caption, *lines, *self.notes])

    def _repr_html_(self) -> str:
        notes = "".join(f'<p class="kit-note">{escape(note)}</p>' for note in self.notes)
        if not self.rows:
            return f'<p class="kit-empty"><strong>{escape(self.caption)}:</strong> {escape(self.empty)}</p>'
        head = "".join(f'<th scope="col">{escape(column)}</th>' for column in self.columns)
        right = [all(_is_number(cell(row[at])) for row in self.rows) for at in range(len(self.columns))]
        body = "".join(f"<tr>{_first(row[0])}{''.join(map(_other, row[1:], right[1:]))}</tr>" for row in self.rows)
        return f'{_LOOK}<table class="kit"><caption>{escape(self.caption)}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>{notes}'

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, str]:
        return {"text/html": self._repr_html_(), "text/plain": str(self)}


class Tables(tuple[Table, ...]):
    """Several tables shown one below the other."""

    def __str__(self) -> str:
        return "\n\n".join(map(str, self))

    def _repr_html_(self) -> str:
        return "\n".join(table._repr_html_() for table in self)

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, str]:
        return {"text/html": self._repr_html_(), "text/plain": str(self)}


class Prose(tuple[str, ...]):
    """Sentences shown as paragraphs, escaped."""

    def __str__(self) -> str:
        return "\n".join(self)

    def _repr_html_(self) -> str:
        return "".join(f"<p>{escape(text)}</p>" for text in self)

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, str]:
        return {"text/html": self._repr_html_(), "text/plain": str(self)}


def cell(value: object) -> str:
    """A cell's text: "not known" where there is nothing, yes and no for truth, lists joined.

    Examples
    --------
    >>> cell(None), cell(""), cell(True), cell(["a", "b"]), cell(3)
    ('not known', 'not known', 'yes', 'a; b', '3')
    """
    if isinstance(value, (list, tuple)):
        texts = list(map(cell, value))
        return (" " if all(text.endswith(".") for text in texts) else "; ").join(texts) or "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return wording.NOT_KNOWN if wording.absent(value) or value == "" else str(value)


def _first(value: object) -> str:
    text = cell(value)
    whole = ' style="white-space:nowrap"' if len(text) <= SHORT and " " not in text else ""  # the number of a lot or a case is not torn apart
    return f'<th scope="row"{whole}>{_marked(text)}</th>'


def _other(value: object, right: bool) -> str:
    return f'<td class="num">{escape(cell(value))}</td>' if right else f"<td>{_marked(cell(value))}</td>"


def _marked(text: str) -> str:
    """Escaped; dates, offsets and figures with their units are not torn apart at a line's end, hashes may be."""
    text = _TOGETHER.sub(r'<span style="white-space:nowrap">\g<0></span>', escape(text))
    return re.sub(r"\b[0-9a-f]{64}\b", r'<span style="word-break:break-all">\g<0></span>', text)


_TOGETHER = re.compile(r"\b\w+-[EP]\d+\b|\b\d{4}-\d\d-\d\d\b|\d\d:\d\d(:\d\d)? [+-]\d\d:\d\d|-?[\d,.]*\d (°C·min|°C|%|min \((\d+ (d|h|min) ?)+\)|min|h|d)(?![\w·])")


def _is_number(text: str) -> bool:
    """A count, a figure, or a figure with a short unit: such columns stand to the right."""
    return re.fullmatch(r"-?[\d,.]+( (°C|%|min|h|°C·min))?", text) is not None


def turned(table: Table, *, most: int = 4) -> Table:
    """The table with rows and columns exchanged where it has few rows: long headers read better at the side."""
    if not 0 < len(table.rows) <= most:
        return table
    heads = (table.columns[0], *(cell(row[0]) for row in table.rows))
    rows = tuple((column, *(row[at] for row in table.rows)) for at, column in enumerate(table.columns) if at)
    return replace(table, columns=heads, rows=rows)


def facts(caption: str, rows: Iterable[tuple[str, object]], *, notes: Sequence[str] = (), empty: str = "None.") -> Table:
    """A table of two columns: what, and its value."""
    return Table(caption, ("What", "Value"), tuple(rows), tuple(notes), empty)


def capped(rows: Sequence[tuple[object, ...]], most: int, noun: str) -> tuple[tuple[tuple[object, ...], ...], tuple[str, ...]]:
    """At most so many rows, and the sentence that says how many more the CSV table of the record holds."""
    more = len(rows) - most
    return tuple(rows[:most]), ((f"And {more:,} more {noun}: the CSV table in the record lists them all.",) if more > 0 else ())
