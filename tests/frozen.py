"""A small record made by hand, for the tests of freezing, verifying and signing."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from coldchain_kit.records import freezing, strict_run

READINGS = "time,A\n2026-03-06 22:40,8.4\n"


def notebook():
    cells = [new_markdown_cell("# Case\n\n## What happened", id="a"), new_code_cell("assessment", id="b", outputs=[new_output("display_data", {"text/plain": "8.4 °C"})])]
    return new_notebook(cells=cells)


def freeze(base: Path, *, number: str = "2026-014", **more) -> Path:
    """Freeze a hand-made case whose inputs lie under ``base`` into base/records."""
    source = base / "F2.csv"
    if not source.exists():
        source.write_text(READINGS, "utf-8")
        (base / "letter.pdf").write_bytes(b"%PDF-1.4 letter")
    results = {"n": 1, "mkt_c": 8.4, "sources": [{"file": "F2.csv", "sha256": strict_run.sha256(source.read_bytes())}]}
    tables = {"excursions": pd.DataFrame({"probe": ["A", "=cmd()"], "minutes": [12.5, None]})}
    info = {"title": "F2 above 8 °C", "kind": "investigation", "site": "Tern Bay Health Centre", "Parameters": '{"case": "case.toml"}'}
    given = {"inputs": [(source, "downloads/F2/F2 März.csv")], "attachments": [(base / "letter.pdf", "letter.pdf")]} | {key: more.pop(key) for key in ("inputs", "attachments") if key in more}
    info = more.pop("info", info)
    return freezing.freeze(notebook(), more.pop("results", results), tables, given["inputs"], given["attachments"], info, more.pop("out", base / "records"), number=number, **more)
