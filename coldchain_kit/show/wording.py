"""Figures and instants as words: units beside every number, the site's own time with its offset, "not known" for no value."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import pandas as pd

from coldchain_kit.base import zones

if TYPE_CHECKING:
    from coldchain_kit.model import ExcursionRow, ExposureRow, ProbeRow, ProductBesideRow, T

NOT_KNOWN = "not known"
_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December")
LABELS = {
    "above": "above the limit", "below": "below the limit", "outside": "outside", "good": "good", "suspect": "suspect", "fail": "failed", "missing": "no value",
    "undecided": "outside by the reading, within the probe's uncertainty: handle as an excursion", "not_evaluated": "not evaluated",
    "as_read": "as read", "corrected": "corrected", "both": "as read and corrected", "certificate": "certificate", "assumed": "assumed, no certificate",
    "yes": "yes", "no": "no", "unknown": NOT_KNOWN, "buffered": "buffered", "air": "air", "room": "room", "surface": "surface",
    "spike": "spike", "flat_line": "flat line", "rate": "too fast a change", "range": "beyond the sensor's range", "no_value": "no value",
    "one_sided": "at the end of the range", "disagreement": "probes disagree", "gap": "no readings", "clock": "clock", "unit_mixup": "unit of measure in doubt",
    "repeated": "repeated stretch", "resolution": "display step", "settings": "alarm settings", "calibration": "calibration",
    "door_open": "door open", "power_loss": "loss of power", "cooling_failure": "cooling failed", "defrost": "defrost", "setpoint_change": "set point changed",
    "warm_load": "warm goods put in", "cold_load": "cold goods put in", "overcooling": "cooled too far", "airflow_blocked": "air flow blocked",
    "probe_removed": "probe taken out or moved", "probe_fault": "probe or logger at fault", "ambient_heat": "hot surroundings", "ambient_cold": "cold surroundings",
    "coolant_spent": "coolant spent", "coolant_too_cold": "coolant too cold", "record_error": "error in the record (clock, unit or repeated stretch)",
    "undetermined": "not determined", "none": "no cause to look for", "refrigerator": "refrigerator", "freezer": "freezer", "ultra_low": "ultra-low freezer",
    "cold_room": "cold room", "shipper": "shipper", "declared": "as declared in the register", "proved": "proved by the record itself",
    "not_verified": "clock not verified", "display": "by the display only", "unopened": "unopened", "opened": "opened", "reconstituted": "reconstituted", "thawed": "thawed",
}  # fmt: skip


def word(code: object) -> str:
    """A code of the results in plain words; "not known" where there is none.

    Examples
    --------
    >>> word("flat_line"), word(None), word("some_new_kind")
    ('flat line', 'not known', 'some new kind')
    """
    if code is None or code == "":
        return NOT_KNOWN
    if isinstance(code, bool):
        return "yes" if code else "no"
    return LABELS.get(str(code), str(code).replace("_", " "))


def absent(value: object) -> bool:
    """Whether there is no value: None, NaN, NaT."""
    return value is None or value is pd.NaT or isinstance(value, float) and math.isnan(value)


def celsius(value: float | None, *, limit: float | None = None) -> str:
    """A temperature with its unit, at most two decimals, never rounded onto a limit it is beyond.

    Parameters
    ----------
    value : float or None
        Temperature [°C].
    limit : float, optional
        Limit [°C] that the shown figure must stay on the same side of.

    Examples
    --------
    >>> celsius(9.25), celsius(9.3), celsius(-0.5), celsius(None)
    ('9.25 °C', '9.3 °C', '-0.5 °C', 'not known')
    >>> celsius(8.001, limit=8.0)
    '8.001 °C'
    """
    return NOT_KNOWN if value is None or absent(value) else f"{figure(value, limit=limit)} °C"


def bounded(value: float | None, words: str | None = None, text: str | None = None, *, limit: float | None = None) -> str:
    """A temperature that may be a bound, or may have no number: with the file's own text, never with a number of the kit's.

    Parameters
    ----------
    value : float or None
        Temperature or bound [°C].
    words : str or None
        "at least" or "at most" where it is a bound, or stands beside readings without a number.
    text : str or None
        The file's own text of such a reading.

    Examples
    --------
    >>> bounded(9.3), bounded(25.0, "at least", "> 25"), bounded(None, "at least", "HI"), bounded(85.0, "at least")
    ('9.3 °C', 'at least 25.0 °C (the file says “> 25”)', 'value not known (the file says “HI”)', 'at least 85.0 °C (the end of the declared range)')
    """
    if not words:
        return celsius(value, limit=limit)
    said = f" (the file says “{text}”)" if text else " (the end of the declared range)"
    return f"value {NOT_KNOWN}{said}" if absent(value) else f"{words} {celsius(value, limit=limit)}{said}"


def extreme(row: ExcursionRow[T], *, limit: float | None = None) -> str:
    """The extreme of an excursion, a bound or without a number where a one-sided reading lies in it."""
    sided = row.get("extreme_bound") or absent(row["extreme_c"])
    return bounded(row["extreme_c"], ("at least" if row["direction"] == "above" else "at most") if sided else None, row.get("extreme_text"), limit=limit)


def end_of(row: ProbeRow[str] | ExposureRow[str], side: Literal["min", "max"], *, as_read: bool = False) -> str:
    """The lowest or highest of a probe's window or of a stay in words, a bound where it is one."""
    if side == "min":
        return bounded(row.get("as_read_min_c") if as_read else row.get("min_c"), row.get("min_one_sided"), row.get("min_text"))
    return bounded(row.get("as_read_max_c") if as_read else row.get("max_c"), row.get("max_one_sided"), row.get("max_text"))


