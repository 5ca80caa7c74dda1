"""Where tests find published cases and the real traces."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

HERE = Path(__file__).parent
CHECKOUT = HERE.parent
TRAPS = HERE / "traps"


def published(name: str):
    """A file of tests/published/: JSON loaded, anything else as its path."""
    path = HERE / "published" / name
    return json.loads(path.read_text("utf-8")) if path.suffix == ".json" else path


def open_data(relative: str) -> Path:
    """A real trace in $COLDCHAIN_OPEN_DATA, else in ../shared/open_data beside the checkout; skips where absent."""
    base = Path(os.environ.get("COLDCHAIN_OPEN_DATA", CHECKOUT.parent / "shared" / "open_data"))
    path = base / relative
    if not path.exists():
        pytest.skip(f"real trace {relative} is not there: set COLDCHAIN_OPEN_DATA")
    return path
