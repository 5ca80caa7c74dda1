"""Highest and lowest temperatures that a download states in words beside its readings: "Max 12.0", "Höchstwert: 8,4
°C"."""

from __future__ import annotations

import re
from typing import Any

from coldchain_kit.downloads.readers import cells

# Words of summaries in the languages the readers know; settings, limits and other quantities are no statement of what
# was measured.
_HIGHEST = (
    r"max(?:\.|i(?:mum|mal|male|mo|ma|mumwert)?)?|máx(?:\.|im[oa])?|highest|peak|"
    r"höchst(?:e|er|wert)?|plus haute?|más alt[oa]"
)
_LOWEST = (
    r"min(?:\.|i(?:mum|mal|male|mo|ma|mumwert)?)?|mín(?:\.|im[oa])?|lowest|"
    r"tiefst(?:e|er|wert)?|niedrigst(?:e|er|wert)?|plus basse?|más baj[oa]"
)
_NUMBER = r"[+\-−]?\d+(?:[.,]\d+)?"
_UNIT = r"(?:\s*(°?\s?[cfk]\b|deg\s?[cf]\b|celsius|fahrenheit|kelvin|℃|℉))?"
_SAYS = re.compile(
    rf"(?i)(?<![\w\-])(?:(?P<high>{_HIGHEST})|"
    rf"(?P<low>{_LOWEST}))(?![\w])(?P<between>[^\d+\-−]{{0,40}}?)(?P<number>{_NUMBER})(?![\d.,:/]\d)"
    rf"{_UNIT.replace('(°', '(?P<unit>°')}(?=(?P<rest>[^;,|\t]{{0,12}}))"
)
_BOTH = re.compile(
    rf"(?i)(?<![\w\-])(?P<first>{_HIGHEST}|{_LOWEST})\s*[/|&]\s*(?:{_HIGHEST}|"
    rf"{_LOWEST})(?![\w])[^\d+\-−]{{0,40}}?({_NUMBER}){_UNIT}[^\d+\-−]{{1,6}}({_NUMBER}){_UNIT}"
)
_KEY = re.compile(rf"(?i)^\s*(?:temp\w*\s*)?(?:(?P<high>{_HIGHEST})|(?P<low>{_LOWEST}))(?![\w])[^\d]*$")
_NOT_MEASURED = re.compile(
    r"(?i)alarm|alert|limit|grenz|límite|seuil|umbral|threshold|range|bereich|plage|rango|set ?point|soll|allowed|"
    r"zulässig|erlaubt|spec|permitted|target|required|"
    r"delay|interval|period|memory|capacity|samples|count|readings?\b|records?\b|humid|feuchte|humed|r\.?\s?h\.?\b|"
    r"batter|volt|dew|%"
)
_INSTANT = re.compile(
    r"\d{1,4}[./\-]\d{1,2}[./\-]\d{1,4}|\d{1,2}:\d{2}(?::\d{2})?(?:\s*[ap]m)?|\d{4}-\d\d-\d\dT[\d:.]+Z?", re.I
)
_OTHER_UNIT = re.compile(r"(?i)^\s*(?:min(?!\w*[\s:=]*[+\-\d])|h\b|hours?|s\b|sec|days?|v\b|mv\b|%|mb|kb)")
_THINGS = (
    r"readings?|records?|samples?|measurements?|data ?points?|data ?sets?|values|entries|"
    r"messwerte?|messungen|messpunkte|datensätze|mesures|relevés|enregistrements|lecturas|registros|mediciones|misure|metingen"
)
_COUNTS = re.compile(
    rf"(?i)^\W*(?:(?:total )?(?:number|no\.?|count) of (?:the )?|total |anzahl(?: der)? |nombre (?:de |d')|"
    rf"n[úu]mero (?:de )?|aantal )?(?:stored |logged |recorded )?(?:{_THINGS})(?: count| total| recorded| stored)?\W{{1,4}}(?P<count>\d{{1,9}})\W*$"
)
SHORTEST, LONGEST = 3, 400  # characters of a line that is looked at


