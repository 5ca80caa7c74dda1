"""The answers of a case as they stand: the newest of each question, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from coldchain_kit.register import entries
from coldchain_kit.show import open_questions, wording

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment


def latest(assessment: Assessment) -> dict[str, entries.Entry]:
    return {row["field"]: row for row in entries.read(assessment.case.folder)}


def shown(value: entries.Answer) -> str:
    if isinstance(value, dict):
        return "; ".join(f"{name.replace('_', ' ')}: {held}" for name, held in value.items() if held)
    return open_questions.UNANSWERED if value is None else str(value)


def numbers(assessment: Assessment, prefix: str) -> list[str]:
    """Numbers in use and the next free one."""
    used = [field.partition(".")[2] for field in latest(assessment) if field.startswith(f"{prefix}.")]
    return [*used, next(str(number) for number in range(1, 1000) if str(number) not in used)]


def standing(assessment: Assessment, prefix: str) -> dict[str, dict[str, str]]:
    """Number or name -> the structured answer that stands now."""
    return {field.partition(".")[2]: entries.parts(row["new"]) for field, row in latest(assessment).items() if field.startswith(f"{prefix}.") and row["new"] is not None}


def changed(row: entries.Entry) -> str:
    """ " (changed, see No. 7)" where an answer stands in place of an earlier one."""
    return f" (changed, see No. {row['n']})" if row["old"] is not None else ""


def who(assessment: Assessment, name: str) -> str:
    """A typed name with the function that the register gives it.

    The register's names are compared without case and blanks; a name that it does not have stays as it is.
    """
    plain = " ".join(name.casefold().split())
    held = next((one for one in assessment.site.people.values() if " ".join(one.name.casefold().split()) == plain), None)
    return f"{name}, {held.function}" if held and held.function else name


def from_case(assessment: Assessment, field: str) -> str:
    """What case.toml says where nobody answered the form."""
    given = assessment.case.found or {}
    if field == "found.when" and given.get("time"):
        return f"{wording.when(assessment.site.instant(given['time']), assessment.site.timezone)} (from the case file)"
    if field == "found.by" and given.get("by"):
        return f"{given['by']} (from the case file)"
    return open_questions.UNANSWERED
