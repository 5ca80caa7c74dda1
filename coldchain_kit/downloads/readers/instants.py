"""Times as text: read one, and settle the order of day, month and year by evidence."""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from functools import lru_cache

from coldchain_kit.base import LayoutError

DAY_US = 86_400_000_000
ORDERS = ("dmy", "mdy", "ymd")

_MONTHS = {
    1: "january januar jänner janvier enero janeiro", 2: "february februar feber février febrero fevereiro", 3: "march märz maerz mars marzo março",
    4: "april avril abril", 5: "may mai mayo maio", 6: "june juni juin junio junho", 7: "july juli juillet julio julho", 8: "august août agosto",
    9: "september septembre septiembre setiembre setembro", 10: "october oktober octobre octubre outubro", 11: "november novembre noviembre novembro",
    12: "december dezember décembre diciembre dezembro",
}  # fmt: skip
_DAYS = (
    "monday tuesday wednesday thursday friday saturday sunday montag dienstag mittwoch donnerstag freitag samstag sonntag lundi mardi mercredi jeudi vendredi samedi dimanche "
    "lunes martes miércoles jueves viernes sábado domingo segunda terça quarta quinta sexta segunda-feira terça-feira quarta-feira quinta-feira sexta-feira"
)


def _bare(word: str) -> str:
    return "".join(c for c in unicodedata.normalize("NFKD", word.lower()) if not unicodedata.combining(c))


def _prefixes(words: dict[int, str]) -> dict[str, int]:
    found: dict[str, set[int]] = {}
    for number, names in words.items():
        for name in names.split():
            for length in range(3, len(_bare(name)) + 1):
                found.setdefault(_bare(name)[:length], set()).add(number)
    return {prefix: numbers.pop() for prefix, numbers in found.items() if len(numbers) == 1}


MONTHS = _prefixes(_MONTHS)
_WEEKDAYS = {_bare(word)[:length] for word in _DAYS.split() for length in range(2, len(word) + 1)}

_CLOCK = re.compile(
    r"(?P<h>\d{1,2})(?P<sep>[:.h])(?P<m>\d{2})(?:(?P=sep)(?P<s>\d{2})|:(?P<s2>\d{2}))?(?:[.,](?P<f>\d{1,9}))?\s*(?:Uhr|h|hrs)?\s*(?P<half>[AaPp]\.? ?[Mm]\.?)? ?"
    r"(?P<zone>Z|UTC|GMT|(?:UTC|GMT) ?[+\-−]\d{1,2}(?::?\d{2})?|[+\-−]\d{2}(?::?\d{2})?)?"
)
_NUMERIC_DATE = re.compile(r"(\d{1,4})\s?([-/.\s])\s?(\d{1,2})\s?\2\s?(\d{1,4})\.?")
_NAMED_DAY_FIRST = re.compile(r"(\d{1,2})\.?[\s\-/.]*(?:de\s+|of\s+)?([^\W\d_]{3,})\.?[\s\-/.,]*(?:de\s+)?(\d{4}|\d{2})")
_NAMED_MONTH_FIRST = re.compile(r"([^\W\d_]{3,})\.?[\s\-/]*(\d{1,2})(?:st|nd|rd|th)?[\s,\-/]+(\d{4}|\d{2})")
_NAMED_YEAR_FIRST = re.compile(r"(\d{4})[\s\-/.]*([^\W\d_]{3,})\.?[\s\-/.]*(\d{1,2})")
_COMPACT = re.compile(r"(\d{4})(\d{2})(\d{2})")
_COMPACT_BOTH = re.compile(r"(\d{8})[T_ ]?(\d{2})(\d{2})(\d{2})?(Z)?")
_SPLIT = re.compile(r"(?P<date>.*?\d|.*?[^\W\d_]{3,}\.?)(?:T|[\s,;_]+(?:at\s+|um\s+|à\s+|-\s+)?)(?P<clock>\d{1,2}[:.h]\d{2}.*)", re.S)
_CLOCK_FIRST = re.compile(r"(?P<clock>\d{1,2}:\d{2}(?::\d{2})?(?:\s?[AaPp]\.?\s?[Mm]\.?)?)[\s,]+(?P<date>.*\d{2}.*)")
_QUOTES = " \t\"'\u00a0\u202f\ufeff"


