"""One cell of readings: number, unit, one-sided value, or a word for "no value"."""

from __future__ import annotations

import re
from typing import NamedTuple

NUMBER, EMPTY, WORD, TEXT = 0, 1, 2, 3
LARGEST = 1e18  # beyond it is damage, not a number

_UNIT_WORDS = {
    "c": "C", "°c": "C", "degc": "C", "deg c": "C", "celsius": "C", "℃": "C", "° c": "C", "degrees c": "C", "grad c": "C", "oc": "C",
    "f": "F", "°f": "F", "degf": "F", "deg f": "F", "fahrenheit": "F", "℉": "F", "° f": "F", "degrees f": "F",
    "k": "K", "kelvin": "K",
    "%": "%", "%rh": "%", "% rh": "%", "%rf": "%", "% rf": "%", "%hr": "%", "% hr": "%", "rh": "%", "%r.h.": "%",
    "v": "V", "mv": "V", "lx": "lx", "lux": "lx", "hpa": "hPa", "kpa": "hPa", "mbar": "hPa", "pa": "hPa", "dbm": "dBm", "ppm": "ppm",
}  # fmt: skip
_CELL = re.compile(r"(?P<side>[<>≤≥]=?)?\s*(?P<number>[+\-−]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+\-]?\d{1,3})?)\s*(?P<unit>[°A-Za-z%℃℉.][°A-Za-z%. ]{0,12})?\s*(?P<mark>\*)?")
_MARKS = frozenset({"h", "l", "hi", "lo", "a", "al", "°"})  # beside a number: the logger's alarm marks, and a degree sign without its letter (common practice, no source)
_HIGH = frozenset({"hi", "high", "hh", "over", "ovr", "ovf", "ol", "+ol", "over range", "overrange", "over-range", "above range", "+inf", "inf", "hoch"})
_LOW = frozenset({"lo", "low", "ll", "under", "udr", "-ol", "under range", "underrange", "under-range", "below range", "-inf"})
_WORDS = frozenset(
    {
        "n/a", "n.a.", "na", "nan", "null", "none", "nil", "err", "error", "fail", "failed", "fault", "open", "short", "no data", "nodata", "missing", "invalid",
        "no reading", "#n/a", "#value!", "#ref!", "#div/0!", "#num!", "?", "x", "disconnected", "no probe", "no sensor", "sensor error", "probe error", "open circuit",
        "short circuit", "not connected", "fehler", "kein wert", "k.a.", "ungültig", "offen", "erreur", "aucune", "absent", "fallo", "sin dato", "sin datos", "nulo",
        "erro", "sem valor", "sem dados", "s/d", "abierto", "aberto", "ouvert", "undef", "void", "bad",
    }
)  # fmt: skip
_DASHES = re.compile(r"[-–—−_*.#?=/\s]+")

# Numbers that loggers write where there is none (common practice, no source): all nines, the ends of 16-bit counters in tenths and hundredths.
PLACEHOLDERS = (999.0, 999.9, 999.99, 9999.0, 9999.9, -999.0, -999.9, -999.99, -9999.0, -9999.9, -99999.0, 99999.0, 3276.7, -3276.8, 32767.0, -32768.0, 6553.5, 65535.0, 327.67, -327.68)


class Cell(NamedTuple):
    """What a cell says: ``value`` as written (NaN for none), ``side`` +1/-1/0, ``unit`` or None, ``status``."""

    value: float
    side: int
    unit: str | None
    status: int


_NAN = float("nan")


def read(text: str, *, decimal: str = ".") -> Cell:
    """Read one cell.

    A comma or point that is not the file's decimal mark counts as one only where it cannot part thousands.

    Examples
    --------
    >>> read("4,6 °C", decimal=",")
    Cell(value=4.6, side=0, unit='C', status=0)
    >>> read("> 85"), read("LO").side, read("---").status == WORD
    (Cell(value=85.0, side=1, unit=None, status=0), -1, True)
    >>> read("1.234", decimal=",").status == TEXT
    True
    """
    plain = text.strip(" \t\"'\u00a0\u202f\ufeff")
    if not plain:
        return Cell(_NAN, 0, None, EMPTY)
    hit = _CELL.fullmatch(plain.replace("Â°", "°").replace("\u00a0", " ").replace("º", "°").replace("˚", "°"))
    if hit:
        return _number(hit, decimal)
    low = plain.lower()
    if low in _HIGH or low in _LOW:
        return Cell(_NAN, 1 if low in _HIGH else -1, None, NUMBER)
    if low in _WORDS or _DASHES.fullmatch(low):
        return Cell(_NAN, 0, None, WORD)
    return Cell(_NAN, 0, None, TEXT)


def _number(hit: re.Match[str], decimal: str) -> Cell:
    body = hit["number"].replace("−", "-")
    if body[-1] in ".," and (hit["unit"] or hit["mark"]):
        return Cell(_NAN, 0, None, TEXT)  # its decimals are lost
    other = "," if decimal == "." else "."
    if other in body:
        fraction = re.split(r"[eE]", body.split(other)[1])[0]
        if len(fraction) == 3 or not fraction:
            return Cell(_NAN, 0, None, TEXT)
    unit = None
    if hit["unit"] and hit["unit"].strip().lower() not in _MARKS:
        unit = unit_of(hit["unit"])
        if unit is None:
            return Cell(_NAN, 0, None, TEXT)
    side = 0 if not hit["side"] else 1 if hit["side"][0] in ">≥" else -1
    value = float(body.replace(",", "."))
    return Cell(value, side, unit, NUMBER) if abs(value) < LARGEST else Cell(_NAN, 0, None, TEXT)


def unit_of(text: str) -> str | None:
    """C, F, K, % or another unit's sign for a unit as written, None where it is no unit.

    Examples
    --------
    >>> unit_of("°C"), unit_of("degF"), unit_of("% RH"), unit_of("shelf")
    ('C', 'F', '%', None)
    """
    plain = text.strip().lower().replace("Â°".lower(), "°").replace("º", "°").replace("˚", "°")
    return _UNIT_WORDS.get(plain) or _UNIT_WORDS.get(plain.rstrip("."))


def decimals(text: str) -> int:
    """Digits after the decimal mark, 0 without one.

    Examples
    --------
    >>> decimals("4,62 °C"), decimals("4"), decimals("4.")
    (2, 0, 0)
    """
    hit = re.search(r"[.,](\d+)", text)
    return len(hit[1]) if hit else 0
