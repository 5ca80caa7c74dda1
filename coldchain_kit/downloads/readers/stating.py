"""What a text states of the logger's interval: a line of the preamble, or an event of the logger."""

from __future__ import annotations

import re

# Whatever a reminder, an upload or a calibration repeats at says nothing about the readings.
_OTHER = re.compile(r"(?i)alarm|reminder|upload|transm|send|report|sync|calib|kalib|étalon|übertrag|delay|verzög|battery|batterie")
_WORD = re.compile(
    r"(?i)(?:\b(?:sampl\w*|logg?ing|log|record\w*|measur\w*|reading|storage|save)[\s_]*(?:interval|rate|period|cycle|step)s?\b|\binterval(?:l|le|lo|o)?s?\b"
    r"|(?:mess|speicher|aufzeichnungs|log|abtast)[\s-]?(?:intervall|takt|rate)|\bmesstakt|\bintervalle\b|\bintervalo\b|\bcadence\b|\bintervallo\b)"
)  # fmt: skip
_CLOCK = re.compile(r"(?<![\d:])(\d{1,2}):(\d{2})(?::(\d{2}))?(?![\d:])")
_AMOUNT = re.compile(
    r"(?i)(?<!\d)(\d+(?:[.,]\d+)?)\s*(s|secs?|seconds?|sek\w*|secondes?|segundos?|secondi|m|mins?|min\.|minutes?|minuten?|minutos?|minuti|h|hr|hrs|hours?|std\w*|stunden?|heures?|horas?|ore)\b"
)
_BARE = re.compile(r"(?<!\d)(\d+(?:[.,]\d+)?)(?!\d)")
_UNIT = re.compile(r"(?i)[(\[]\s*(s|sec|seconds|min|minutes|h|hours)\.?\s*[)\]]")
_MIN = {"s": 1 / 60, "m": 1.0, "h": 60.0, "o": 60.0}
MOST_MIN = 24 * 60.0  # a longer "interval" is none of a logger over stock (own rule, no source)


def interval_min(text: str) -> float | None:
    """The interval that a line states [min]; None where it states none. Of "from 5 min to 15 min" the last.

    Examples
    --------
    >>> [interval_min(text) for text in ("Sampling interval: 5 min", "Messintervall;00:10:00", "Log interval (s),300")]
    [5.0, 10.0, 5.0]
    >>> [interval_min(text) for text in ("Interval changed from 5 min to 15 min", "Alarm interval: 30 min", "Interval: see manual")]
    [15.0, None, None]
    """
    word = _WORD.search(text)
    if not word or _OTHER.search(text):
        return None
    rest = text[word.end() :]
    unit = _UNIT.search(rest)
    if (clocks := _CLOCK.findall(rest)) and unit is None:
        hours, minutes, seconds = clocks[-1]
        found = int(hours) * 60.0 + int(minutes) + int(seconds or 0) / 60.0
    elif amounts := _AMOUNT.findall(rest):
        number, name = amounts[-1]
        found = float(number.replace(",", ".")) * (60.0 if name.lower().startswith("std") else _MIN[name[0].lower()])
    elif unit and (bare := _BARE.findall(rest)):
        found = float(bare[-1].replace(",", ".")) * _MIN[unit[1][0].lower()]
    else:
        return None
    return found if 0 < found <= MOST_MIN else None


def all_min(texts: list[str]) -> tuple[float, ...]:
    """Every interval that these lines state [min], each once, finest first."""
    return tuple(sorted({round(found, 6) for text in texts if (found := interval_min(text)) is not None}))
