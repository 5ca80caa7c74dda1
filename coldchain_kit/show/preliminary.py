"""The preliminary sheet: one page to print before any freeze, so that whoever is called at night has the facts on paper."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from coldchain_kit.base import KitError, files
from coldchain_kit.register import entries
from coldchain_kit.show import narrative, open_questions, tables, wording

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment

FILE = "preliminary.html"
MARK = "PRELIMINARY: not reviewed, not frozen, not signed. Figures may change."
MOST_OPEN, MOST_LOTS = 8, 8  # what fits on one page
_STYLE = """
body{font:11pt/1.35 Georgia,"DejaVu Serif",serif;max-width:48em;margin:1.5em auto;padding:0 1em;color:#111;background:#fff}
h1{font-size:1.35em;margin:.3em 0}h2{font-size:1.05em;margin:.9em 0 .2em;border-bottom:1px solid #777}p{margin:.25em 0}
.mark{border:2px solid #111;padding:.25em .6em;font-weight:700}table{border-collapse:collapse;width:100%}caption{display:none}
th,td{border-bottom:1px solid #bbb;padding:.15em .4em;text-align:left;vertical-align:top;font-weight:400}ul{margin:.2em 0;padding-left:1.2em}
@media print{body{margin:0;max-width:none;font-size:9pt;line-height:1.25}h2{margin:.6em 0 .15em}@page{margin:1.2cm}}
"""


def html(assessment: Assessment) -> str:
    """The sheet as one self-contained page: what happened, how sure, which lots, what is marked, what is still open.

    Everything that people typed is escaped. Nothing on it says that product is safe or must be discarded.
    """
    case, told = assessment.case, narrative.sentences(assessment)
    marks = [MARK, *(line for line in tables.cautions(assessment)[:1] if line not in tables.CAUTIONS)]
    frame = f'<p class="mark">{escape(" ".join(reversed(marks)))}</p>'
    title = f"Preliminary sheet, case {case.id}: {case.title}"
    parts = [
        ("What happened", _paragraphs(told["identification"][1:], told["happened"], told["how_bad"])),
        ("Is the record believable", _paragraphs(told["believable"])),
        ("Which lots", _paragraphs(told["lots"]) + _lots(assessment)),
        ("Immediate action", _answers(assessment)),
        ("Still open", _open(assessment)),
        ("Cautions", _list(tables.CAUTIONS)),
    ]
    body = "".join(f"<section><h2>{heading}</h2>{held}</section>\n" for heading, held in parts)
    where = f"{assessment.site.name}; unit {wording.several(list(case.units))}; times in {assessment.site.timezone}, each with its offset"
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>{escape(title)}</title><style>{_STYLE}</style></head>\n'
        f"<body><main>{frame}<h1>{escape(title)}</h1><p>{escape(where)}</p>\n{body}<p>Name: ______________________ Date and time: ______________________</p>{frame}</main></body></html>\n"
    )


def write(assessment: Assessment, out: str | Path) -> Path:
    """The sheet as ``preliminary.html`` in a folder; an earlier one is replaced whole.

    Raises
    ------
    KitError
        The folder cannot be written to.
    """
    return files.write(Path(out) / FILE, html(assessment))


def offer(assessment: Assessment, *, frozen: bool = False) -> object:
    """A button that writes the sheet into the case's folder; nothing in a frozen record, which takes its place."""
    if frozen:
        return None
    import ipywidgets as widgets

    button, said = widgets.Button(description="Write the preliminary sheet", layout=widgets.Layout(width="20em")), widgets.HTML("")

    def press(_: object) -> None:
        try:
            write(assessment, assessment.case.folder)
        except KitError as fault:
            said.value = f'<span role="alert"><strong>Not written.</strong> {escape(str(fault))}</span>'
        else:
            said.value = f'<span role="status">Written: {FILE}, beside the case file. Open it and print it.</span>'

    button.on_click(press)
    return widgets.VBox([button, said])


def _paragraphs(*parts: list[str]) -> str:
    return "".join(f"<p>{escape(' '.join(lines))}</p>" for lines in parts if lines)


def _list(lines: Iterable[str]) -> str:
    return f"<ul>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul>"


def _lots(assessment: Assessment) -> str:
    rows = [f"{row['lot']}, {row['product']}: {'; '.join(row['why']) or 'needs a decision'}" for row in assessment.results["lots"] if row["needs_decision"]]
    more = [f"and {len(rows) - MOST_LOTS} more lots"] if len(rows) > MOST_LOTS else []
    return _list([*rows[:MOST_LOTS], *more]) if rows else ""


def _answers(assessment: Assessment) -> str:
    now = entries.current(assessment.case.folder)
    asked = [field for field in entries.FIELDS if field.startswith("immediate.")]
    rows = "".join(f'<tr><th scope="row">{escape(entries.FIELDS[field])}</th><td>{escape(str(now.get(field, open_questions.UNANSWERED)))}</td></tr>' for field in asked)
    return f"<table><caption>Immediate action</caption><tbody>{rows}</tbody></table>"


def _open(assessment: Assessment) -> str:
    rows = [str(row[0]) for row in open_questions.still_open(assessment).rows if row[1] != open_questions.SECTIONS["immediate"]]
    more = [f"and {len(rows) - MOST_OPEN} more questions"] if len(rows) > MOST_OPEN else []
    return _list([*rows[:MOST_OPEN], *more] or ["nothing"])
