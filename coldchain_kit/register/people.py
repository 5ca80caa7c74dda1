"""What a site states about itself beside its units: people, who is told of what, its logbook, its habits."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from coldchain_kit.base import toml

DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


@dataclass(frozen=True)
class Person:
    """Somebody who works here; ``id`` tells two people of one name apart."""

    id: str
    name: str
    function: str | None = None
    role: str | None = None


@dataclass(frozen=True)
class Notify:
    """Who is told, of what (``trigger``), within how many ``hours`` [h], and what document says so."""

    who: str
    trigger: str | None = None
    hours: float | None = None
    source: str | None = None


def days(value: Any) -> str:
    """A rule of TOML: days of the week by name."""
    good = isinstance(value, list) and value and all(isinstance(day, str) and day.strip().lower() in DAYS for day in value)
    return "" if good else 'days by name, such as ["Monday", "Tuesday"]'


def positive_pair(value: Any) -> str:
    """A rule of TOML: the least and the most of something above zero; both may be the same."""
    good = isinstance(value, list) and len(value) == 2 and not any(toml.positive(item) for item in value) and value[0] <= value[1]
    return "" if good else "two numbers above zero, the lower one first, such as [3, 240]"


SITE_KEYS = {
    "logbook": toml.text, "language": toml.text, "product_time_constant_min": positive_pair, "product_time_constant_source": toml.text,
    "checks_per_day": toml.whole, "open_days": days,
}  # fmt: skip
TABLES = {
    "people": toml.Each({"name": toml.Need(toml.text), "function": toml.text, "role": toml.text}),
    "notify": toml.Many({"who": toml.Need(toml.text), "trigger": toml.text, "hours": toml.hours, "source": toml.text}),
}


def of_site(table: dict[str, Any], path: Path) -> dict[str, Any]:
    """The fields of ``Site`` that these keys fill; what is not stated is left out.

    Examples
    --------
    >>> of_site({"site": {"product_time_constant_min": [3, 240]}, "people": {"ma": {"name": "M. Alder"}}}, Path("site.toml"))["people"]["ma"].name
    'M. Alder'
    """
    head = table["site"]
    fields: dict[str, Any] = {key: head[key] for key in ("language", "product_time_constant_source", "checks_per_day") if key in head}
    if "logbook" in head:
        fields["logbook"] = path.parent / head["logbook"]
    if "product_time_constant_min" in head:
        least, most = head["product_time_constant_min"]
        fields["product_time_constant_min"] = (float(least), float(most))
    if "open_days" in head:
        fields["open_days"] = tuple(day.strip().lower() for day in head["open_days"])
    fields["people"] = {key: Person(key, **row) for key, row in table.get("people", {}).items()}
    fields["notify"] = tuple(Notify(**row) for row in table.get("notify", ()))
    return fields
