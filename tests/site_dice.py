"""What one seed decides for a logger of a random site: place, clock, interval, probes, what goes wrong."""

from __future__ import annotations

import datetime as dt
import random
from dataclasses import dataclass, field, replace
from zoneinfo import ZoneInfo

from tests import oracle
from tests.oracle import Certificate, Condition, Logger, Probe, Stated

UTC = dt.UTC
Checks = tuple[tuple[dt.datetime, dt.datetime], ...]
# each zone's clock changes in 2026: FACTS G7, and Europe's last Sundays (EU directive 2000/84/EC, MEMORY)
CHANGES = {
    "Europe/Lisbon": [(2026, 3, 29), (2026, 10, 25)],
    "America/New_York": [(2026, 3, 8), (2026, 11, 1)],
    "UTC": [],
}
CONDITIONS = {
    "refrigerated": Condition(2.0, 8.0),
    "local_fridge": Condition(36.0, 46.0, unit="F"),
    "frozen": Condition(-50.0, -15.0, frozen=True),
    "frozen_pharmacopoeia": Condition(-25.0, -10.0, frozen=True),
    "controlled_cold": Condition(2.0, 8.0, mkt=(8.0, 24.0, "back")),
    "do_not_freeze": Condition(0.0, None),
    "not_above_25": Condition(None, 25.0),
    "with_mkt": Condition(2.0, 8.0, mkt=(8.0, 24.0, "back")),
}
COMMON = ["refrigerated"] * 3 + ["local_fridge"] * 2
WALLS = {
    "iso": "%Y-%m-%dT%H:%M:%S",
    "blank": "%Y-%m-%d %H:%M:%S",
    "dmy": "%d.%m.%Y %H:%M:%S",
    "mdy": "%m/%d/%Y %I:%M:%S %p",
}
PLAINS = ["plain"] * 9


@dataclass
class Dice:
    """One logger: its unit, its probes and its record."""

    rng: random.Random
    unit: str
    zone: str
    condition: str
    interval: int
    clock: object
    checks: Checks
    probes: tuple[Probe, ...]
    begin: dt.datetime  # UTC
    change: dt.datetime | None
    shape: str = "plain"  # plain | uneven | second | second_file | thin | thin_part | few | one
    second: int = 1  # the second interval, or every which row of a thinned record stands
    say: str = "nothing"  # what states the interval: nothing | interval | both | settings
    step: float = 0.1  # the display's, in the file's own unit
    losses: float = 0.0  # share of isolated lost readings
    sided: bool = False
    range_c: tuple[float, float] | None = None
    open_end: bool = False
    quiet: bool = False  # nothing happens, so that nothing asks for a decision
    interleave: str = ""  # "" | shifted | odds
    name: str = ""  # of a logger beside another
    wall_format: str = "iso"
    instants: list[dt.datetime] = field(default_factory=list)

    @property
    def limits(self) -> Condition:
        return CONDITIONS[self.condition]

    @property
    def date_order(self) -> str | None:
        """Pinned where the file alone may leave it open."""
        return self.wall_format if self.wall_format in ("dmy", "mdy") else None

    @property
    def uneven(self) -> bool:
        return self.shape == "uneven"

    @property
    def half(self) -> int:
        return len(self.instants) // 2

    def stated(self) -> tuple[Stated, ...]:
        """What the register says of the interval."""
        if self.say == "nothing":
            return ()
        if self.say == "both":
            other = self.interval * self.second if self.shape.startswith("second") else self.interval * 3
            return (Stated((self.interval, other)),)
        found = (Stated((self.interval,)),)
        if self.say == "settings":
            since = local(self.instants[self.half], self.zone).replace(second=0, microsecond=0)
            found += (Stated((self.interval * self.second,), since),)
        return found

    def calm(self, k: int) -> bool:
        """Where a lost reading would leave it to the reader which interval is in force."""
        if self.shape in ("few", "one", "thin") or self.say == "both":
            return True
        return self.shape in ("second", "second_file", "thin_part") and k >= self.half - 3


def local(instant: dt.datetime, zone: str) -> dt.datetime:
    """Wall time of the zone, moved on where the clock change makes it unsure."""
    zoned = instant.astimezone(ZoneInfo(zone))
    for _ in range(4):
        naive = zoned.replace(tzinfo=None, fold=0)
        if oracle.utc_s(naive, zone) == oracle.utc_s(naive, zone, fold=1):
            return naive
        zoned = (zoned.astimezone(UTC) + dt.timedelta(hours=1)).astimezone(ZoneInfo(zone))
    return naive


def instant_of(wall: dt.datetime, zone: str) -> dt.datetime:
    return dt.datetime.fromtimestamp(oracle.utc_s(wall, zone), UTC)


