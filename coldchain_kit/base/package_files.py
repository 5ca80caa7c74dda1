"""Where the notebooks and the sample site lie: inside the wheel, or beside the package in a checkout."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from coldchain_kit.base.errors import KitError
from coldchain_kit.base.files import outside_records

_PACKAGE = Path(__file__).resolve().parents[1]


def _find(name: str) -> Path:
    inside = _PACKAGE / "_shipped" / name
    return inside if inside.is_dir() else _PACKAGE.parent / name


def notebooks() -> Path:
    """The folder of the kit's notebooks."""
    return _find("notebooks")


def sample_data() -> Path:
    """The folder of the sample site."""
    return _find("sample_data")


def copy_sample_site(out: Path) -> Path:
    """A working copy of the sample site under ``out``; one that is already there is used as it is.

    Raises
    ------
    KitError
        ``out`` holds something else, or lies inside a frozen record.
    """
    outside_records(out)
    target = out / "tern_bay"
    if (target / "site.toml").is_file():
        return target
    if target.exists():
        raise KitError(f"'{target}' is there already and holds no site.toml", mend="Choose another folder with --out")
    part = out / f".tern_bay-{os.getpid()}"
    out.mkdir(parents=True, exist_ok=True)
    shutil.copytree(sample_data() / "tern_bay", part, ignore=shutil.ignore_patterns("__pycache__"))
    part.rename(target)
    return target
