"""The kit's answer to a case as text: its results, or the one sentence that refuses it."""

from __future__ import annotations

from pathlib import Path

from coldchain_kit import investigation, results
from coldchain_kit.errors import KitError


def text(case: Path) -> str:
    """Canonical JSON of the case, or "refused: …"."""
    try:
        return results.to_text(investigation.assess(case).results)
    except KitError as fault:
        return f"refused: {fault}".replace(str(case.parent), "FOLDER")
