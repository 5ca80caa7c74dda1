"""Seeded random sites: the same record once as files on disk and once as the oracle's own lines (tests/oracle.py)."""

from __future__ import annotations

import datetime as dt
import random
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from tests import oracle
from tests.oracle import Allowance, Cell, Certificate, Condition, File, Line, Probe, Scenario, Stay

UTC = dt.UTC
MINUTE = dt.timedelta(minutes=1)
# each zone's clock changes in 2026: FACTS G7, and Europe's last Sundays (EU directive 2000/84/EC, MEMORY)
CHANGES = {"Europe/Lisbon": [(2026, 3, 29), (2026, 10, 25)], "America/New_York": [(2026, 3, 8), (2026, 11, 1)], "UTC": []}
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
TABLES = {
    "local_fridge": '[conditions.local_fridge]\nlow_f = 36.0\nhigh_f = 46.0\nsource = "Local programme (example)"\n',
    "with_mkt": '[conditions.with_mkt]\nlow_c = 2.0\nhigh_c = 8.0\nmkt = { limit_c = 8.0, window_hours = 24.0, direction = "back" }\nsource = "Local programme (example)"\n',
}


WALLS = {"iso": "%Y-%m-%dT%H:%M:%S", "blank": "%Y-%m-%d %H:%M:%S", "dmy": "%d.%m.%Y %H:%M:%S", "mdy": "%m/%d/%Y %I:%M:%S %p"}
BROKEN = {"iso": ["2026-13-45T10:00:00", "2026-02-30T10:00:00", "??"], "blank": ["2026-13-45 10:00:00"], "dmy": ["45.13.2026 10:00:00"], "mdy": ["13/45/2026 10:00:00 AM"]}


@dataclass
class Dice:
    """What one seed decided for one unit."""

    rng: random.Random
    unit: str
    zone: str
    condition: str
    interval: int
    second_interval: int | None
    uneven: bool
    clock: object
    checks: tuple
    probes: tuple[Probe, ...]
    begin: dt.datetime  # UTC
    change: dt.datetime | None
    wall_format: str = "iso"

    @property
    def date_order(self) -> str | None:
        """Pinned where the file alone may leave it open."""
        return self.wall_format if self.wall_format in ("dmy", "mdy") else None


def local(instant: dt.datetime, zone: str) -> dt.datetime:
    """Wall time of the zone, moved on where the clock change makes it unsure."""
    zoned = instant.astimezone(ZoneInfo(zone))
    for _ in range(4):
        naive = zoned.replace(tzinfo=None, fold=0)
        if oracle.utc_s(naive, zone) == oracle.utc_s(naive, zone, fold=1):
            return naive
        zoned = (zoned.astimezone(UTC) + dt.timedelta(hours=1)).astimezone(ZoneInfo(zone))
    return naive


def roll(seed: int) -> list[Dice]:
    """Two units share place, storage condition and days; each has its own logger."""
    rng = random.Random(seed)
    zone = rng.choice(["Europe/Lisbon", "America/New_York", "UTC"])
    near_change = bool(CHANGES[zone]) and rng.random() < 0.4
    year, month, day = rng.choice(CHANGES[zone]) if near_change else (2026, rng.choice([2, 6, 12]), rng.randint(3, 20))
    change = dt.datetime(year, month, day, tzinfo=UTC) + dt.timedelta(hours=3)
    condition = rng.choice(["refrigerated", "refrigerated", "refrigerated", "local_fridge", "local_fridge", *list(CONDITIONS)[2:]])
    begin = dt.datetime(year, month, day, tzinfo=UTC) - dt.timedelta(hours=rng.randint(4, 30), minutes=rng.randint(0, 59))
    return [_logger(rng, unit, zone, condition, begin, change if near_change else None) for unit in ("U", "V")[: rng.choice([1, 1, 1, 2])]]