def clean(text: str) -> str:
    """A time's text without quotes and outer blanks."""
    return text.strip(_QUOTES).replace("\u202f", " ").replace("\u00a0", " ")


@lru_cache(maxsize=200_000)
def clock(text: str) -> tuple[int, int | None] | None:
    """Time of day: (microseconds after midnight, offset from UTC in seconds or None), None where it is none.

    Examples
    --------
    >>> clock("12:05 AM")[0] // 60_000_000, clock("12:05 p.m.")[0] // 60_000_000
    (5, 725)
    >>> clock("10:00:00+01:00")
    (36000000000, 3600)
    >>> clock("13:00 PM") is None, clock("24:00")[0] == DAY_US, clock("24:01") is None
    (True, True, True)
    """
    hit = _CLOCK.fullmatch(clean(text))
    if not hit or (hit["sep"] == "h" and hit["s2"]):
        return None
    hour, minute, second = int(hit["h"]), int(hit["m"]), int(hit["s"] or hit["s2"] or 0)
    if minute > 59 or second > 59:
        return None
    if hit["half"]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if hit["half"][0] in "pP" else 0)
    fraction = int((hit["f"] or "0").ljust(9, "0")[:9]) // 1000
    if hour > 24 or (hour == 24 and (minute or second or fraction)):
        return None
    offset = _offset(hit["zone"])
    if hit["zone"] and offset is None:
        return None
    return (hour * 3600 + minute * 60 + second) * 1_000_000 + fraction, offset


def _offset(zone: str | None) -> int | None:
    if not zone:
        return None
    rest = zone.replace("−", "-").removeprefix("UTC").removeprefix("GMT").removeprefix("Z").strip()
    if not rest:
        return 0
    digits = rest[1:].replace(":", "")
    hours, minutes = (int(digits[:-2]), int(digits[-2:])) if len(digits) > 2 else (int(digits), 0)
    return (-1 if rest[0] == "-" else 1) * (hours * 3600 + minutes * 60) if hours <= 14 and minutes < 60 else None


def _ordinal(year: int, month: int, day: int) -> int | None:
    try:
        return dt.date(year, month, day).toordinal() - 719_163
    except ValueError:
        return None


def _year(text: str) -> int:
    return int(text) if len(text) == 4 else 2000 + int(text)


@lru_cache(maxsize=200_000)
def day(text: str, order: str) -> int | None:
    """Days since 1970-01-01 of a date, None where it is none in this order (dmy, mdy, ymd).

    Two-digit years are of this century. A year of four digits at the front, or a month's name, needs no order.

    Examples
    --------
    >>> day("03/04/2026", "dmy") - day("01/04/2026", "dmy"), day("31/02/2026", "dmy") is None
    (2, True)
    >>> day("1. März 2026", "mdy") == day("2026-03-01", "dmy") == day("1 de mar. de 2026", "dmy")
    True
    """
    plain = clean(text)
    if hit := _NUMERIC_DATE.fullmatch(plain):
        return _numeric_day(hit[1], hit[3], hit[4], order)
    if hit := _COMPACT.fullmatch(plain):
        return _ordinal(int(hit[1]), int(hit[2]), int(hit[3]))
    if hit := _NAMED_YEAR_FIRST.fullmatch(plain):
        return _named(hit[3], hit[2], hit[1])
    if hit := _NAMED_DAY_FIRST.fullmatch(plain):
        return _named(hit[1], hit[2], hit[3])
    if hit := _NAMED_MONTH_FIRST.fullmatch(plain):
        return _named(hit[2], hit[1], hit[3])
    weekday, _, rest = plain.partition(" ")
    return day(rest, order) if rest and _bare(weekday.strip(".,")) in _WEEKDAYS else None


def _numeric_day(a: str, b: str, c: str, order: str) -> int | None:
    if len(a) == 4 and len(c) <= 2:
        return _ordinal(int(a), int(b), int(c))
    if len(a) > 2 or len(c) == 3 or len(c) == 1:
        return None
    if order == "ymd":
        return _ordinal(2000 + int(a), int(b), int(c)) if len(c) == 2 and len(a) == 2 else None
    return _ordinal(_year(c), int(b), int(a)) if order == "dmy" else _ordinal(_year(c), int(a), int(b))


def _named(day_text: str, month: str, year: str) -> int | None:
    number = MONTHS.get(_bare(month))
    return _ordinal(_year(year), number, int(day_text)) if number else None


