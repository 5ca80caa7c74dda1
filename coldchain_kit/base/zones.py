"""Local time and UTC by the tz database that is installed with the kit, never by the operating system's."""

from __future__ import annotations

import contextlib
import datetime as dt
import re
import zoneinfo
from functools import cache
from importlib import resources

import numpy as np
import pandas as pd

from coldchain_kit.base.errors import RegisterError, nearest

NAT = np.iinfo("int64").min  # NaT as pandas and numpy store it
SECOND_US = 1_000_000


def tz_version() -> str:
    """Version of the tz database that every local time rests on, such as "2026f".

    Examples
    --------
    >>> tz_version()[:2]
    '20'
    """
    import tzdata

    return tzdata.IANA_VERSION


@cache
def database(zone: str) -> zoneinfo.ZoneInfo:
    """Rules of an IANA zone from the installed tz database; RegisterError where it has no such zone.

    Examples
    --------
    >>> database("Europe/Lisbon").key
    'Europe/Lisbon'
    """
    parts = zone.split("/")
    found = resources.files("tzdata").joinpath("zoneinfo", *parts)
    if "" not in parts and ".." not in parts and found.is_file():
        with found.open("rb") as file, contextlib.suppress(ValueError):  # the database holds lists beside its zones
            return zoneinfo.ZoneInfo.from_file(file, key=zone)
    raise RegisterError(f"the zone '{zone}' is not known", expected="an IANA name such as Europe/Lisbon", mend=nearest(zone, _names()))


# Places with summer time that somebody who writes an offset's name most likely means, by hours from UTC (common practice, no source).
LIKELY = {
    -10: "Pacific/Honolulu", -9: "America/Anchorage", -8: "America/Los_Angeles", -7: "America/Denver", -6: "America/Chicago", -5: "America/New_York", -4: "America/Halifax",
    0: "Europe/London", 1: "Europe/Berlin", 2: "Europe/Athens", 3: "Europe/Istanbul", 10: "Australia/Sydney", 12: "Pacific/Auckland",
}  # fmt: skip
_OFFSET_NAME = re.compile(r"EST|MST|HST|GMT|GMT[+-]?0|Greenwich|Etc/(?!UTC|UCT|Universal|Zulu).+")


