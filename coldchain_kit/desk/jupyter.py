"""Opens JupyterLab on a site's folder, with the kit's notebooks in it and a kernel of this very interpreter."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from coldchain_kit import __version__
from coldchain_kit.base import KitError, files, package_files

_START = ("start_here.ipynb", "investigation.ipynb")


def prepare(folder: Path) -> Path:
    """The folder with a site and the kit's notebooks; made from the sample site where it has no site.toml.

    Notebooks that are there already are a person's own and stay as they are.

    Raises
    ------
    KitError
        The folder holds other things and no site.toml, or lies inside a frozen record: nobody works on a frozen copy.
    """
    files.outside_records(folder)
    if not (folder / "site.toml").is_file():
        if folder.exists() and any(folder.iterdir()):
            raise KitError(f"'{folder}' is not empty and holds no site.toml", mend="Name the folder of your site, or a new folder for the sample site")
        if folder.exists():
            folder.rmdir()
        made = package_files.copy_sample_site(folder.parent)
        if made != folder:
            made.rename(folder)
    target = folder / "notebooks"
    for source in sorted(package_files.notebooks().rglob("*.ipynb")):
        copy = target / source.relative_to(package_files.notebooks())
        if not copy.exists():
            copy.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source, copy)
    return folder


def command(folder: Path, *, settings: Path, browser: bool, port: int | None) -> list[str]:
    """The JupyterLab call: loopback only, landing at the start notebook."""
    start = next(name for name in _START if (folder / "notebooks" / name).is_file())
    call = [sys.executable, "-m", "jupyterlab", "--ip=127.0.0.1", f"--ServerApp.root_dir={folder.resolve()}", f"--LabApp.default_url=/lab/tree/notebooks/{start}"]
    call += [f"--LabApp.app_settings_dir={settings}", "--LabApp.extension_manager=readonly"]
    call += ["--no-browser"] if not browser else []
    call += [f"--port={port}", "--ServerApp.port_retries=0"] if port else []
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        call.append("--ServerApp.allow_root=True")
    return call


def open_lab(folder: Path, *, browser: bool = True, port: int | None = None) -> int:
    """Open JupyterLab and wait until it is closed; its exit code."""
    prepare(folder)
    with tempfile.TemporaryDirectory(prefix="coldchain-lab-") as private:
        kernel = Path(private) / "kernels" / "python3"
        kernel.mkdir(parents=True)
        argv = [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"]
        (kernel / "kernel.json").write_text(json.dumps({"argv": argv, "display_name": f"coldchain_kit {__version__}", "language": "python"}), "utf-8")
        settings = Path(private) / "settings"
        settings.mkdir()
        quiet = {"@jupyterlab/apputils-extension:notification": {"fetchNews": "false", "checkForUpdates": False}}
        (settings / "overrides.json").write_text(json.dumps(quiet), "utf-8")
        paths = os.pathsep.join(part for part in (private, os.environ.get("JUPYTER_PATH")) if part)
        # A terminal opened in JupyterLab finds the coldchain command of this very environment.
        programs = os.pathsep.join([str(Path(sys.executable).parent), os.environ.get("PATH", os.defpath)])
        environment = {**os.environ, "JUPYTER_PATH": paths, "PATH": programs}
        return subprocess.run(command(folder, settings=settings, browser=browser, port=port), env=environment, check=False).returncode