@lru_cache(maxsize=50_000)
def split(text: str) -> tuple[str, str] | None:
    """Date text and time-of-day text ("" for a date alone), None where the text is neither.

    Examples
    --------
    >>> split("2026-03-01T00:05:00Z"), split("01.03.2026 12:05 AM"), split("12:05 01/03/2026")
    (('2026-03-01', '00:05:00Z'), ('01.03.2026', '12:05 AM'), ('01/03/2026', '12:05'))
    """
    plain = clean(text)
    if len(plain) > 60 or not any(c.isdigit() for c in plain):
        return None
    if hit := _COMPACT_BOTH.fullmatch(plain):
        return hit[1], f"{hit[2]}:{hit[3]}:{hit[4] or '00'}{hit[5] or ''}"
    if is_date(plain):
        return plain, ""
    for hit in (_SPLIT.fullmatch(plain), _CLOCK_FIRST.fullmatch(plain)):
        if hit and clock(hit["clock"]) is not None and is_date(hit["date"].rstrip(" ,")):
            return hit["date"].rstrip(" ,"), hit["clock"]
    return None


def is_date(text: str) -> bool:
    """Whether a text is a date in some order."""
    return any(day(text, order) is not None for order in ORDERS)


def moment(text: str, *, order: str) -> tuple[int, int | None] | None:
    """Microseconds since 1970-01-01 as shown and the offset from UTC in seconds (None: not stated), None where it is no time.

    Examples
    --------
    >>> moment("01/03/2026 00:05", order="dmy") == moment("2026-03-01T00:05:00", order="dmy")
    True
    >>> moment("29/02/2026 00:05", order="dmy") is None
    True
    """
    parts = split(text)
    if parts is None:
        return None
    date = day(parts[0], order)
    if date is None:
        return None
    if not parts[1]:
        return date * DAY_US, None
    of_day = clock(parts[1])
    return None if of_day is None else (date * DAY_US + of_day[0], of_day[1])


def is_moment(text: str) -> bool:
    """Whether a text is a date with or without time of day, in any order."""
    return any(moment(text, order=order) is not None for order in ORDERS)


def needs_order(dates: list[str]) -> bool:
    """Whether these date texts read differently in different orders."""
    return any(len({day(text, order) for order in ORDERS} - {None}) > 1 or _partial(text) for text in dates)


def _partial(text: str) -> bool:
    return len({day(text, order) is None for order in ORDERS}) > 1


def settle(dates: list[str], of_day_us: list[int], *, pinned: str | None, shown: str) -> tuple[str, str]:
    """The order of day, month and year, and what settled it: stated | alike | pinned | values | cadence | monotony.

    Parameters
    ----------
    dates : list of str
        Date texts of rows in the file's order (all of them, or evenly spaced ones).
    of_day_us : list of int
        The time of day of the same rows [µs].

    Raises
    ------
    LayoutError
        Where two orders fit equally well: both readings are shown, and how to pin one.

    Examples
    --------
    >>> settle(["01/03/2026", "02/03/2026", "03/03/2026"], [0, 0, 0], pinned=None, shown="x")
    ('dmy', 'cadence')
    >>> settle(["06/06/2026", "06/06/2026"], [0, 300_000_000], pinned=None, shown="x")
    ('dmy', 'alike')
    >>> settle(["03/04/2026", "03/04/2026"], [0, 300_000_000], pinned=None, shown="F2.csv")
    Traceback (most recent call last):
        ...
    coldchain_kit.base.errors.LayoutError: F2.csv: the dates can be read in two ways: '03/04/2026' is 3 April 2026 (day first) or 4 March 2026 (month first). Expected dates of which one order fits. Write date_order = "dmy" or "mdy" under the unit's logger in site.toml.
    """
    if not needs_order(sorted(set(dates))):
        return ("ymd" if dates and dates[0][:4].isdigit() else "dmy"), "stated"
    times = {order: _times(dates, of_day_us, order) for order in ORDERS}
    fits = {order: sum(t is not None for t in times[order]) for order in ORDERS}
    if pinned:
        if fits[pinned] * 2 < max(fits.values()):
            raise _not_pinned(dates[0], pinned, shown)
        for other in ORDERS:
            if other != pinned and fits[other] >= fits[pinned] and _beats(times[other], times[pinned]) == "cadence":
                raise _not_pinned(dates[0], pinned, shown)
        return pinned, "pinned"
    able = [order for order in ORDERS if fits[order] > 0.5 * max(fits.values())] or list(ORDERS)
    able.sort(key=lambda order: -fits[order])
    able = [order for k, order in enumerate(able) if all(times[order] != times[other] for other in able[:k])]  # 06/06 is one day in either order
    for order in able:
        reasons = [_beats(times[order], times[other]) for other in able if other != order]
        if all(reasons):
            lone = max((fits[other] for other in ORDERS if other not in able), default=0)
            return order, (min(reasons) if reasons else "values" if lone < fits[order] else "alike")
    raise _ambiguous(dates, able, shown)