def statements(text: str, line: int, *, before: str = "") -> list[dict[str, Any]]:
    """What one line states as the highest or lowest temperature: dicts {side: "above" | "below", value, unit (C, F, K
    or None), text, line}.

    ``before``: the line before it, which may hold the words of a table whose numbers stand in this one. Several
    numbers: the furthest one.

    Examples
    --------
    >>> statements("Max;12,0 °C", 90)
    [{'side': 'above', 'value': 12.0, 'unit': 'C', 'text': 'Max;12,0 °C', 'line': 90}]
    >>> statements("High alarm limit max 8.0", 3), statements("Interval;5 min", 4)
    ([], [])
    """
    if not SHORTEST <= len(text) <= LONGEST or _NOT_MEASURED.search(text):
        return []
    plain = _INSTANT.sub(" ", text)
    found = _of_both(plain) or [
        (hit["high"] is not None, hit["number"], hit["unit"])
        for hit in _SAYS.finditer(plain)
        if _measures_temperature(hit)
    ]
    found += [] if found else _of_table(plain, before)
    rows: dict[str, dict[str, Any]] = {}
    for high, number, unit in found:
        side, value = "above" if high else "below", float(number.replace(",", ".").replace("−", "-"))
        known = rows.get(side)
        if known is None or (value > known["value"]) == high:
            rows[side] = {
                "side": side,
                "value": value,
                "unit": cells.unit_of(unit) if unit else None,
                "text": " ".join(text.split()),
                "line": line,
            }
    return list(rows.values())


def count(text: str, line: int) -> dict[str, Any] | None:
    """How many readings one line states, {count, text, line}; None where it states none.

    Capacities, intervals and what is still free are no count of what was read.

    Examples
    --------
    >>> count("Number of readings: 892", 4), count("Anzahl Messwerte;892", 5)["count"], count("Readings;5.1", 6), count("Max readings: 16000", 7)
    ({'count': 892, 'text': 'Number of readings: 892', 'line': 4}, 892, None, None)
    """
    hit = _COUNTS.match(text.strip()) if SHORTEST <= len(text) <= LONGEST else None
    return None if hit is None else {"count": int(hit["count"]), "text": " ".join(text.split()), "line": line}


def _measures_temperature(hit: re.Match[str]) -> bool:
    """Whether the number has no other unit, and "min" is no word for minutes: a number before it and none right after
    it."""
    minutes = (
        hit["low"] is not None
        and hit["low"].lower() == "min"
        and re.search(r"\d\s*$", hit.string[: hit.start()])
        and hit["between"].strip(" :=")
    )
    return not minutes and not _OTHER_UNIT.match(hit["rest"] or "")


def _of_both(text: str) -> list[tuple[bool, str, str | None]]:
    """Both numbers of "Min/Max: 2.1 / 12.0", in whatever order."""
    hit = _BOTH.search(text)
    if hit is None:
        return []
    high_first = re.fullmatch(_HIGHEST, hit["first"], re.I) is not None
    return [(high_first, hit[2], hit[3]), (not high_first, hit[4], hit[5])]


def _of_table(text: str, before: str) -> list[tuple[bool, str, str | None]]:
    """Numbers under the words "Min" and "Max" of the line before."""
    mark = next((mark for mark in ("\t", ";", "|", ",") if mark in before and mark in text), None)
    if mark is None or _NOT_MEASURED.search(before):
        return []
    found = []
    for name, cell in zip(before.split(mark), text.split(mark), strict=False):
        key, number = _KEY.match(name.strip(" \"'")), re.fullmatch(rf"\s*[\"']?({_NUMBER}){_UNIT}[\"']?\s*", cell, re.I)
        if key and number:
            found.append((key["high"] is not None, number[1], number[2]))
    return found
