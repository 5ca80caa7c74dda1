"""Stock, allowances, logbook and the TOML of a random site."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from tests.oracle import Allowance, Certificate, Check, Logger, Probe, Scenario, Stay
from tests.site_dice import Dice, instant_of, local

TABLES = {
    "local_fridge": '[conditions.local_fridge]\nlow_f = 36.0\nhigh_f = 46.0\nsource = "Local programme (example)"\n',
    "with_mkt": "[conditions.with_mkt]\nlow_c = 2.0\nhigh_c = 8.0\n"
    'mkt = { limit_c = 8.0, window_hours = 24.0, direction = "back" }\nsource = "Local programme (example)"\n',
}
STATES = ["", "", "", "unopened", "opened"]
FROZEN_BANDS = [(-15.0, -5.0), (-15.0, 8.0)]
BANDS = [(8.0, 15.0), (8.0, 25.0), (2.0, 0.0), (9.0, 30.0)]


def moment(dice: Dice, low: float, high: float) -> dt.datetime:
    length = max(dice.instants[-1] - dice.instants[0], dt.timedelta(hours=4))
    return local(dice.instants[0] + length * dice.rng.uniform(low, high), dice.zone).replace(second=0, microsecond=0)


def papers(first: Dice, last: Dice) -> tuple[tuple[Stay, ...], tuple[Allowance, ...]]:
    """Lots of the first logger's unit; some go on in the last one's."""
    rng, zone, stays, allowed = first.rng, first.zone, [], []
    for number in range(rng.choice([0, 1, 1, 2])):
        lot, earlier, state = f"L{number}", rng.choice([0.0, 1.5, 1.5, None]), rng.choice(STATES)
        moved_out = None if first.quiet or rng.random() < 0.3 else moment(first, 0.55, 0.9)
        stays.append(Stay(lot, moment(first, 0.1 if first.quiet else -0.2, 0.5), moved_out, earlier, first.unit, state))
        if moved_out is not None and rng.random() < 0.6:
            again = local(instant_of(moved_out, zone) + dt.timedelta(minutes=rng.choice([30, 90])), zone)
            stays.append(Stay(lot, again, None, earlier, last.unit, rng.choice([state, state, "opened"])))
        bands = FROZEN_BANDS if first.limits.frozen else BANDS
        for band in rng.sample(bands, rng.choice([0, 1, 2])):
            allowed.append(
                Allowance(lot, *band, rng.choice([4.0, 72.0]), rng.choice(["single", "total"]), rng.choice(STATES))
            )
    return tuple(stays), tuple(allowed)


def checks(dice: Dice) -> tuple[Check, ...]:
    """What the display showed; what is not reset goes on being shown."""
    rng, found = dice.rng, []
    count = rng.choice([0, 0, 0, 1, 2, 4]) if len(dice.instants) > 20 else 0
    shown: dict[int, float | None] = {1: None, -1: None}
    for time in sorted({moment(dice, 0.05, 0.95) for _ in range(count)}):
        for side in (1, -1):
            shown[side] = _shown(dice, side, shown[side])
        reset = rng.random() < 0.6
        found.append(Check(time, shown[-1], shown[1], reset))
        shown = {1: None, -1: None} if reset else shown
    return tuple(found)


def _shown(dice: Dice, side: int, before: float | None) -> float | None:
    limit = dice.limits.limit(side)
    if before is not None or limit is None:
        return before
    return round(side * limit + side * dice.rng.choice([-1.0, -1.0, -0.6, *([] if dice.quiet else [1.2, 4.0])]), 1)


def downloaded(dice: Dice, logger: Logger) -> dt.datetime | None:
    """A line of the logbook that puts the only download before the record's end."""
    if len(logger.files) > 1 or dice.rng.random() > 0.04 or dice.quiet or len(dice.instants) < 20:
        return None
    return moment(dice, 0.5, 0.8)


def logbook(case: dict[str, Scenario]) -> str:
    rows = []
    for unit, scenario in case.items():
        for check in scenario.checks:
            low, high = ("" if value is None else f"{value}" for value in (check.low_c, check.high_c))
            rows.append(
                f"{check.time.isoformat()},check,daily check,{unit},{low},{high},{'yes' if check.reset else 'no'}"
            )
        if scenario.downloaded:
            rows.append(f"{scenario.downloaded.isoformat()},download,read out,{unit},,,")
    return "time,kind,text,unit,low_c,high_c,reset\n" + "".join(f"{row}\n" for row in sorted(rows)) if rows else ""


# --- TOML ---------------------------------------------------------------------------------------------------


def _pairs(points: tuple[tuple[float, float], ...]) -> str:
    return f"{[list(point) for point in points]}"


def _certificate(certificate: Certificate, start: str) -> str:
    said = f'{start}number = "C", date = {certificate.date.isoformat()}'
    said += f", due = {certificate.due.isoformat()}" if certificate.due else ""
    said += f", expanded_uncertainty_c = {certificate.expanded_c}"
    said += f", coverage = {certificate.coverage}" if certificate.coverage != 2.0 else ""
    said += f", points = {_pairs(certificate.points)}" if certificate.points else ""
    said += f", as_found = {_pairs(certificate.as_found)}" if certificate.as_found else ""
    return f"{{ {said} }}"


