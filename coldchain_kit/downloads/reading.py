"""Read the file people have: work out its layout, parse it whole, put overlapping downloads together."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from coldchain_kit.base import Fault, LayoutError
from coldchain_kit.downloads.readers import archives, assemble, delimited, dialect, files, frame, sniff
from coldchain_kit.downloads.readers.describe import describe, toml_lines
from coldchain_kit.downloads.readers.download import Column, Download, Hints, Placed

__all__ = ["Column", "Download", "Hints", "Placed", "describe", "read", "toml_lines"]


def read(path: str | Path, *, hints: Hints | None = None, shown: str | None = None) -> list[Download]:
    """Read a download in whatever delimited layout it comes.

    Parameters
    ----------
    path : str or Path
        Text file, .gz, .zip, .xlsx, .ods; ``"-"`` is standard input.
    hints : Hints
        What the register pins; everything else is worked out from the content.
    shown : str
        The name to show for the file; its own name where not given.

    Returns
    -------
    list of Download
        One, or one for each text member or sheet with readings. Temperatures are in °C.

    Raises
    ------
    LayoutError
        Where there are no readings, or the dates stay ambiguous. KitError where the file cannot be opened.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> file = pathlib.Path(tempfile.mkdtemp()) / "F2.csv"
    >>> _ = file.write_text("Zeit;Oben (°C)\\n13.03.2026 00:00;4,6\\n13.03.2026 00:05;4,7\\n", encoding="utf-8")
    >>> (download,) = read(file)
    >>> download.columns[0].label, download.columns[0].values.tolist(), str(download.time[1])
    ('Oben', [4.6, 4.7], '2026-03-13T00:05:00.000000')
    """
    name = shown if shown is not None else "standard input" if str(path) == "-" else Path(path).name
    found = archives.contents(files.fetch(path, shown=name), shown=name)
    hints = hints or Hints()
    if len(found) == 1:
        return [_one(replace(found.pop(), file=name), hints)]
    out: list[Download] = []
    faults: list[Fault] = []
    while found:
        try:
            out.append(_one(found.pop(0), hints))
        except LayoutError as error:
            faults.extend(error.faults)
    if not out:
        raise LayoutError(faults=faults)
    return out


def _one(content: files.Content, hints: Hints) -> Download:
    """One download of one text; the caller keeps no hold on the text, so that it is gone before the columns are made."""
    lines, content = dialect.Lines.of(content.text), replace(content, text=b"")
    worked, lines = sniff.work_out(lines, shown=content.file)
    worked = sniff.settle_order(worked, lines, pinned=hints.date_order, shown=content.file)
    worked = frame.widen(worked, lines)
    block, around = delimited.parse(lines, worked), frame.around(worked, lines)
    del lines
    return assemble.download(content, worked, block, around, hints)
