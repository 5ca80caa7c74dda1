"""The front page of an assessment, put together in its one order."""

from __future__ import annotations

from typing import TYPE_CHECKING

from coldchain_kit.register import entries
from coldchain_kit.show import charts, open_questions
from coldchain_kit.show.front import found, said
from coldchain_kit.show.front.line import Front
from coldchain_kit.show.front.times import Times

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment

EXERCISE = "EXERCISE: invented for practice, not a real case."
MOST_CONTACTS = 3
DEMONSTRATION = "DEMONSTRATION: invented, not a real case."


def page(assessment: Assessment, *, frozen: bool = False) -> Front:
    """What a person must know on Monday, on one sheet.

    Parameters
    ----------
    assessment : Assessment
        Of a case or of a month; a month has no lines of lots, people and decisions.
    frozen : bool
        Whether it stands in a record: INTERIM, else PRELIMINARY.

    Returns
    -------
    Front
        The same inputs give the same page. Every figure on it stands in the results.
    """
    times = Times.of(assessment)
    if assessment.case.path == assessment.site.path:
        return _month(assessment, times)
    now = entries.current(assessment.case.folder)
    return Front(
        status=status(assessment, frozen=frozen), head=_head(assessment, times),
        before=(said.stock_now(assessment, now, times), found.freezing(assessment, times), found.what(assessment, times)),
        pictures=tuple(charts.small(assessment)),
        after=(
            found.units(assessment, times), said.lots(assessment, now), said.given(assessment, now, times), said.told(assessment, now, times), found.record(assessment, times),
            found.cause(assessment, times), said.root(assessment, now), said.still_open(assessment, now), found.limits(assessment),
        ),
        foot=said.UNTIL,
    )  # fmt: skip


def _month(assessment: Assessment, times: Times) -> Front:
    lines = (found.units(assessment, times), found.record(assessment, times), *([found.cause(assessment, times)] if assessment.results["episodes"] else []), found.limits(assessment))
    told = "no reading outside" if not assessment.results["excursions"] else f"{len(assessment.results['excursions'])} excursion{'s' if len(assessment.results['excursions']) > 1 else ''}"
    return Front(
        status=f"{mark(assessment)}MONTH · {told}", head=_head(assessment, times), before=(found.freezing(assessment, times), found.what(assessment, times)), pictures=(), after=lines,
        foot="A month without an excursion says nothing of time without readings, and releases no product.",
    )  # fmt: skip


def _head(assessment: Assessment, times: Times) -> str:
    """Which site, where, whom to ring; and which clock the times on this page are in."""
    contacts = assessment.site.extra.get("contacts")
    named = [f"{name}: {held}" for name, held in contacts.items()] if isinstance(contacts, dict) else [str(one) for one in contacts] if isinstance(contacts, list) else [str(contacts)] if contacts else []
    address = assessment.site.extra.get("address")
    return " · ".join([assessment.site.name, *([str(address)] if address else []), *named[:MOST_CONTACTS], times.head])


def mark(assessment: Assessment) -> str:
    """EXERCISE or DEMONSTRATION with its sentence, or nothing."""
    extra = assessment.site.extra
    return f"{EXERCISE} " if extra.get("exercise") else f"{DEMONSTRATION} " if extra.get("demonstration") else ""


def status(assessment: Assessment, *, frozen: bool) -> str:
    """The state of the case in words: PRELIMINARY while it is not frozen, INTERIM once it is; CLOSED only signatures can make it.

    Examples
    --------
    A case without an excursion whose alarm stays unexplained says so here, as a reader must not take it for good news.
    """
    count = len(open_questions.still_open(assessment).rows)
    left = f"{count} open" if count else "nothing open"
    if not frozen:
        return f"{mark(assessment)}PRELIMINARY · not reviewed, not frozen, not signed; figures may change · {left}"
    outside = "" if assessment.results["excursions"] else " · NO READING OUTSIDE" if not assessment.results["case"].get("no_readings") else " · THE RECORD CANNOT ANSWER"
    return f"{mark(assessment)}INTERIM · {left}{outside} · CLOSED only when signed with nothing open"