def _not_pinned(date: str, pinned: str, shown: str) -> LayoutError:
    return LayoutError(f"the dates do not fit the pinned order {pinned!r}: {date!r}", where=shown, expected="days that follow each other in that order",
                       mend="Correct date_order under the unit's logger in site.toml, or leave it out")  # fmt: skip


def _times(dates: list[str], of_day_us: list[int], order: str) -> list[int | None]:
    days = [day(text, order) for text in dates]
    return [None if d is None else d * DAY_US + us for d, us in zip(days, of_day_us, strict=True)]


def _beats(ours: list[int | None], theirs: list[int | None]) -> str:
    """What makes one order the better: "cadence", "monotony", "values", or "" where nothing does."""
    steps, others = _steps(ours), _steps(theirs)
    usual = _usual(steps)
    other_usual = _usual(others)
    one_reading = sum(a == b and a is not None for a, b in zip(steps, others, strict=True)) if steps else 0
    regular, irregular = _regular(steps, usual), _regular(others, other_usual)
    better = sum(a and not b for a, b in zip(regular, irregular, strict=True))
    worse = sum(b and not a for a, b in zip(regular, irregular, strict=True))
    if better and better > 20 * worse and (one_reading or better > 1):
        return "cadence"
    if 0 < abs(usual) <= 2 * DAY_US and abs(other_usual) >= 28 * DAY_US:
        return "cadence"  # no logger stores one reading a month (common practice, no source)
    if worse:
        return ""
    back, their_back = _backward(ours, theirs, usual), _backward(theirs, ours, usual)
    if their_back and not back:
        return "monotony"
    only = sum(a is not None and b is None for a, b in zip(ours, theirs, strict=True))
    if None not in ours and only >= (1 if len(ours) <= 10 else 2) and not _backward(ours, ours, usual):
        return "values"
    return ""


def _steps(times: list[int | None]) -> list[int | None]:
    return [None if a is None or b is None else b - a for a, b in zip(times, times[1:], strict=False)]


def _usual(steps: list[int | None]) -> int:
    known = sorted(step for step in steps if step)
    return known[len(known) // 2] if known else 0


def _regular(steps: list[int | None], usual: int) -> list[bool]:
    """Steps in the file's direction and no gap: at most 2.5 of the usual ones (CONTRACTS.md, rule 4)."""
    return [step is not None and step * usual > 0 and abs(step) <= 2.5 * abs(usual) for step in steps]


def _backward(times: list[int | None], judged: list[int | None], usual: int) -> int:
    """Steps against the file's direction, over rows that both orders can read."""
    known = [t for t, other in zip(times, judged, strict=True) if t is not None and other is not None]
    return sum((b - a) * usual < 0 for a, b in zip(known, known[1:], strict=False))


def _ambiguous(dates: list[str], able: list[str], shown: str) -> LayoutError:
    words = {"dmy": "day first", "mdy": "month first", "ymd": "year first"}
    text = next((t for t in dates if len({day(t, order) for order in able}) > 1), dates[0])
    both = " or ".join(f"{_long(day(text, order))} ({words[order]})" for order in able if day(text, order) is not None)
    pins = " or ".join(f'"{order}"' for order in able)
    return LayoutError(f"the dates can be read in {'two' if len(able) == 2 else 'several'} ways: {text!r} is {both}", where=shown, expected="dates of which one order fits",
                       mend=f"Write date_order = {pins} under the unit's logger in site.toml")  # fmt: skip


def _long(days: int | None) -> str:
    date = dt.date.fromordinal(719_163 + (days or 0))
    return f"{date.day} {date:%B} {date.year}"
