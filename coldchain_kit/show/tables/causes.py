"""Why it happened: causes with their evidence, what to look at next, what was written down."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from coldchain_kit.model import EpisodeRow, EvidenceRow
from coldchain_kit.show import wording
from coldchain_kit.show.tables.inputs import MOST_ROWS
from coldchain_kit.show.tables.table import Table, Tables, capped

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment

WEAK = 0.05  # a cause with less support is named, its evidence stands in the record's CSV table
MOST_EPISODES = 12
STRENGTH = ((0.7, "strong"), (0.4, "some"), (0.0, "weak"))



def strength(support: float) -> str:
    """The word for a support of 0 to 1.

    Examples
    --------
    >>> strength(0.82), strength(0.5), strength(0.1)
    ('strong', 'some', 'weak')
    """
    return next(word for least, word in STRENGTH if support >= least)


def causes(assessment: Assessment) -> Tables:
    """The ranked causes of each episode with what speaks most for and against them, in words."""
    found = assessment.results["episodes"][:MOST_EPISODES]
    if not found:
        return Tables((Table("Causes weighed", (), empty=f"{wording.word(assessment.results['cause']['cause'])}."),))
    return Tables(map(_ranking, found))


def evidence(assessment: Assessment) -> Tables:
    """For the first cause of each episode every observation with its figure, threshold and weight."""
    found = [table for row in assessment.results["episodes"][:MOST_EPISODES] for table in _evidence(row)]
    return Tables(found or [Table("Evidence weighed", (), empty="There is no episode to weigh.")])


def _ranking(episode: EpisodeRow[str]) -> Table:
    """Causes with little support are named below the table."""
    leading = [row for row in episode["causes"] if row["support"] >= WEAK or row in episode["causes"][:2]]
    cells = [
        (
            wording.word(row["cause"]),
            f"{strength(row['support'])} ({wording.support(row['support'])} of 1)",
            _strongest(row["for"]),
            _strongest(row["against"]),
            row["untested"] or "nothing",
        )
        for row in leading
    ]
    others = [wording.word(row["cause"]) for row in episode["causes"] if row not in leading]
    notes = (f"Also weighed, each with a support under {WEAK}: {wording.several(others)}.",) if others else ()
    columns = ("Immediate cause", "Support", "Speaks most for it", "Speaks most against it", "Could not be tested")
    return Table(
        f"Episode {episode['id']}: causes weighed by physics and by what was written down",
        columns,
        tuple(cells),
        (*notes, "The kit ranks and explains. The investigator concludes."),
        "not evaluated.",
    )


def _strongest(rows: list[EvidenceRow], most: int = 3) -> list[str] | str:
    ordered = sorted(rows, key=lambda row: -abs(row.get("weight") or 0.0))
    return [row["observation"] for row in ordered[:most]] or "nothing"


def _evidence(episode: EpisodeRow[str]) -> list[Table]:
    """Every observation that was weighed for the first cause, with its figure and what it was held against."""
    if not episode["causes"]:
        return []
    first = episode["causes"][0]
    rows = [*((row, "for") for row in first["for"]), *((row, "against") for row in first["against"])]
    cells = [(row["observation"], side, _measured(row["number"], row["unit"]), _measured(row["threshold"], row["unit"]), wording.figure(row["weight"]), row.get("comment") or "none") for row, side in rows]
    columns = ("Observation", "Speaks", "Figure", "Held against", "Weight", "Why it counts")
    notes = ("The larger the weight, the more it counts: natural logarithm of the odds.",)
    return [Table(f"Episode {episode['id']}: the evidence weighed for {wording.word(first['cause'])}", columns, tuple(cells), notes)] if cells else []


def _measured(number: float | None, unit: str) -> str:
    """A figure in words: a share as per cent, a ratio with its two parts named."""
    unit = re.sub(r"^K\b", "°C", unit)
    if number is None:
        return "no figure"
    if unit == "share":
        return f"{100 * number:.0f} %"
    return f"{wording.figure(number)} times ({unit})" if " / " in unit else f"{wording.figure(number)} {unit}".strip()


def check_next(assessment: Assessment) -> Table:
    """What would settle it: a list to tick off by hand."""
    rows = [(f"☐ {step}", row["id"], wording.word(cause["cause"])) for row in assessment.results["episodes"] for cause in row["causes"][:3] for step in cause["check_next"]]
    shown, notes = capped(list(dict.fromkeys(rows)), MOST_ROWS, "steps")
    return Table("What would settle it", ("Look at", "Episode", "Speaks to"), shown, notes, "Nothing further is proposed.")


def logbook(assessment: Assessment) -> Table:
    """What people wrote in the logbook in and around the window."""
    zone = assessment.site.timezone
    cells = [
        (
            wording.when(row.time, zone),
            wording.word(row.kind),
            row.text,
            wording.when(row.until, zone) if row.until is not None else "none entered",
            row.who,
            _shown(row.low_c),
            _shown(row.high_c),
        )
        for row in assessment.logbook
    ]
    shown, notes = capped(cells, MOST_ROWS, "entries")
    return Table(
        "The logbook, as written", ("Time", "Kind", "Text", "Until", "Who", "Minimum shown", "Maximum shown"), shown, notes, "No logbook was given. Its silence is not evidence."
    )


def _shown(value_c: float | None) -> str:
    return "none entered" if wording.absent(value_c) else wording.celsius(value_c)