def _logger(rng: random.Random, unit: str, zone: str, condition: str, begin: dt.datetime, change: dt.datetime | None) -> Dice:
    interval = rng.choice([5, 10, 15, 15, 20, 30]) if change else rng.choice([1, 2, 3, 5, 5, 10, 10, 15, 30])
    clock = rng.choice(["local", "local", "utc", "+01:00", ("as_set", dt.date(2026, rng.choice([1, 7]), 5))])
    checks = ()
    if not (change and clock == "local") and rng.random() < 0.3:
        checks = _checks(rng, zone, clock, begin)
    uneven = change is None and rng.random() < 0.15
    second = interval * rng.choice([2, 3]) if not uneven and change is None and rng.random() < 0.15 else None
    return Dice(rng, unit, zone, condition, interval, second, uneven, clock, checks, _probes(rng, condition, begin), begin, change, rng.choice(list(WALLS)))


def _clock_wall(instant: dt.datetime, zone: str, clock) -> dt.datetime:
    """What a logger without drift shows."""
    probe = Scenario(zone, clock, (), (), (), CONDITIONS["refrigerated"])
    offset = oracle._fixed_offset_s(probe)
    if offset is None:
        return instant.astimezone(ZoneInfo(zone)).replace(tzinfo=None, fold=0)
    return instant.replace(tzinfo=None) + dt.timedelta(seconds=offset)


def _checks(rng, zone, clock, begin) -> tuple:
    first = begin - dt.timedelta(days=rng.randint(1, 20))
    count = rng.choice([1, 2])
    slow = rng.randint(-600, 600)
    found = []
    for k in range(count):
        true = first + k * dt.timedelta(days=40)
        # two checks that differ make a drift that is straight between them
        off = slow + (rng.choice([0, 120, -180]) if k else 0)
        found.append((local(true, zone), _clock_wall(oracle_instant(local(true, zone), zone), zone, clock) + dt.timedelta(seconds=off)))
    return tuple(found)


def oracle_instant(wall: dt.datetime, zone: str) -> dt.datetime:
    return dt.datetime.fromtimestamp(oracle.utc_s(wall, zone), UTC)


def _probes(rng, condition: str, begin: dt.datetime) -> tuple[Probe, ...]:
    middle = -20.0 if CONDITIONS[condition].frozen else 5.0

    def certificate():
        if rng.random() < 0.4:
            return None
        points = ()
        if rng.random() < 0.7:
            references = [middle - 30.0, middle, middle + 30.0][: rng.choice([2, 3])]
            points = tuple((ref, round(ref + rng.choice([-0.3, -0.1, 0.0, 0.1, 0.2, 0.4]), 2)) for ref in references)
        return Certificate(rng.choice([0.2, 0.3, 0.5]), points, rng.choice([None, dt.date(2028, 1, 1), dt.date(2026, 1, 2)]))

    def resolution():
        return rng.choice([None, 0.1])

    def later(first):
        """A logger calibrated again while it records."""
        again = certificate() if first and rng.random() < 0.2 else None
        return (begin.replace(tzinfo=None) + dt.timedelta(hours=12), again) if again else None

    def known(name, role, decides=None):
        first = certificate()
        return Probe(name, role, decides, first, resolution(), later(first))

    shape = rng.choice(["none", "one", "one", "pair", "pair", "air", "explicit"])
    if shape == "none":
        return (Probe("A", "unknown"),)
    if shape == "one":
        return (known("A", "buffered"),)
    if shape == "air":
        return (known("A", "air"),)
    decides = (None, None) if shape == "pair" else rng.choice([(True, True), (False, True)])
    return (known("A", "buffered", decides[0]), known("B", "air", decides[1]))