def _logger(unit: str, dice: Dice, logger: Logger) -> str:
    table = f"units.{unit}.loggers.{logger.name}" if logger.name else f"units.{unit}.logger"
    text = f"[{table}]\n"
    text += f"readings = {_names(logger)}\n" if logger.name else ""
    clock = logger.clock
    text += (
        f'clock = "as_set"\nset_on = {clock[1].isoformat()}\n' if isinstance(clock, tuple) else f'clock = "{clock}"\n'
    )
    text += f'date_order = "{dice.date_order}"\n' if dice.date_order else ""
    text += f"range_c = {list(logger.range_c)}\n" if logger.range_c else ""
    if logger.stated:
        steps = logger.stated[0].steps_min
        text += f"interval_min = {list(steps) if len(steps) > 1 else steps[0]}\n"
    if logger.clock_checks:
        shown = ", ".join(f"[{true.isoformat()}, {seen.isoformat()}]" for true, seen in logger.clock_checks)
        text += f"clock_checks = [{shown}]\n"
    for one in logger.stated[1:]:
        text += f"[[units.{unit}.settings]]\nfrom = {one.since.isoformat()}\ninterval_min = {one.steps_min[0]}\n"
    return text


def _names(logger: Logger) -> str:
    return "[" + ", ".join(f'"{file.name}"' for file in logger.files) + "]"


def _probe(unit: str, probe: Probe) -> str:
    text = f'[units.{unit}.probes.{probe.name}]\nrole = "{probe.role}"\n'
    text += f'logger = "{probe.logger}"\n' if probe.logger else ""
    text += f"decides = {str(probe.decides).lower()}\n" if probe.decides is not None else ""
    text += f"resolution_c = {probe.resolution_c}\n" if probe.resolution_c else ""
    if probe.later:
        start = f"from = {probe.later[0].isoformat()}, "
        both = _certificate(probe.certificate, "from = 2025-01-05T00:00:00, "), _certificate(probe.later[1], start)
        return text + f"certificates = [{', '.join(both)}]\n"
    return text + (f"certificate = {_certificate(probe.certificate, '')}\n" if probe.certificate else "")


def unit_toml(dices: list[Dice], scenario: Scenario) -> str:
    first = dices[0]
    kind = "freezer" if first.limits.frozen else "refrigerator"
    text = f'[units.{first.unit}]\nkind = "{kind}"\ncondition = "{first.condition}"\n'
    text += "" if first.name else f"readings = {_names(scenario.loggers[0])}\n"
    text += "".join(_logger(first.unit, dice, logger) for dice, logger in zip(dices, scenario.loggers, strict=True))
    return text + "".join(_probe(first.unit, probe) for probe in scenario.probes if probe.role != "unknown")


def site_toml(units: list[list[Dice]], scenarios: list[Scenario]) -> str:
    named = dict.fromkeys(dices[0].condition for dices in units)
    head = f'[site]\nname = "Random site"\ntimezone = "{units[0][0].zone}"\n\n' + "".join(
        TABLES.get(name, "") for name in named
    )
    return head + "\n" + "\n".join(unit_toml(dices, one) for dices, one in zip(units, scenarios, strict=True))


def case_toml(case: dict[str, Scenario], join: int | None, written: list[str]) -> str:
    scenario = next(iter(case.values()))
    units = ", ".join(f'"{unit}"' for unit in case)
    text = f'[case]\nid = "R-1"\ntitle = "Random"\nunits = [{units}]\nsite = "site.toml"\n'
    text += f"join_min = {join}\n" if join else ""
    text += f'no_readings = "{scenario.no_readings}"\n' if scenario.no_readings else ""
    text += f"start = {scenario.start.isoformat()}\nend = {scenario.end.isoformat()}\n" if scenario.start else ""
    return text + "[inputs]\n" + "".join(f'{name.split(".")[0]} = "{name}"\n' for name in written)


def _stock(stay: Stay) -> str:
    moved_out = stay.moved_out.isoformat() if stay.moved_out else ""
    earlier = "" if stay.earlier_out_hours is None else stay.earlier_out_hours
    return f"{stay.lot},Example vaccine,10,{stay.moved_in.isoformat()},{moved_out},{earlier},{stay.unit},{stay.state}\n"


def tables(case: dict[str, Scenario]) -> dict[str, str]:
    """The case's CSV files, by name; an empty one is not written."""
    scenario = next(iter(case.values()))
    found = {"logbook.csv": logbook(case)}
    if scenario.stays:
        rows = [_stock(stay) for stay in scenario.stays]
        found["stock.csv"] = "lot,product,quantity,moved_in,moved_out,earlier_out_hours,unit,state\n" + "".join(rows)
    if scenario.allowances:
        rows = [f"{a.lot},{a.from_c},{a.to_c},{a.hours},{a.counting},letter,{a.state}\n" for a in scenario.allowances]
        found["allowances.csv"] = "lot,from_c,to_c,hours,counting,source,state\n" + "".join(rows)
    return {name: text for name, text in found.items() if text}


def write(
    folder: Path, units: list[list[Dice]], scenarios: list[Scenario], case: dict[str, Scenario], join: int | None
) -> Path:
    (folder / "site.toml").write_text(site_toml(units, scenarios), "utf-8")
    written = tables(case)
    for name, text in written.items():
        (folder / name).write_text(text, "utf-8")
    (folder / "case.toml").write_text(case_toml(case, join, list(written)), "utf-8")
    return folder / "case.toml"
