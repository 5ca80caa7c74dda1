"""What nobody has answered, decided or closed yet."""

from __future__ import annotations

from typing import TYPE_CHECKING

from coldchain_kit.register import entries
from coldchain_kit.show.tables.table import Table

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment

UNANSWERED = "not yet answered"


SECTIONS = {"immediate": "Before anything else", "found": "What we were given", "cause": "Why did it happen"}  # part of the report that asks; the conclusion for all others


def still_open(assessment: Assessment) -> Table:
    """Questions that nobody has answered, lots without a decision, actions not closed."""
    now = entries.current(assessment.case.folder)
    rows = [(entries.FIELDS[name], SECTIONS.get(name.partition(".")[0], "Conclusion")) for name in _unanswered(assessment)]
    rows += [(f"Decision on lot {row['lot']}", "Which lots") for row in assessment.results["lots"] if row["needs_decision"] and f"decision.{row['lot']}" not in now]
    rows += [(f"Action {row['id']}: {row['action']}", f"What was done, due {row['due'] or 'at no stated date'}") for row in entries.actions(assessment.case.folder) if not row["closed"] or not row["effective"]]
    return Table("What is still open", ("Question", "Stands in part"), tuple(rows), empty="Every question is answered, every lot decided upon and every action closed.")


def unanswered(assessment: Assessment) -> list[str]:
    """The questions that nobody has answered, in their own words."""
    return [entries.FIELDS[name] for name in _unanswered(assessment)]


def _unanswered(assessment: Assessment) -> list[str]:
    now = entries.current(assessment.case.folder)
    asked = (name for name in entries.FIELDS if not name.endswith("*") and not name.startswith(("why.", "group.")) and name not in entries.WHERE_IT_APPLIES)
    return [name for name in asked if name not in now and not _in_case(assessment, name)]


def _in_case(assessment: Assessment, name: str) -> bool:
    """Whether case.toml already says it."""
    given = assessment.case.found or {}
    return (name == "found.when" and bool(given.get("time"))) or (name == "found.by" and bool(given.get("by")))