def clock_wall(instant: dt.datetime, zone: str, clock: object) -> dt.datetime:
    """What a logger without drift shows."""
    offset = oracle.fixed_offset_s(clock, zone)
    if offset is None:
        return instant.astimezone(ZoneInfo(zone)).replace(tzinfo=None, fold=0)
    return instant.replace(tzinfo=None) + dt.timedelta(seconds=offset)


def roll(seed: int) -> list[list[Dice]]:
    """Units, a list of loggers each. Two units share place and days; each has its own storage condition and loggers."""
    rng = random.Random(seed)
    zone = rng.choice(["Europe/Lisbon", "America/New_York", "UTC"])
    near_change = bool(CHANGES[zone]) and rng.random() < 0.4
    plain_day = (*rng.choice([(2026, 2), (2026, 6), (2025, 12)]), rng.randint(3, 20))
    year, month, day = rng.choice(CHANGES[zone]) if near_change else plain_day
    midnight = dt.datetime(year, month, day, tzinfo=UTC)
    begin = midnight - dt.timedelta(hours=rng.randint(4, 30), minutes=rng.randint(0, 59))
    change = midnight + dt.timedelta(hours=3) if near_change else None
    first = rng.choice([*COMMON, *list(CONDITIONS)[2:]])
    alike = [name for name, one in CONDITIONS.items() if one.frozen == CONDITIONS[first].frozen]
    conditions = [first, rng.choice([first, *alike])][: rng.choice([1, 1, 1, 2])]
    units = [_unit(rng, "UV"[k], zone, name, begin, change) for k, name in enumerate(conditions)]
    if rng.random() < 0.3:
        for dice in (dice for dices in units for dice in dices):
            _hush(dice)
    return units


def _hush(dice: Dice) -> None:
    dice.quiet, dice.open_end, dice.sided, dice.interleave = True, False, False, ""
    dice.losses = min(dice.losses, 0.005)
    if dice.shape not in ("plain", "second_file") or (dice.shape == "second_file" and dice.say == "interval"):
        dice.shape, dice.second, dice.say = "plain", 1, "nothing"
    if dice.shape == "plain" and dice.rng.random() < 0.7:
        dice.say = "interval"
    dice.probes = tuple(_in_date(probe) for probe in dice.probes)


def _in_date(probe: Probe) -> Probe:
    """Its certificates not overdue."""
    due = dt.date(2028, 1, 1)
    first = probe.certificate and replace(probe.certificate, due=due)
    later = probe.later and (probe.later[0], replace(probe.later[1], due=due))
    return replace(probe, certificate=first, later=later)


def _unit(
    rng: random.Random, unit: str, zone: str, condition: str, begin: dt.datetime, change: dt.datetime | None
) -> list[Dice]:
    probes = _probes(rng, zone, condition, begin)
    parts = [probes]
    if len(probes) == 2 and rng.random() < 0.3:  # each probe on a logger of its own
        parts = [(replace(probe, logger=f"L{probe.name}"),) for probe in probes]
    return [_logger(rng, unit, zone, condition, begin, change, part) for part in parts]


def _logger(
    rng: random.Random,
    unit: str,
    zone: str,
    condition: str,
    begin: dt.datetime,
    change: dt.datetime | None,
    probes: tuple[Probe, ...],
) -> Dice:
    interval = rng.choice([5, 10, 15, 15, 20, 30]) if change else rng.choice([1, 2, 3, 5, 5, 10, 10, 15, 30])
    clock = rng.choice(["local", "local", "utc", "+01:00", ("as_set", dt.date(2026, rng.choice([1, 7]), 5))])
    checks = ()
    if not (change and clock == "local") and rng.random() < 0.3:
        checks = _checks(rng, zone, clock, begin)
    dice = Dice(rng, unit, zone, condition, interval, clock, checks, probes, begin, change, name=probes[0].logger)
    dice.wall_format = rng.choice(list(WALLS))
    _spoil(dice)
    return dice


