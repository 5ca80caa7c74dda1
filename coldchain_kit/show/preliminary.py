"""The preliminary sheet: one page to print before any freeze, so that whoever is called at night has the facts on paper."""

from __future__ import annotations

from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from coldchain_kit.base import KitError, files
from coldchain_kit.show import front, tables
from coldchain_kit.show.front.line import LOOK

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment

FILE = "preliminary.html"
MARK = "PRELIMINARY: not reviewed, not frozen, not signed. Figures may change."
_STYLE = f"""
body{{font:10.5pt/1.35 "Noto Sans","Segoe UI",Roboto,"DejaVu Sans",sans-serif;max-width:60em;margin:1em auto;padding:0 1em;color:#111;background:#fff}}
h1{{font-size:1.3em;margin:.3em 0}}.mark{{border:2px solid #111;padding:.2em .6em;font-weight:700;margin:.3em 0}}svg{{max-width:100%;height:auto}}ul{{margin:.3em 0;padding-left:1.2em}}
{LOOK}
@media print{{body{{margin:0;padding:0;max-width:none;font-size:8.4pt;line-height:1.24}}.front-line{{padding:.5mm 0;grid-template-columns:21mm minmax(0,1fr)}}svg{{max-height:32mm}}.front-table{{font-size:7.8pt}}@page{{margin:1.1cm}}}}
"""


def html(assessment: Assessment) -> str:
    """The front page as one self-contained sheet, with a line to sign and the cautions.

    Everything that people typed is escaped. Nothing on it says that product is safe or must be discarded.
    """
    case = assessment.case
    title = f"Preliminary sheet, case {case.id}: {case.title}"
    sheet = front.page(assessment)
    top, bottom = sheet.parts()
    pictures = "".join(one.svg for one in sheet.pictures)
    cautions = "".join(f"<li>{escape(line)}</li>" for line in tables.CAUTIONS)
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>{escape(title)}</title><style>{_STYLE}</style></head>\n'
        f'<body><main><p class="mark">{escape(MARK)}</p><h1>{escape(title)}</h1>{top}{pictures}{bottom}<ul>{cautions}</ul><p>Name: ______________________ Date and time: ______________________</p></main></body></html>\n'
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