def area(degree_minutes: float | None, *, bound: bool = False) -> str:
    """Degree-minutes beyond a limit, three digits of them: readings of a tenth of a degree carry no more. The results hold the full figure.

    Examples
    --------
    >>> area(45.0), area(954.83), area(12345.6), area(45.0, bound=True), area(None)
    ('45 °C·min', '955 °C·min', '12,300 °C·min', 'at least 45 °C·min', 'not known: a reading in it has no number')
    """
    if degree_minutes is None or absent(degree_minutes):
        return f"{NOT_KNOWN}: a reading in it has no number"
    places = 2 - math.floor(math.log10(abs(degree_minutes))) if degree_minutes else 0
    shown = f"{round(degree_minutes, places):,.{min(max(places, 0), 2)}f}"
    return f"{'at least ' if bound else ''}{shown.rstrip('0').rstrip('.') if '.' in shown else shown} °C·min"


def figure(value: float, *, limit: float | None = None, decimals: int = 2) -> str:
    """A number with at least one and, short of a limit, at most ``decimals`` decimals."""
    places = decimals
    while limit is not None and value != limit and round(value, places) == round(limit, places) and places < 6:
        places += 1
    shown = round(float(value), places) + 0.0
    text = f"{shown:.{places}f}"
    while text.endswith("0") and not text.endswith(".0"):
        text = text[:-1]
    return text


def minutes(value: float | None) -> str:
    """A duration in minutes, and in hours and days beside it where that is easier to grasp.

    Examples
    --------
    >>> minutes(42.0), minutes(95.04), minutes(3000), minutes(0.0), minutes(None)
    ('42 min', '95 min (1 h 35 min)', '3,000 min (2 d 2 h)', '0 min', 'not known')
    """
    if value is None or absent(value):
        return NOT_KNOWN
    if 0 < abs(value) < 10 and round(value, 1) != round(value):
        return f"{value:.1f} min"
    whole = round(value)
    days, rest = divmod(whole, 1440)
    hours_, left = divmod(rest, 60)
    if whole < 90:
        return f"{whole} min"
    parts = [f"{days} d"] if days else []
    parts += [f"{hours_} h"] if hours_ else []
    parts += [f"{left} min"] if left else []
    return f"{whole:,} min ({' '.join(parts)})"


def hours(value: float | None) -> str:
    """A duration given in hours.

    Examples
    --------
    >>> hours(1.5), hours(None)
    ('1.5 h', 'not known')
    """
    return NOT_KNOWN if value is None or absent(value) else f"{figure(value)} h"


def quantity(value: object, counted_in: str | None) -> str:
    """How much of what; "not stated of what" where nobody says what is counted.

    Examples
    --------
    >>> quantity("40", "single-dose vial"), quantity("40", None), quantity("18 boxes", None), quantity("", "vial")
    ('40 × single-dose vial', '40 (not stated of what)', '18 boxes', 'not known')
    """
    text = str(value if value is not None else "").strip()
    if not text:
        return NOT_KNOWN
    bare = not any(letter.isalpha() for letter in text)
    return f"{text} × {counted_in}" if bare and counted_in else f"{text} (not stated of what)" if bare else text


def percent(share: float | None) -> str:
    """A share as per cent, cut and never rounded up: 99.99 % of a record is not all of it.

    Examples
    --------
    >>> percent(1.0), percent(0.99999), percent(0.5), percent(None)
    ('100 %', '99.9 %', '50 %', 'not known')
    """
    if share is None or absent(share):
        return NOT_KNOWN
    cut = math.floor(share * 1000 + 1e-9) / 10
    return f"{cut:.0f} %" if cut == int(cut) else f"{cut:.1f} %"


def chance(share: float | None) -> str:
    """A probability as per cent, never shown as certainty.

    Examples
    --------
    >>> chance(0.99999), chance(0.9), chance(0.0)
    ('over 99.9 %', '90 %', 'under 0.1 %')
    """
    if share is None or absent(share):
        return NOT_KNOWN
    return "over 99.9 %" if share > 0.999 else "under 0.1 %" if share < 0.001 else percent(share)


