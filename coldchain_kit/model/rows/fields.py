"""What a field of the results is: its meaning, its unit, and where its rule stands.

``T`` is an instant: ``pd.Timestamp`` (UTC) while it is computed, ISO 8601 text ending in Z in the results.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal, TypeVar

import pandas as pd

T = TypeVar("T", pd.Timestamp, str)


@dataclass(frozen=True)
class Of:
    """Meaning of a field and where its rule stands ("rule 5": CONTRACTS, "How the numbers are made")."""

    meaning: str
    source: str = ""


@dataclass(frozen=True)
class Quantity:
    """Unit of a number and the values it can have."""

    unit: str
    least: float | None = None
    most: float | None = None


@dataclass(frozen=True)
class Pattern:
    """A regular expression that a text matches; with ``forbidden``, one that it must not match."""

    text: str
    forbidden: bool = False


Celsius = Annotated[float, Quantity("°C")]
Kelvins = Annotated[float, Quantity("°C (a difference)")]
Minutes = Annotated[float, Quantity("min", 0)]
Hours = Annotated[float, Quantity("h", 0)]
DegreeMinutes = Annotated[float, Quantity("°C·min", 0)]
Share = Annotated[float, Quantity("share, 0 to 1", 0, 1)]
Ratio = Annotated[float, Quantity("ratio, 0 and more", 0)]
Number = Annotated[float, Quantity("as named beside it")]
Count = Annotated[int, Quantity("", 0)]
Energy = Annotated[float, Quantity("kJ/mol", 0)]
RelativePath = Annotated[str, Pattern(r"^(/|[A-Za-z]:)", forbidden=True)]
Sha256 = Annotated[str, Pattern(r"^[0-9a-f]{64}$")]
Day = Annotated[str, Pattern(r"^\d{4}-\d{2}-\d{2}$")]

Direction = Literal["above", "below"]
Role = Literal["buffered", "air", "room", "surface", "unknown"]
SeenBy = Literal["buffered", "air", "room", "surface", "unknown", "display"]
Basis = Literal["as_read", "corrected", "both", "display"]
Verdict = Literal["outside", "undecided"]
UFrom = Literal["certificate", "assumed"]
FaultKind = Literal[
    "spike", "flat_line", "rate", "range", "no_value", "one_sided", "disagreement", "gap", "interval", "resolution", "clock", "unit_mixup", "repeated"
]
CauseId = Literal[
    "door_open",
    "power_loss",
    "cooling_failure",
    "defrost",
    "setpoint_change",
    "warm_load",
    "cold_load",
    "overcooling",
    "airflow_blocked",
    "probe_removed",
    "probe_fault",
    "ambient_heat",
    "ambient_cold",
    "coolant_spent",
    "coolant_too_cold",
    "record_error",
    "undetermined",
    "none",
]