def _course(dice: Dice, count: int) -> list[float]:
    rng, frozen = dice.rng, CONDITIONS[dice.condition].frozen
    base = -20.0 if frozen else 4.8
    values = [base + rng.uniform(-0.4, 0.4) for _ in range(count)]
    for _ in range(rng.choice([0, 1, 1, 2, 3, 4])):
        centre, width = rng.randint(0, count - 1), rng.randint(1, max(2, count // 12))
        height = rng.choice([2.6, 2.9, 3.1, 3.4, 4.0, 7.0, 15.0, -2.6, -3.0, -3.4, -6.0]) * (2 if frozen else 1)
        for k in range(max(0, centre - width), min(count, centre + width + 1)):
            values[k] += height * (1 - abs(k - centre) / (width + 1)) ** 0.5
    return values


def _instants(dice: Dice) -> list[dt.datetime]:
    count = dice.rng.randint(60, 400) if dice.change is None else int(dice.rng.uniform(40, 90) * 60 / dice.interval)
    found, now = [], dice.begin
    if dice.second_interval:
        count = max(count, 140)
    for k in range(count):
        found.append(now)
        if dice.second_interval and k >= count // 2:
            now += dt.timedelta(minutes=dice.second_interval)
            continue
        now += dt.timedelta(minutes=dice.interval) if not dice.uneven else dt.timedelta(seconds=round(dice.interval * 60 * dice.rng.choice([0.4, 0.7, 1.0, 1.0, 1.3, 1.6, 2.2])))
    return found


def _shown(dice: Dice, instant: dt.datetime) -> dt.datetime:
    wall = _clock_wall(instant, dice.zone, dice.clock)
    if not dice.checks:
        return wall
    true = [oracle.utc_s(check[0], dice.zone) for check in dice.checks]
    off = [
        (check[1] - _clock_wall(oracle_instant(check[0], dice.zone), dice.zone, dice.clock)).total_seconds() for check in dice.checks
    ]
    now = instant.timestamp()
    share = 0.0 if len(true) == 1 else min(1.0, max(0.0, (now - true[0]) / (true[1] - true[0])))
    return wall + dt.timedelta(seconds=round(off[0] + share * (off[-1] - off[0])))


def _sure(dice: Dice, instant: dt.datetime) -> bool:
    """Away from a clock change, where rows may be dropped without making the order of the repeated hour unsure."""
    return dice.change is None or dice.clock != "local" or abs((instant - dice.change).total_seconds()) > 8 * 3600


def _dropped(dice: Dice, instants: list[dt.datetime]) -> set[int]:
    lost: set[int] = set()
    for _ in range(dice.rng.choice([0, 0, 1, 2])):
        first = dice.rng.randint(2, len(instants) - 4)
        lost |= set(range(first, min(len(instants) - 2, first + dice.rng.choice([1, 2, 3, 8, 20]))))
    if dice.second_interval:  # which interval is in force where a reading is lost at the change itself is nobody's rule
        lost -= set(range(len(instants) // 2 - 3, len(instants) // 2 + 4))
    return {k for k in lost if _sure(dice, instants[k])}


def _ranges(dice: Dice, instants: list[dt.datetime]) -> list[tuple[int, int]]:
    count = len(instants)
    if dice.second_interval:
        return [(0, count // 2), (count // 2, count)]
    if dice.rng.random() < 0.5:
        return [(0, count)]
    cut = dice.rng.randint(count // 3, 2 * count // 3)
    if not _sure(dice, instants[cut]) or not _sure(dice, instants[max(0, cut - 25)]):
        return [(0, count)]
    return [(0, cut), (max(0, cut - dice.rng.choice([0, 5, 20])), count)]


def _text(cell: Cell, decimals: int, comma: bool, rng) -> str:
    if cell.value is None:
        return rng.choice(["---", "---", ""])
    body = f"{cell.value:.{decimals}f}"
    if cell.sided:
        body = (">" if cell.value > 0 else "<") + body
    return body.replace(".", ",") if comma else body


def _file(dice: Dice, number: int, unit: str, instants, columns, odd: set[int], span, lost) -> tuple[File, str]:
    rng = dice.rng
    comma = rng.random() < 0.3
    separator = ";" if comma else ","
    names = [probe.name for probe in dice.probes]
    preamble = ["Serial number" + separator + "X-1", ""] if rng.random() < 0.3 else []
    preamble.append(separator.join(["time", *(f"{name} (°{unit})" for name in names)]))
    noisy = rng.random() < 0.5
    rows = []
    for k in range(*span):
        if k in lost:
            continue
        edge = k < span[0] + 2 or k > span[1] - 3
        cells = tuple(_cell(rng, column[k], unit, plain=not noisy or edge, odd=k in odd) for column in columns)
        refused = noisy and not edge and _sure(dice, instants[k]) and rng.random() < 0.01
        wall = _shown(dice, instants[k])
        shown = rng.choice(BROKEN[dice.wall_format]) if refused else wall.strftime(WALLS[dice.wall_format])
        rows.append((None if refused else wall, cells, separator.join([shown, *(_text(cell, 1, comma, rng) for cell in cells)])))
    newest_first = rng.random() < 0.2
    numbers = [len(preamble) + 1 + (len(rows) - 1 - k if newest_first else k) for k in range(len(rows))]
    lines = tuple(Line(line, wall, cells) for line, (wall, cells, _) in zip(numbers, rows, strict=True))
    text = preamble + [row[2] for row in (reversed(rows) if newest_first else rows)]
    return File(f"{dice.unit}/{number}.csv", tuple(unit for _ in names), tuple(names), lines), "\n".join(text) + "\n"


def _cell(rng, value_c: float, unit: str, *, plain: bool, odd: bool) -> Cell:
    shown = round(value_c if unit == "C" else value_c * 1.8 + 32, 1)
    if not plain and rng.random() < 0.01:
        return Cell(None)
    if not plain and rng.random() < 0.002:
        return Cell(50.0 if unit == "C" else 122.0, sided=True)
    return Cell(round(shown + rng.choice([-3.0, -0.2, 0.1, 0.4, 4.0]), 1) if odd else shown)


def _papers(dices: list[Dice], instants) -> tuple[tuple[Stay, ...], tuple[Allowance, ...]]:
    rng, zone, stays, allowed = dices[0].rng, dices[0].zone, [], []
    length = instants[-1] - instants[0]

    def moment(low: float, high: float) -> dt.datetime:
        return local(instants[0] + length * rng.uniform(low, high), zone).replace(second=0, microsecond=0)

    for number in range(rng.choice([0, 1, 1, 2])):
        lot, earlier = f"L{number}", rng.choice([0.0, 1.5])
        moved_out = None if rng.random() < 0.3 else moment(0.55, 0.9)
        stays.append(Stay(lot, moment(-0.2, 0.5), moved_out, earlier, dices[0].unit))
        if moved_out is not None and rng.random() < 0.6:
            again = local(oracle_instant(moved_out, zone) + dt.timedelta(minutes=rng.choice([30, 90])), zone)
            stays.append(Stay(lot, again, None, earlier, dices[-1].unit))
        bands = [(-15.0, -5.0), (-15.0, 8.0)] if CONDITIONS[dices[0].condition].frozen else [(8.0, 15.0), (8.0, 25.0), (2.0, 0.0), (9.0, 30.0)]
        for band in rng.sample(bands, rng.choice([0, 1, 2])):
            allowed.append(Allowance(lot, *band, rng.choice([4.0, 72.0]), rng.choice(["single", "total"])))
    return tuple(stays), tuple(allowed)


def _certificate_toml(certificate: Certificate, start: str) -> str:
    due = f", due = {certificate.due.isoformat()}" if certificate.due else ""
    points = f", points = {[list(point) for point in certificate.points]}" if certificate.points else ""
    return f'{{ {start}number = "C", date = 2025-01-05{due}, expanded_uncertainty_c = {certificate.expanded_c}{points} }}'


def _unit_toml(dice: Dice, scenario: Scenario) -> str:
    kind = "freezer" if CONDITIONS[dice.condition].frozen else "refrigerator"
    readings = ", ".join(f'"{file.name}"' for file in scenario.files)
    text = f'[units.{dice.unit}]\nkind = "{kind}"\ncondition = "{dice.condition}"\nreadings = [{readings}]\n[units.{dice.unit}.logger]\n'
    text += f'clock = "as_set"\nset_on = {dice.clock[1].isoformat()}\n' if isinstance(dice.clock, tuple) else f'clock = "{dice.clock}"\n'
    text += f'date_order = "{dice.date_order}"\n' if dice.date_order else ""
    if dice.checks:
        text += "clock_checks = [" + ", ".join(f"[{true.isoformat()}, {seen.isoformat()}]" for true, seen in dice.checks) + "]\n"
    for probe in (probe for probe in dice.probes if probe.role != "unknown"):
        text += f'[units.{dice.unit}.probes.{probe.name}]\nrole = "{probe.role}"\n'
        text += f"decides = {str(probe.decides).lower()}\n" if probe.decides is not None else ""
        text += f"resolution_c = {probe.resolution_c}\n" if probe.resolution_c else ""
        if probe.later:
            both = _certificate_toml(probe.certificate, "from = 2025-01-05T00:00:00, "), _certificate_toml(probe.later[1], f"from = {probe.later[0].isoformat()}, ")
            text += f"certificates = [{', '.join(both)}]\n"
        elif probe.certificate:
            text += f"certificate = {_certificate_toml(probe.certificate, '')}\n"
    return text


def _record(dice: Dice, folder: Path) -> tuple[tuple[File, ...], list[dt.datetime]]:
    """Writes the unit's downloads."""
    rng, instants = dice.rng, _instants(dice)
    columns = [_course(dice, len(instants))]
    if len(dice.probes) == 2:
        columns.append([value + rng.uniform(-0.6, 0.6) for value in columns[0]])
    unit = rng.choice(["C", "C", "F"])
    lost, spans, files = _dropped(dice, instants), _ranges(dice, instants), []
    (folder / dice.unit).mkdir(parents=True, exist_ok=True)
    for number, span in enumerate(spans):
        shared = list(range(spans[1][0], spans[0][1])) if len(spans) == 2 else []
        odd = set(rng.sample(shared, min(len(shared), 3))) if number and rng.random() < 0.5 else set()
        file, text = _file(dice, number, unit, instants, [[round(value, 1) for value in column] for column in columns], odd, span, lost)
        (folder / file.name).write_text(text, "utf-8")
        files.append(file)
    return tuple(files), instants


def make(seed: int, folder: Path) -> tuple[Path, dict[str, Scenario]]:
    """Write the site of this seed under ``folder``; returns case.toml and what the oracle reckons with."""
    dices = roll(seed)
    rng, zone = dices[0].rng, dices[0].zone
    records = [_record(dice, folder) for dice in dices]
    instants = records[0][1]
    stays, allowed = _papers(dices, instants)
    start = end = None
    if rng.random() < 0.6:
        length = instants[-1] - instants[0]
        start, end = (local(instants[0] + length * rng.uniform(*part), zone).replace(second=0, microsecond=0) for part in ((-0.1, 0.4), (0.6, 1.1)))
    join = rng.choice([None, None, 30, 600])
    case = {
        dice.unit: Scenario(
            zone, dice.clock, dice.checks, files, dice.probes, CONDITIONS[dice.condition], start, end, join or 120.0, stays, allowed, dice.uneven, not CONDITIONS[dice.condition].frozen
        )
        for dice, (files, _) in zip(dices, records, strict=True)
    }
    head = f'[site]\nname = "Random site"\ntimezone = "{zone}"\n\n{TABLES.get(dices[0].condition, "")}\n'
    (folder / "site.toml").write_text(head + "\n".join(_unit_toml(dice, case[dice.unit]) for dice in dices), "utf-8")
    _write_case(folder, case, join)
    return folder / "case.toml", case


def _write_case(folder: Path, case: dict[str, Scenario], join: int | None) -> None:
    scenario = next(iter(case.values()))
    units = ", ".join(f'"{unit}"' for unit in case)
    text = f'[case]\nid = "R-1"\ntitle = "Random"\nunits = [{units}]\nsite = "site.toml"\n'
    text += f"join_min = {join}\n" if join else ""
    text += f"start = {scenario.start.isoformat()}\nend = {scenario.end.isoformat()}\n" if scenario.start else ""
    text += "[inputs]\n"
    if scenario.stays:
        rows = [
            f"{stay.lot},Example vaccine,10,{stay.moved_in.isoformat()},{stay.moved_out.isoformat() if stay.moved_out else ''},{stay.earlier_out_hours},{stay.unit}"
            for stay in scenario.stays
        ]
        (folder / "stock.csv").write_text("lot,product,quantity,moved_in,moved_out,earlier_out_hours,unit\n" + "\n".join(rows) + "\n", "utf-8")
        text += 'stock = "stock.csv"\n'
    if scenario.allowances:
        rows = [f"{a.lot},{a.from_c},{a.to_c},{a.hours},{a.counting},letter" for a in scenario.allowances]
        (folder / "allowances.csv").write_text("lot,from_c,to_c,hours,counting,source\n" + "\n".join(rows) + "\n", "utf-8")
        text += 'allowances = "allowances.csv"\n'
    (folder / "case.toml").write_text(text, "utf-8")