def question(zone: str) -> str:
    """What to ask about a zone that is the name of an offset and not of a place, and so never has summer time; "" for any other.

    Examples
    --------
    >>> question("EST")
    "The zone 'EST' is the name of an offset (-05:00) and has no summer time. Did you mean America/New_York? Name the place, also where it keeps one time all year."
    >>> question("Etc/GMT-1").split("? ")[0], question("Europe/Lisbon")
    ("The zone 'Etc/GMT-1' is the name of an offset (+01:00) and has no summer time. Did you mean Europe/Berlin", '')
    """
    if not _OFFSET_NAME.fullmatch(zone):
        return ""
    shift = dt.datetime(2026, 1, 1, tzinfo=database(zone)).utcoffset() or dt.timedelta()
    minutes = round(shift.total_seconds() / 60)
    offset = f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
    likely = LIKELY.get(minutes // 60)
    hint = f" Did you mean {likely}?" if likely else ""
    return f"The zone '{zone}' is the name of an offset ({offset}) and has no summer time.{hint} Name the place, also where it keeps one time all year."


@cache
def _names() -> tuple[str, ...]:
    """Every zone of the installed tz database."""
    return tuple(resources.files("tzdata").joinpath("zones").read_text("utf-8").split())


def shown(utc: pd.Timestamp | None, *, zone: str) -> str:
    """An instant as the site reads it: its own time with the offset; seconds only where there are any.

    Examples
    --------
    >>> shown(pd.Timestamp("2026-07-06 22:40", tz="UTC"), zone="Europe/Lisbon")
    '2026-07-06 23:40 +01:00'
    """
    if utc is None or pd.isna(utc):
        return "time not known"
    local = pd.Timestamp(utc).to_pydatetime(warn=False).astimezone(database(zone))
    text = local.isoformat(" ", "seconds" if local.second else "minutes")
    return f"{text[:-6]} {text[-6:]}"


def ahead(aware: dt.datetime) -> dt.timedelta:
    """How far an aware local time is ahead of UTC.

    Examples
    --------
    >>> ahead(pd.Timestamp("2026-07-06 22:40", tz="Europe/Lisbon"))
    datetime.timedelta(seconds=3600)
    """
    offset = aware.utcoffset()
    assert offset is not None, "a time without a zone"
    return offset


def local(utc: pd.DatetimeIndex, *, zone: str) -> np.ndarray:
    """Local wall times (datetime64[us], no offset) of many instants.

    Examples
    --------
    >>> local(pd.DatetimeIndex(["2026-07-06 22:40"], tz="UTC"), zone="Europe/Lisbon")
    array(['2026-07-06T23:40:00.000000'], dtype='datetime64[us]')
    """
    times = micros(utc.tz_convert("UTC").tz_localize(None).to_numpy())
    known = times != NAT
    since, offsets = rules(zone, times[known])
    out = np.full(len(times), NAT)
    out[known] = times[known] + offsets[np.searchsorted(since, times[known], "right") - 1]
    return out.view("M8[us]")


def instant(wall: dt.date | pd.Timestamp, *, zone: str, first: bool = True) -> pd.Timestamp:
    """UTC of one local time without offset; a day alone is its midnight. A skipped time moves forward to the next that there was.

    Parameters
    ----------
    wall : date, datetime or Timestamp, naive
    zone : str
        IANA name.
    first : bool
        Whether a repeated time counts as its first pass or as its second.

    Examples
    --------
    >>> str(instant(dt.datetime(2026, 10, 25, 1, 30), zone="Europe/Lisbon")), str(instant(dt.datetime(2026, 10, 25, 1, 30), zone="Europe/Lisbon", first=False))
    ('2026-10-25 00:30:00+00:00', '2026-10-25 01:30:00+00:00')
    """
    stamp = pd.Timestamp(wall).tz_localize(database(zone), ambiguous=first, nonexistent="shift_forward")
    return stamp.tz_convert("UTC").as_unit("us")


def instants(walls: np.ndarray, *, zone: str) -> tuple[np.ndarray, np.ndarray]:
    """Both instants that local times may mean (UTC, datetime64[us]): with the offset before and after a change.

    Equal: the time is unique. First before second: it happened twice. First after second: it never happened.

    Examples
    --------
    >>> first, second = instants(np.array(["2026-10-25T02:30"], "M8[us]"), zone="Europe/Berlin")
    >>> str(first[0])[:16], str(second[0])[:16]
    ('2026-10-25T00:30', '2026-10-25T01:30')
    """
    shown_us = micros(walls)
    before, after = offsets_of(shown_us, zone)
    gone = shown_us == NAT
    first, second = (np.where(gone, NAT, shown_us - offset).view("M8[us]") for offset in (before, after))
    return first, second


def micros(times: np.ndarray) -> np.ndarray:
    """Times as int64 µs; NaT as :data:`NAT`."""
    return np.asarray(times).astype("M8[us]").view("int64")


@cache
def _year(zone: str, year: int) -> tuple[tuple[int, int], ...]:
    """(instant, offset from then on) in µs: the start of a UTC year and each change in it."""
    info, epoch = database(zone), dt.datetime(1970, 1, 1, tzinfo=dt.UTC)

    def offset(seconds: int) -> int:
        return int(ahead((epoch + dt.timedelta(seconds=seconds)).astimezone(info)).total_seconds())

    begin = int((dt.datetime(year, 1, 1, tzinfo=dt.UTC) - epoch).total_seconds())
    end = int((dt.datetime(year + 1, 1, 1, tzinfo=dt.UTC) - epoch).total_seconds())
    days = [*range(begin, end, 86400), end]
    known = [offset(day) for day in days]
    found = [(begin, known[0])]
    for low, high, before, after in zip(days, days[1:], known, known[1:], strict=False):
        if before == after:
            continue
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if offset(middle) == after else (middle, high)
        found.append((high, after))
    return tuple((instant * SECOND_US, value * SECOND_US) for instant, value in found)


def rules(zone: str, times: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Instants from which offsets hold, and the offsets [µs], over the years in which times lie."""
    years = np.unique(times.view("M8[us]").astype("M8[Y]").astype("int64")) + 1970 if len(times) else np.array([2000])
    wanted = sorted({near for year in years.tolist() for near in (year - 1, year, year + 1) if 2 <= near < 9998})
    rows = [row for year in wanted or [2000] for row in _year(zone, year)]
    rows = [rows[0], *(row for before, row in zip(rows, rows[1:], strict=False) if row[1] != before[1])]
    since, offsets = np.array(rows, dtype="int64").T
    return since.copy(), offsets.copy()


def offsets_of(walls: np.ndarray, zone: str) -> tuple[np.ndarray, np.ndarray]:
    """Offset [µs] of wall times by the rules before and after the change nearest to them."""
    since, offsets = rules(zone, walls[walls != NAT])
    earlier, later = offsets[:-1], offsets[1:]
    before = np.searchsorted(since[1:] + np.maximum(earlier, later), walls, "right")
    after = np.searchsorted(since[1:] + np.minimum(earlier, later), walls, "right")
    return offsets[before], offsets[after]
