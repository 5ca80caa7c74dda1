"""Runs that are killed at a random moment (SIGKILL) leave nothing that passes for a record, lose no answer, and the next run goes on.

``python -m tests.kills --count 100`` takes a few minutes; the gate runs a few (tests/test_kills.py). The moments are drawn over the
length of one whole run, measured first.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from coldchain_kit.base import package_files
from coldchain_kit.records import ledger, verification
from coldchain_kit.register import entries


@dataclass(frozen=True)
class Job:
    """A command to be killed, and what must hold after it whatever the moment."""

    name: str
    call: Sequence[str]
    out: Path
    case: Path


def start(call: Sequence[str]) -> subprocess.Popen[bytes]:
    """The command in a session of its own, so that its kernel dies with it."""
    return subprocess.Popen([sys.executable, "-m", "coldchain_kit", *call], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True, env={**os.environ})


def killed(job: Job, after_s: float) -> bool:
    """Whether the run was still going when it was killed."""
    run = start(job.call)
    try:
        run.wait(after_s)
        return False
    except subprocess.TimeoutExpired:
        os.killpg(run.pid, signal.SIGKILL)
        run.wait()
        return True


def wrongs(job: Job, answers: int) -> list[str]:
    """What a kill left that it must not: a record that is not whole, a damaged ledger, a lost answer."""
    found = []
    for folder in sorted(path for path in job.out.glob("*") if path.is_dir() and not path.name.startswith(".")) if job.out.is_dir() else []:
        found += [f"{job.name}: {folder.name}: {text}" for text in verification.record(folder)]
    found += [f"{job.name}: ledger: {text}" for text in ledger.held(job.out).problems] if job.out.is_dir() else []
    if len(entries.read(job.case)) < answers or [text for text in entries.check(job.case) if not text.startswith("note:")]:
        found.append(f"{job.name}: answers lost")
    return found


def whole_again(job: Job) -> list[str]:
    """The same command once more, undisturbed: it ends well and everything is whole."""
    run = start(job.call)
    code = run.wait(300)
    checked = [subprocess.run([sys.executable, "-m", "coldchain_kit", "ledger", str(job.out)], capture_output=True, check=False).returncode]
    return [f"{job.name}: the run after the kill ended with {code}, the ledger with {checked}"] if code or any(checked) else []


def jobs(folder: Path) -> list[Job]:
    site = package_files.copy_sample_site(folder / "site")
    case = site / "cases" / "2026-014"
    return [
        Job("investigate", ("investigate", str(case / "case.toml"), "--out", str(folder / "records"), "--reason", "again"), folder / "records", case),
        Job("monthly", ("monthly", str(site / "site.toml"), "--month", "2026-02", "--unit", "F1", "--out", str(folder / "months"), "--reason", "again"), folder / "months", case),
    ]


def run(folder: Path, *, count: int, seed: int, every: int = 10) -> tuple[int, list[str]]:
    """(kills that met a running command, what was wrong after them); after each ``every`` kills, and at the end, one whole run."""
    rng, hit, found = random.Random(seed), 0, []
    made = jobs(folder)
    lengths = {}
    for job in made:
        begun = time.monotonic()
        found += whole_again(job)
        lengths[job.name] = time.monotonic() - begun
    answers = len(entries.read(made[0].case))
    for number in range(1, count + 1):
        job = made[number % len(made)]
        hit += killed(job, rng.uniform(0.2, lengths[job.name]))
        found += wrongs(job, answers)
        if number % every == 0 or number > count - len(made):
            found += whole_again(job) + wrongs(job, answers)
    return hit, found


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as work:
        met, wrong = run(Path(work), count=given.count, seed=given.seed)
    print(f"{met} of {given.count} kills met a running command; wrong after them: {len(wrong)}")
    print("\n".join(wrong))
    sys.exit(bool(wrong))
