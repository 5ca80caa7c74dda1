"""Instants in few letters: weekday, day, month, clock; offset and year only where they are not those of the page's head."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from coldchain_kit.show import wording

if TYPE_CHECKING:
    from coldchain_kit.assessment import Assessment

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True)
class Times:
    """The site's zone with the offset and the year that the head of the page states.

    Examples
    --------
    >>> times = Times("Europe/Lisbon", "+00:00", 2026)
    >>> times.short("2026-03-07T02:10:00Z"), times.short("2026-07-01T08:00:30Z"), times.short(None)
    ('Sat 7 Mar 02:10', 'Wed 1 Jul 09:00 (UTC+01:00)', 'not known')
    """

    zone: str
    offset: str
    year: int

    @classmethod
    def of(cls, assessment: Assessment) -> Times:
        """As at the start of the window."""
        zone = assessment.site.timezone
        start = wording.local(assessment.window.start, zone)
        assert start is not None  # a window has a start
        return cls(zone, wording.offset(start), start.year)

    @property
    def head(self) -> str:
        """What the head of the page says about its times."""
        return f"Times: {self.zone}, UTC{self.offset}, {self.year}"

    def short(self, time: str | pd.Timestamp | None, *, day: bool = True) -> str:
        """An instant, cut to the minute; without its day where ``day`` is false."""
        stamp = wording.local(time, self.zone)
        if stamp is None:
            return wording.NOT_KNOWN
        offset = wording.offset(stamp)
        date = f"{_DAYS[stamp.weekday()]} {stamp.day} {_MONTHS[stamp.month - 1]}{'' if stamp.year == self.year else f' {stamp.year}'} "
        return f"{date if day else ''}{stamp:%H:%M}" + ("" if offset == self.offset else f" (UTC{offset})")

    def date(self, day: pd.Timestamp) -> str:
        """A local day, without its clock."""
        return f"{_DAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]}{'' if day.year == self.year else f' {day.year}'}"

    def span(self, start: str | pd.Timestamp | None, end: str | pd.Timestamp | None) -> str:
        """Two instants; the day once where both lie on it.

        Examples
        --------
        >>> Times("Europe/Lisbon", "+00:00", 2026).span("2026-03-07T02:10:00Z", "2026-03-07T09:10:00Z")
        'Sat 7 Mar 02:10 to 09:10'
        """
        first, last = wording.local(start, self.zone), wording.local(end, self.zone)
        same = first is not None and last is not None and first.date() == last.date()
        return f"{self.short(start)} to {self.short(end, day=not same)}"


def long(minutes: float | None) -> str:
    """A duration as people say it.

    Examples
    --------
    >>> long(250.0), long(0.0), long(8.4), long(4020.0), long(None)
    ('4 h 10 min', '0 min', '8.4 min', '2 d 19 h', 'not known')
    """
    if minutes is None or wording.absent(minutes):
        return wording.NOT_KNOWN
    if 0 < minutes < 10 and round(minutes, 1) != round(minutes):
        return f"{minutes:.1f} min"
    days, rest = divmod(round(minutes), 1440)
    hours, left = divmod(rest, 60)
    parts = [f"{days} d"] * bool(days) + [f"{hours} h"] * bool(hours) + [f"{left} min"] * bool(left)
    return " ".join(parts) or "0 min"
