"""Where tests find published cases and the real traces."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from hypothesis import settings

# No deadline: two cores are shared with notebooks that run beside; under CI the same examples every time.
settings.register_profile("kit", deadline=None, derandomize=os.environ.get("CI") == "true")
settings.load_profile("kit")

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


def pytest_terminal_summary(terminalreporter):
    """Says what ran and what was skipped; under CI a skipped test fails the run."""
    counts = {word: len(terminalreporter.stats.get(word, [])) for word in ("passed", "failed", "error", "skipped")}
    terminalreporter.write_line("ran: " + ", ".join(f"{count} {word}" for word, count in counts.items()))
    for report in terminalreporter.stats.get("skipped", []):
        terminalreporter.write_line(f"skipped: {report.nodeid}: {report.longrepr[-1] if isinstance(report.longrepr, tuple) else ''}")


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session, exitstatus):
    """Under CI (and not in a worker of a parallel run) a run with skips ends as failed."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if os.environ.get("CI") == "true" and reporter is not None and reporter.stats.get("skipped") and exitstatus == 0:
        session.exitstatus = 1
