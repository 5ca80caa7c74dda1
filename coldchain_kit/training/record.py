"""training.jsonl: who did which lesson, on which traces, with which answers and how surely, one chained line an attempt; and who is due again."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from coldchain_kit.base import KitError, chain
from coldchain_kit.training.asked import Exercise
from coldchain_kit.training.marking import Answer, Marked

FILE = "training.jsonl"
# Days after a pass on which the next test on new traces falls due: 1-3 working days, 1-2 weeks, 4-8 weeks (FACTS I3, I5; middle of each).
AGAIN_DAYS = (3, 10, 42)


@dataclass(frozen=True)
class Due:
    """A learner's next test of a lesson, and on which day."""

    who: str
    lesson: int
    stage: int
    day: dt.date


def append(folder: str | Path, *, who: str, lesson: int, exercises: Sequence[Exercise], answers: Mapping[str, Answer], marked: Marked, now: dt.datetime | None = None) -> dict[str, Any]:
    """Keep one attempt; nothing that stands in the file is touched.

    Raises
    ------
    KitError
        No name, or a chain that is broken.
    """
    if not who.strip():
        raise KitError("the attempt has no name", mend="Type your name first")
    folder = Path(folder)
    with chain.locked(folder):
        held = chain.read(folder / FILE)
        if held.problems:
            raise KitError(held.problems[0], where=FILE, mend="Keep the file as it is, and ask whoever looks after your records")
        when = (now or dt.datetime.now(dt.UTC)).astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        row = {
            "when": when, "who": who.strip(), "lesson": lesson, "exercises": [one.number for one in exercises], "answers": {number: [given.choice, given.sure] for number, given in answers.items()},
            "right": marked.right, "of": marked.count, "critical": list(marked.critical), "sure_and_wrong": marked.sure_and_wrong, "brier": round(marked.brier, 4), "passed": marked.passed,
        }  # fmt: skip
        return chain.append(folder / FILE, row)


def read(folder: str | Path) -> list[dict[str, Any]]:
    """Every attempt, oldest first."""
    return chain.read(Path(folder) / FILE).rows


def due(folder: str | Path, today: dt.date) -> list[Due]:
    """Tests on new traces that have fallen due by ``today``: the stage after each pass in a row; a failed attempt begins again at once."""
    found = []
    rows = read(folder)
    for who, lesson in dict.fromkeys((str(row["who"]), int(row["lesson"])) for row in rows):
        mine = [row for row in rows if (row["who"], row["lesson"]) == (who, lesson)]
        stage = 0
        for row in mine:
            stage = stage + 1 if row["passed"] else 0
        last = dt.date.fromisoformat(str(mine[-1]["when"])[:10])
        if stage <= len(AGAIN_DAYS):
            day = last if stage == 0 else last + dt.timedelta(days=AGAIN_DAYS[stage - 1])
            found += [Due(who, lesson, stage, day)] if day <= today else []
    return found


def wrong_most(folder: str | Path) -> list[tuple[str, int, int]]:
    """For the trainer: (kind of exercise, wrong, answered) over all learners, the most often wrong first."""
    from coldchain_kit.training.lessons import exercise

    counts: dict[str, list[int]] = {}
    for row in read(folder):
        for number, (choice, _) in row["answers"].items():
            lesson, kind, seed = number.split("-")
            held = counts.setdefault(f"{lesson}-{kind}", [0, 0])
            held[0] += not exercise(int(lesson), kind, int(seed)).choices[choice].right
            held[1] += 1
    return sorted(((kind, wrong, of) for kind, (wrong, of) in counts.items()), key=lambda row: (-row[1] / row[2], row[0]))
