"""Where the notebooks and the sample site lie: inside the wheel, or beside the package in a checkout."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def _find(name: str) -> Path:
    inside = _PACKAGE / "_shipped" / name
    return inside if inside.is_dir() else _PACKAGE.parent / name


def notebooks() -> Path:
    """The folder of the kit's notebooks."""
    return _find("notebooks")


def sample_data() -> Path:
    """The folder of the sample site."""
    return _find("sample_data")
