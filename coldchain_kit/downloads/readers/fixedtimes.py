"""Times whose digits always stand at the same places, read all at once from their bytes.

Only times that are certain come out: a byte that is no digit, a month 13, 31 February or 24:00 gives NO_TIME, and the caller reads that line with care.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

import numpy as np
import pyarrow as pa

from coldchain_kit.downloads.readers.block import NO_TIME

_DATES = {
    "ymd": re.compile(r"(?P<y>\d{4})([-/.])(?P<m>\d\d)\2(?P<d>\d\d)"), "dmy": re.compile(r"(?P<d>\d\d)([-/.])(?P<m>\d\d)\2(?P<y>\d{4})"),
    "mdy": re.compile(r"(?P<m>\d\d)([-/.])(?P<d>\d\d)\2(?P<y>\d{4})"),
}  # fmt: skip
_CLOCK = re.compile(r"[ T](?P<h>\d\d):(?P<n>\d\d)(?::(?P<s>\d\d))?(?P<half> ?[AP]M)?")
FIRST_YEAR, LAST_YEAR = 1900, 2199


@dataclass(frozen=True)
class Template:
    """Where the parts of a time stand in ``length`` bytes; ``signs`` are the bytes between them."""

    length: int
    at: dict[str, int]
    signs: tuple[tuple[int, int], ...]


def template(shown: str, order: str) -> Template | None:
    """The places of a time like this one, None where its digits may move.

    Examples
    --------
    >>> template("13/03/2026 10:05 PM", "dmy").at["half"], template("1/3/2026 0:05", "dmy")
    (17, None)
    """
    for name in (order, "ymd"):
        date = _DATES[name].match(shown)
        clock = date and _CLOCK.fullmatch(shown, date.end())
        if date and clock:
            at = {key: hit.start(key) for hit in (date, clock) for key, found in hit.groupdict().items() if found}
            if "half" in at:
                at["half"] = len(shown) - 2
            signs = tuple((i, ord(c)) for i, c in enumerate(shown) if not c.isdigit() and i != at.get("half"))
            return Template(len(shown), at, signs)
    return None


@cache
def _months() -> tuple[np.ndarray, np.ndarray]:
    """Days since 1970 of the first of every month, and the length of every month."""
    starts = np.arange(f"{FIRST_YEAR}-01", f"{LAST_YEAR + 1}-02", dtype="datetime64[M]").astype("datetime64[D]").astype("int64").astype("int32")
    return starts[:-1], np.diff(starts)


def read(column: pa.Array, places: Template) -> np.ndarray | None:
    """Microseconds since 1970 as shown, NO_TIME where unsure; None where the texts are not all of the template's length."""
    count = len(column)
    if column.null_count or not count:
        return None
    offsets = np.frombuffer(column.buffers()[1], np.int32)[column.offset : column.offset + count + 1]
    if (np.diff(offsets) != places.length).any():
        return None
    raw = np.frombuffer(column.buffers()[2], np.uint8)[offsets[0] : offsets[-1]].reshape(count, places.length)
    return _parsed(np.ascontiguousarray(raw.T), places)


def _parsed(bytes_at: np.ndarray, places: Template) -> np.ndarray:
    sure = np.ones(bytes_at.shape[1], bool)
    for i, sign in places.signs:
        sure &= bytes_at[i] == sign

    def two(start: int) -> np.ndarray:
        tens, ones = bytes_at[start] - np.uint8(48), bytes_at[start + 1] - np.uint8(48)
        np.logical_and(sure, (tens <= 9) & (ones <= 9), out=sure)
        return tens * np.uint8(10) + ones

    at = places.at
    year = two(at["y"]).astype("int32") * 100 + two(at["y"] + 2)
    month, day, hour, minute = two(at["m"]), two(at["d"]), two(at["h"]), two(at["n"])
    second = two(at["s"]) if "s" in at else np.zeros(1, "uint8")
    sure &= (year >= FIRST_YEAR) & (year <= LAST_YEAR) & (month >= 1) & (month <= 12) & (minute <= 59) & (second <= 59)
    if "half" in at:
        letter = bytes_at[at["half"]]
        sure &= (hour >= 1) & (hour <= 12) & ((letter == ord("A")) | (letter == ord("P")))
        hour = hour % 12 + np.where(letter == ord("P"), np.uint8(12), np.uint8(0))
    starts, lengths = _months()
    index = np.where(sure, (year - FIRST_YEAR) * 12 + month - 1, np.int32(0))
    sure &= (hour <= 23) & (day >= 1) & (day <= lengths[index])
    of_day = hour.astype("int32") * 3600 + minute.astype("int32") * 60 + second
    micro = (starts[index] + day - 1).astype("int64")
    micro *= 86_400
    micro += of_day
    micro *= 1_000_000
    micro[~sure] = NO_TIME
    return micro
