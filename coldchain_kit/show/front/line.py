"""A finished front page: status, lines of a label and its sentences, the tables and the picture that stand among them."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

from coldchain_kit.show.charts.drawing import Drawing
from coldchain_kit.show.tables.table import Table, cell

# JupyterLab shows it in a notebook; a frozen page has a style sheet of its own and drops this one.
LOOK = (
    ".front{max-width:62em}.front-status{font-weight:700;border:2px solid currentColor;padding:.2em .6em;margin:.4em 0}"
    ".front-lines{margin:0}.front-line{display:grid;grid-template-columns:7.5em minmax(0,1fr);gap:.1em .9em;padding:.28em 0;border-bottom:1px solid #bbb}"
    ".front-line dt{font-weight:700;white-space:nowrap}.front-line dd{margin:0;overflow-wrap:anywhere}.front-line dd p{margin:0 0 .15em}.front-line.loud dd p:first-child{font-weight:700}"
    ".front-table{border-collapse:collapse;width:100%}.front-table th,.front-table td{text-align:left!important;vertical-align:top;padding:.1em .7em .1em 0;font-weight:400;border:0}"
    ".front-table thead th{font-size:.88em}.front-table tbody th{font-weight:700;white-space:nowrap}.front-head,.front-foot{margin:.3em 0}"
    "@media (max-width:40em){.front-line{grid-template-columns:1fr}}"
)


@dataclass(frozen=True)
class Line:
    """A label and its sentences, or a table of few columns with sentences below it; ``loud`` where a reader must not pass over it."""

    label: str
    told: tuple[str, ...] = ()
    table: Table | None = None
    loud: bool = False

    def __str__(self) -> str:
        rows = [" | ".join(map(cell, row)) for row in self.table.rows] if self.table else []
        return f"{self.label}: {' '.join([*rows, *self.told])}"

    def html(self) -> str:
        """A row of the list; everything that people typed is escaped."""
        told = "".join(f"<p>{escape(text)}</p>" for text in self.told)
        return f'<div class="front-line{" loud" if self.loud else ""}"><dt>{escape(self.label)}</dt><dd>{_plain_table(self.table) if self.table and self.table.rows else ""}{told}</dd></div>'


def _plain_table(table: Table) -> str:
    head = "".join(f'<th scope="col">{escape(column)}</th>' for column in table.columns)
    body = "".join(f'<tr><th scope="row">{escape(cell(row[0]))}</th>{_cells(table.columns[1:], row[1:])}</tr>' for row in table.rows)
    return f'<table class="front-table" aria-label="{escape(table.caption)}"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'


def _cells(columns: tuple[str, ...], row: tuple[object, ...]) -> str:
    """Cells that carry their header, which a narrow screen shows before each."""
    return "".join(f'<td title="{escape(name)}">{escape(cell(held))}</td>' for name, held in zip(columns, row, strict=True))


@dataclass(frozen=True)
class Front:
    """The front page.

    Parameters
    ----------
    status : str
        PRELIMINARY, INTERIM or MONTH with what is open, in capitals first.
    head : str
        Zone, offset and year that its times are in.
    before, after : tuple of Line
        Lines above and below the picture.
    pictures : tuple of Drawing
        Small charts, worst unit first.
    foot : str
        The standing caution.
    """

    status: str
    head: str
    before: tuple[Line, ...]
    pictures: tuple[Drawing, ...]
    after: tuple[Line, ...]
    foot: str

    @property
    def lines(self) -> tuple[Line, ...]:
        """Every line in order."""
        return (*self.before, *self.after)

    def line(self, label: str) -> Line:
        """The line of that label; KeyError where it does not stand here."""
        found = next((line for line in self.lines if line.label == label), None)
        if found is None:
            raise KeyError(label)
        return found

    def __str__(self) -> str:
        return "\n".join([self.status, self.head, *map(str, self.before), *(f"{one.title}. {one.description}" for one in self.pictures), *map(str, self.after), self.foot])

    def parts(self) -> tuple[str, str]:
        """HTML above and below the pictures."""
        top = f'<p class="front-status">{escape(self.status)}</p><p class="front-head">{escape(self.head)}</p>{_list(self.before)}'
        return f'<div class="front">{top}</div>', f'<div class="front">{_list(self.after)}<p class="front-foot"><strong>{escape(self.foot)}</strong></p></div>'

    def _repr_html_(self) -> str:
        top, bottom = self.parts()
        return f"<style>{LOOK}</style>{top}{''.join(one.svg for one in self.pictures)}{bottom}"

    def _ipython_display_(self) -> None:
        from IPython.display import display

        top, bottom = self.parts()
        display({"text/html": f"<style>{LOOK}</style>{top}", "text/plain": "\n".join([self.status, self.head, *map(str, self.before)])}, raw=True)
        for one in self.pictures:
            display(one)
        display({"text/html": bottom, "text/plain": "\n".join([*map(str, self.after), self.foot])}, raw=True)


def _list(lines: tuple[Line, ...]) -> str:
    return f'<dl class="front-lines">{"".join(line.html() for line in lines)}</dl>' if lines else ""
