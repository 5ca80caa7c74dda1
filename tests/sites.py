"""Makes small sites and cases for tests: one unit, one or more downloads, everything else as the test says."""

from __future__ import annotations

import shutil
from pathlib import Path


def write(folder: Path, downloads: list[Path], *, unit: str = "", site: str = "", case: str = "", zone: str = "UTC", kind: str = "refrigerator", papers: dict[str, str] | None = None) -> Path:
    """A site with the unit U and a case over it; returns case.toml.

    ``unit`` goes into [units.U] (sub-tables of it after plain keys), ``site`` before it, ``case`` into [case].
    """
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "U").mkdir(exist_ok=True)
    names = []
    for path in downloads:
        if path.parent != folder / "U":
            shutil.copyfile(path, folder / "U" / path.name)
        names.append(f'"U/{path.name}"')
    (folder / "site.toml").write_text(
        f'[site]\nname = "Test site"\ntimezone = "{zone}"\n{site}\n[units.U]\nkind = "{kind}"\nreadings = [{", ".join(names)}]\n{unit}\n', "utf-8"
    )
    inputs = "".join(f'{name.split(".")[0]} = "{name}"\n' for name in papers or {})
    for name, text in (papers or {}).items():
        (folder / name).write_text(text, "utf-8")
    (folder / "case.toml").write_text(f'[case]\nid = "T-1"\ntitle = "Test case"\nunit = "U"\nsite = "site.toml"\n{case}\n[inputs]\n{inputs}', "utf-8")
    return folder / "case.toml"


def series(folder: Path, rows: list[tuple[str, object]], *, header: str = "time,A (°C)", name: str = "a.csv") -> Path:
    """A plain download: ISO local times and one column."""
    (folder / "U").mkdir(parents=True, exist_ok=True)
    path = folder / "U" / name
    path.write_text(header + "\n" + "".join(f"{time},{value}\n" for time, value in rows), "utf-8")
    return path
