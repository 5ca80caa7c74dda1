"""What a column header says: its plain label, its unit, and the kind of channel."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter

from coldchain_kit.downloads.readers.cells import unit_of

_TEMPERATURE = ("temperature", "temperatur", "temperatura", "température", "temp", "tmp")
_POINT = ("channel", "probe", "sensor", "kanal", "canal", "fühler", "fuehler", "messfühler", "sonde", "sonda", "capteur", "voie", "ch")
_STRIP = re.compile(r"(?i)(?<![^\W\d_])(?:" + "|".join(sorted((*_TEMPERATURE, *_POINT), key=len, reverse=True)) + r")s?\.?(?![^\W\d_])")
_BRACKET = re.compile(r"[(\[{<]([^()\[\]{}<>]*)[)\]}>]")
_TAIL = re.compile(r"(?i)(?:,\s*|\s+in\s+)(°?\s?[cfk]|deg\s?[cf]|celsius|fahrenheit|kelvin|%\s?r?h?)\s*$|[\s_/:]*(°\s?[cf]|℃|℉|deg\s?[cf]|celsius|fahrenheit|kelvin|%\s?rh|%)\s*$")
_BARE = re.compile(r"(?i)^(.*(?:temp|temperature|temperatur|temperatura|température))[_ ]([cfk])$")

_KINDS = (  # the first that fits decides; the first line holds even under a unit of temperature
    ("other", r"\b(?:dew|taupunkt|rosée|rocío|orvalho|set ?-?point|sollwert|consigne|limits?\b|grenz|seuil|límite|limite|mkt\b|kinetic|change|delta|diff|heat index|qual|qc\b|flag|mask|label|"
              r"fault|status|codes?\b|offset|uncertainty|alarm|event|ereignis|évènement|événement|evento|notes?\b|remark|comment|marks?\b)"),
    ("humidity", r"humid|feucht|hygro|\bumid|humed|huméd|\brh\b|\brf\b|\bhr\b|% ?r\.?h\b"),
    ("battery", r"\b(?:batt|akku|batería|bateria|pile\b|voltage|spannung|tension|tensão|volts?\b)"),
    ("door", r"\b(?:doors?\b|tür|tuer\b|porte\b|puerta|porta\b|light cycle|lid\b)"),
    ("power", r"\b(?:power|mains|netz|strom|secteur|alimenta|energía|energia|ac\b|compressor|supply)"),
    ("other", r"\b(?:light|lux\b|licht|lumi|luz\b|press|druck|presión|pressão|hpa\b|co2\b|signal|rssi|snr\b|conduct|cond\b|ph\b|do\b|turb|stage\b|wind|solar|irradian|uv\b|rain|salin|salt\b|psu\b|"
              r"flow|speed|weight|duration|dauer\b|elapsed|minutes?$|seconds?$|index\b|record\b|reading ?#|(?:mote|device|sensor|logger|node|serial|unit|probe)[ _-]?(?:id|no\.?|nr\.?|number)\b|"
              r"serial|latitude|longitude|lat\b|lon\b|altitude)|^(?:#|no\.?|nr\.?|n°|nº|num|number|id|row|line|seq.*|count|counter|item|epoch|lfd.*)$"),
)  # fmt: skip
_KINDS_RE = tuple((kind, re.compile(pattern, re.I)) for kind, pattern in _KINDS)
_TEMPERATURE_RE = re.compile(r"(?i)(?<![^\W\d_])(?:" + "|".join(sorted(_TEMPERATURE, key=len, reverse=True)) + r")s?(?![^\W\d_])|°\s?[cf]|℃|℉|\bdeg\s?[cf]\b|celsius|fahrenheit")
_POINT_RE = re.compile(r"(?i)(?<![^\W\d_])(?:" + "|".join(sorted(_POINT, key=len, reverse=True)) + r")(?![^\W\d_])|^T[_ ]\w")
_TIME_RE = re.compile(r"(?i)time|date|zeit|datum|uhr|heure|fecha|hora|\bdata\b|stamp|\butc\b|horodat|moment|epoch")
_EVENT_RE = re.compile(r"(?i)event|ereignis|évènement|événement|evento|alarm|note|remark|bemerkung|comment|kommentar|observa|\bmark|status|meldung|message|info")
_NAME_RE = re.compile(r"(?i)sensor|probe|channel|kanal|canal|fühler|fuehler|sonde|sonda|capteur|location|\bname\b|\bort\b|position|\btag\b|node|mote|messstelle|lieu|lugar")
_LOGGER_RE = re.compile(r"(?i)device|logger|serial|ger[äa]t|appareil|dispositivo|\bmote|\bnode|site|unit")
_UNIT_COLUMN_RE = re.compile(r"(?i)^\W*(?:units?|einheit|unité|unidade?|uom)\W*$")


def _spaced(header: str) -> str:
    return header.replace("_", " ").replace("Â°", "°").replace("º", "°").replace("˚", "°")


def unit(header: str) -> str | None:
    """Unit of measure that a header states (C, F, K, % …), or None.

    Examples
    --------
    >>> unit("A (°C)"), unit("A temperature, C"), unit("Temp [degF]"), unit("Channel C"), unit("temp_f")
    ('C', 'C', 'F', None, 'F')
    """
    text = header.strip().replace("º", "°").replace("˚", "°").replace("Â°", "°")
    for inside in _BRACKET.findall(text):
        if found := unit_of(inside):
            return found
    if hit := _TAIL.search(text):
        return unit_of(next(part for part in hit.groups() if part))
    hit = _BARE.match(text)
    return unit_of(hit[2]) if hit else None


def plain(header: str, *, keep_brackets: bool = False) -> str:
    """Plain label of CONTRACTS.md: the header without its unit and brackets and without the words for temperature, channel, probe, sensor.

    Examples
    --------
    >>> [plain(h) for h in ("A (°C)", "Channel A", "T_A", "Fühler A [°C]", "A temperature, C", "Temperature (°C)")]
    ['A', 'A', 'A', 'A', 'A', 'Temperature (°C)']
    """
    text = unicodedata.normalize("NFC", header).strip().replace("Â°", "°").replace("º", "°").replace("˚", "°")
    text = _BRACKET.sub(lambda hit: " " if unit_of(hit[1]) or not keep_brackets else f" {hit[1]} ", text)
    text = _TAIL.sub("", text)
    if hit := _BARE.match(text.strip()):
        text = hit[1]
    text = re.sub(r"^\s*T_", "", text)
    text = _STRIP.sub(" ", text)
    text = re.sub(r"\s+", " ", text).strip(" _-:;,.#/")
    return text or header.strip()


def plain_all(headers: list[str]) -> list[str]:
    """Plain labels of several columns, each its own: where two would be alike they keep more of their headers.

    Examples
    --------
    >>> plain_all(["Fridge (top)", "Fridge (bottom)", "Temp 1", "Probe 1"])
    ['Fridge top', 'Fridge bottom', 'Temp 1', 'Probe 1']
    """
    labels = [plain(h) for h in headers]
    for attempt in (lambda h: plain(h, keep_brackets=True), lambda h: " ".join(h.split())):
        twice = Counter(labels)
        labels = [attempt(h) if twice[old] > 1 else old for h, old in zip(headers, labels, strict=True)]
    seen: Counter[str] = Counter()
    out = []
    for label in labels:
        seen[label] += 1
        out.append(label if seen[label] == 1 else f"{label} ({seen[label]})")
    return out


def kind(header: str) -> str | None:
    """temperature | humidity | door | power | battery | other, or None where the header does not tell.

    Examples
    --------
    >>> [kind(h) for h in ("A (°C)", "Humidity %RH", "Dew point (°C)", "Upper shelf", "Battery V", "Puerta", "Channel A")]
    ['temperature', 'humidity', 'other', None, 'battery', 'door', 'point']
    """
    text = _spaced(header)
    stated = unit(header)
    for name, pattern in _KINDS_RE[:1] if stated in ("C", "F", "K") else _KINDS_RE:
        if pattern.search(text):
            return name
    if stated is not None:
        return "temperature" if stated in ("C", "F", "K") else "humidity" if stated == "%" else "other"
    if _TEMPERATURE_RE.search(text):
        return "temperature"
    return "point" if _POINT_RE.search(text) else None


def is_time(header: str) -> bool:
    """Whether a header names a time or date."""
    return bool(_TIME_RE.search(_spaced(header)))


def is_clock(header: str) -> bool:
    """Whether a header names the time of day."""
    return bool(re.search(r"(?i)\b(?:time|zeit|uhrzeit|heure|hora)\b", _spaced(header)))


def is_event(header: str) -> bool:
    """Whether a header names a column of events or remarks."""
    return bool(_EVENT_RE.search(_spaced(header)))


def is_name(header: str) -> bool:
    """Whether a header names the column that says which sensor a row belongs to."""
    return bool(_NAME_RE.search(_spaced(header)))


def is_sensor(header: str) -> bool:
    """Whether a header says sensor, probe or channel in so many words."""
    return bool(_POINT_RE.search(_spaced(header)))


def is_logger(header: str) -> bool:
    """Whether a header names the logger, not one of its probes."""
    return bool(_LOGGER_RE.search(_spaced(header)))


def is_unit_column(header: str) -> bool:
    """Whether a header names a column of units."""
    return bool(_UNIT_COLUMN_RE.search(_spaced(header)))
