"""What people wrote that does not fit: decisions on lots that nobody listed, dated before it happened or after they were entered; clocks set back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pandas as pd

from coldchain_kit.base import KitError
from coldchain_kit.register import entries
from coldchain_kit.show import wording

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment

LATE = pd.Timedelta(hours=24)  # a decision is written down the same day (common practice, no source)
SLACK = pd.Timedelta(minutes=5)


def instant(assessment: Assessment, text: str | None) -> pd.Timestamp | None:
    """A local time that somebody typed as an instant; None where it is none."""
    try:
        local = dt.datetime.fromisoformat(str(text or "").strip())
        return assessment.site.instant(local) if local.tzinfo is None else pd.Timestamp(local).tz_convert("UTC")
    except (ValueError, KitError):
        return None


def of_decisions(assessment: Assessment) -> list[str]:
    """Each decision that does not fit the stock list or the course of time, a sentence each; and entries out of time."""
    trail = entries.read(assessment.case.folder)
    return [*_decisions(assessment, trail), *_out_of_time(trail, assessment.site.timezone)]


def _decisions(assessment: Assessment, trail: list[entries.Entry]) -> Iterator[str]:
    zone, listed = assessment.site.timezone, {row["lot"] for row in assessment.results["lots"]}
    happened = min((pd.Timestamp(row["start_earliest"]) for row in assessment.results["excursions"]), default=None)
    standing = {row["field"]: row for row in trail if row["field"].startswith("decision.")}
    for field, row in standing.items():
        lot = field.partition(".")[2]
        if row["new"] is None:
            continue
        if lot not in listed:
            yield f"LOT NOT IN THE STOCK LIST: there is a decision on {lot} (No. {row['n']}), and no list names it."
        at, written = instant(assessment, entries.parts(row["new"]).get("time")), pd.Timestamp(row["when"])
        if at is None:
            continue
        if at > written + SLACK:
            yield f"DATED AHEAD: the decision on {lot} (No. {row['n']}) is dated {wording.when(at, zone)}, and was entered on {wording.when(written, zone)}."
        elif written - at > LATE:
            yield f"ENTERED LATER: the decision on {lot} (No. {row['n']}) is dated {wording.when(at, zone)}, and was entered on {wording.when(written, zone)}."
        if happened is not None and at < happened:
            yield f"DATED BEFORE IT HAPPENED: the decision on {lot} (No. {row['n']}) is dated {wording.when(at, zone)}, and the first excursion began about {wording.when(happened, zone)}."


def _out_of_time(trail: list[entries.Entry], zone: str) -> Iterator[str]:
    for before, row in zip(trail, trail[1:], strict=False):
        if pd.Timestamp(row["when"]) < pd.Timestamp(before["when"]) - SLACK:
            yield f"OUT OF TIME: entry No. {row['n']} is dated {wording.when(row['when'], zone)}, before No. {before['n']} ({wording.when(before['when'], zone)}): a clock was set back."