def support(value: float | None) -> str:
    """A support between nothing and one, never rounded up to certainty.

    Examples
    --------
    >>> support(0.814), support(0.9999), support(0.0001)
    ('0.81', 'over 0.99', 'under 0.01')
    """
    if value is None or absent(value):
        return NOT_KNOWN
    return "over 0.99" if value > 0.99 else "under 0.01" if value < 0.01 else f"{value:.2f}"


def count(value: int | None) -> str:
    """A whole number with thousands apart.

    Examples
    --------
    >>> count(525600), count(None)
    ('525,600', 'not known')
    """
    return NOT_KNOWN if value is None or absent(value) else f"{int(value):,}"


def local(time: str | pd.Timestamp | None, zone: str) -> pd.Timestamp | None:
    """An instant (text ending in Z, or an aware Timestamp) in the zone's own time; None for none."""
    return None if time is None or absent(time) or time == "" else pd.Timestamp(time).tz_convert(zones.database(zone))


def offset(stamp: pd.Timestamp) -> str:
    """ "+01:00" of an aware time."""
    seconds = int(zones.ahead(stamp).total_seconds())
    return f"{'-' if seconds < 0 else '+'}{abs(seconds) // 3600:02d}:{abs(seconds) % 3600 // 60:02d}"


def when(time: str | pd.Timestamp | None, zone: str, *, estimated: bool = False) -> str:
    """An instant in the site's time with its offset, for tables. An estimated one is rounded to the minute.

    Examples
    --------
    >>> when("2026-07-01T08:40:30Z", "Europe/Lisbon"), when("2026-07-01T08:40:30Z", "Europe/Lisbon", estimated=True)
    ('2026-07-01 09:40:30 +01:00', '2026-07-01 09:40 +01:00')

    In the hour that comes twice each pass has its own offset:

    >>> when("2026-11-01T05:10:00Z", "America/Toronto"), when("2026-11-01T06:10:00Z", "America/Toronto")
    ('2026-11-01 01:10 -04:00', '2026-11-01 01:10 -05:00')
    """
    stamp = local(time, zone)
    return NOT_KNOWN if stamp is None else zones.shown(stamp.tz_convert("UTC").floor("min" if estimated else "s"), zone=zone)  # a local hour that comes twice cannot be rounded


def moment(time: str | pd.Timestamp | None, zone: str) -> str:
    """An instant for a sentence.

    Examples
    --------
    >>> moment("2026-03-07T01:15:00Z", "Europe/Lisbon")
    'Saturday 7 March 2026, 01:15 (Europe/Lisbon, UTC+00:00)'
    """
    stamp = local(time, zone)
    if stamp is None:
        return "a time that is not known"
    clock = stamp.strftime("%H:%M:%S" if stamp.second else "%H:%M")
    return f"{_DAYS[stamp.weekday()]} {stamp.day} {_MONTHS[stamp.month - 1]} {stamp.year}, {clock} ({zone}, UTC{offset(stamp)})"


FURTHER = "times from values as read and corrected, whichever lie further outside"
BY_DISPLAY = "outside by the display, time not known"


def of_display(row: ExcursionRow[T]) -> bool:
    """Whether an excursion rests on what a display showed, and on no reading."""
    return row.get("basis") == "display"


def place(row: ExposureRow[str] | ProductBesideRow[str]) -> str:
    """Unit and probe of a row; one of a display belongs to no probe.

    Examples
    --------
    >>> place({"unit": "F2", "probe": "A"}), place({"unit": "F2", "probe": None})
    ('F2 A', 'F2, the display')
    """
    return f"{row.get('unit')} {row['probe']}" if row.get("probe") is not None else f"{row.get('unit')}, the display"


def furthest_first(row: ExcursionRow[T]) -> float:
    """Sort key of excursions: most degree-minutes first, those without a figure before all, those of a display last."""
    if of_display(row):
        return 1.0
    area_out = row["degree_minutes"]
    return -math.inf if area_out is None or absent(area_out) else -float(area_out)


def displayed(row: ExcursionRow[str], zone: str) -> str:
    """An excursion by the display in one sentence."""
    edge = "the earliest that is known" if row["open_start"] else "the check before"
    return (
        f"{row['id']}: unit {row['unit']}, {BY_DISPLAY}: {celsius(row['extreme_c'], limit=row['limit_c'])}, {word(row['direction'])} of {celsius(row['limit_c'])}, at some time between "
        f"{when(row['start'], zone)} ({edge}) and {when(row['end'], zone)} (logbook line {row['logbook_line']}); no reading shows it, handle it as an excursion."
    )


def several(items: list[str]) -> str:
    """ "a", "a and b", "a, b and c".

    Examples
    --------
    >>> several(["A", "B", "C"])
    'A, B and C'
    """
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}" if items else "none"