def _spoil(dice: Dice) -> None:
    """Everything that is not plain about the record."""
    rng = dice.rng
    if dice.change is None:
        odd = ["uneven", "second", "second_file", "thin", "thin_part", "few", "one"]
        dice.shape = rng.choice([*PLAINS, *odd])
    dice.second = rng.choice([2, 3, 6]) if dice.shape not in ("plain", "uneven") else 1
    ways = {"second": ["nothing", "both", "settings"], "second_file": ["nothing", "interval", "both", "settings"]}
    dice.say = rng.choice(
        ways.get(dice.shape, ["nothing", "nothing", "interval", *(["both"] if dice.shape == "plain" else [])])
    )
    if dice.name and dice.say == "settings":
        dice.say = "both"  # whose a unit's settings are, where it has two loggers, no word says
    dice.step = rng.choice([0.1, 0.1, 0.1, 0.5, 1.0])
    dice.losses = rng.choice([0.0, 0.0, 0.001, 0.005, 0.01, 0.02])
    dice.sided = dice.shape not in ("few", "one") and rng.random() < 0.3
    if rng.random() < 0.4:
        dice.range_c = far(dice.limits)
    dice.open_end = dice.shape != "one" and rng.random() < 0.15
    if (
        dice.shape == "plain"
        and dice.change is None
        and dice.say != "both"
        and dice.interval >= 5
        and rng.random() < 0.2
    ):
        dice.interleave = rng.choice(["shifted", "odds"])


def far(limits: Condition) -> tuple[float, float]:
    """A range well beyond the limits; where there is none, beyond anything recorded."""
    low, high = limits.limit(-1), limits.limit(1)
    return (-90.0 if low is None else float(round(-low) - 40), 120.0 if high is None else float(round(high) + 40))


def _checks(rng: random.Random, zone: str, clock: object, begin: dt.datetime) -> Checks:
    first = begin - dt.timedelta(days=rng.randint(1, 20))
    count, slow, found = rng.choice([1, 2]), rng.randint(-600, 600), []
    for k in range(count):
        true = local(first + k * dt.timedelta(days=40), zone)
        # two checks that differ make a drift that is straight between them
        off = slow + (rng.choice([0, 120, -180]) if k else 0)
        found.append((true, clock_wall(instant_of(true, zone), zone, clock) + dt.timedelta(seconds=off)))
    return tuple(found)


# --- probes and certificates --------------------------------------------------------------------------------

ERRORS = [-0.3, -0.1, 0.0, 0.1, 0.2, 0.4]


def _points(rng: random.Random, middle: float) -> tuple[tuple[float, float], ...]:
    """Around the middle, close to it (so that excursions lie away from them), to one side, or only one."""
    width = rng.choice([30.0, 30.0, 2.0, 1.0])
    centre = rng.choice([middle, middle, middle - 10.0])
    references = [centre - width, centre, centre + width][: rng.choice([1, 2, 3, 3])]
    return tuple((ref, round(ref + rng.choice(ERRORS), 2)) for ref in references)


def _certificate(rng: random.Random, middle: float) -> Certificate:
    points = _points(rng, middle) if rng.random() < 0.7 else ()
    due = rng.choice([None, dt.date(2028, 1, 1), dt.date(2026, 1, 2)])
    coverage = rng.choice([2.0, 2.0, 2.0, 3.0])
    return Certificate(rng.choice([0.2, 0.3, 0.5]), points, due, dt.date(2025, 1, 5), coverage)


def _again(rng: random.Random, first: Certificate, zone: str, begin: dt.datetime) -> tuple[dt.datetime, Certificate]:
    """A logger calibrated again while it records: at the same references, with what it had drifted to."""

    def moved() -> tuple[tuple[float, float], ...]:
        return tuple((ref, round(seen + rng.choice([0.0, 0.1, 0.2]), 2)) for ref, seen in first.points)

    as_found = moved() if first.points and rng.random() < 0.4 else ()
    later = Certificate(rng.choice([0.2, 0.3]), moved(), first.due, begin.date(), 2.0, as_found)
    return local(begin + dt.timedelta(hours=12), zone), later


def _probes(rng: random.Random, zone: str, condition: str, begin: dt.datetime) -> tuple[Probe, ...]:
    middle = -20.0 if CONDITIONS[condition].frozen else 5.0

    def known(name: str, role: str, decides: bool | None = None) -> Probe:
        first = _certificate(rng, middle) if rng.random() < 0.6 else None
        later = _again(rng, first, zone, begin) if first and rng.random() < 0.25 else None
        return Probe(name, role, decides, first, rng.choice([None, 0.1, 0.5]), later)

    shape = rng.choice(["none", "one", "one", "pair", "pair", "air", "explicit", "explicit"])
    if shape == "none":
        return (Probe("A", "unknown"),)
    if shape == "one":
        return (known("A", "buffered"),)
    if shape == "air":
        return (known("A", "air"),)
    decides = (
        (None, None) if shape == "pair" else rng.choice([(True, True), (True, True), (True, False), (False, True)])
    )
    return (known("A", "buffered", decides[0]), known("B", "air", decides[1]))


def logger_of(dice: Dice, files: tuple) -> Logger:
    return Logger(dice.clock, files, dice.checks, dice.stated(), dice.range_c, dice.name)
