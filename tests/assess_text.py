"""The kit's answer to a case as text: its results, or the one sentence that refuses it."""

from __future__ import annotations

from pathlib import Path

from coldchain_kit import assessment
from coldchain_kit.base import KitError
from coldchain_kit.model import to_text
from tests.conftest import CHECKOUT


def text(case: Path) -> str:
    """Canonical JSON of the case, or "refused: …"."""
    try:
        return to_text(assessment.assess(case).results)
    except KitError as fault:
        return f"refused: {fault}".replace(str(case.parent), "FOLDER")


def sample_results() -> dict:
    """The sample case's results."""
    return dict(assessment.assess(CHECKOUT / "sample_data" / "tern_bay" / "cases" / "2026-014" / "case.toml").results)
