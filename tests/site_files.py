"""The downloads of a random site's logger: its instants, its course, its cells as text and as the oracle sees them."""

from __future__ import annotations

import datetime as dt
import random
from dataclasses import dataclass
from pathlib import Path

from tests import oracle
from tests.oracle import Cell, File, Line
from tests.site_dice import WALLS, Dice, clock_wall, far, instant_of

BROKEN = {
    "iso": ["2026-13-45T10:00:00", "2026-02-30T10:00:00", "??"],
    "blank": ["2026-13-45 10:00:00"],
    "dmy": ["45.13.2026 10:00:00"],
    "mdy": ["13/45/2026 10:00:00 AM"],
}
JUMPS = [0.4, 0.7, 1.0, 1.0, 1.3, 1.6, 2.2]
Columns = list[list[float]]


@dataclass(frozen=True)
class Sheet:
    """What the cells of one file have in common."""

    unit: str
    comma: bool
    sided: dict[int, tuple[Cell, str]]
    columns: Columns

    @property
    def separator(self) -> str:
        return ";" if self.comma else ","


def instants_of(dice: Dice) -> list[dt.datetime]:
    """When readings stand; a thinned record keeps every so manieth."""
    rng, step = dice.rng, dt.timedelta(minutes=dice.interval)
    count = rng.randint(60, 400) if dice.change is None else int(rng.uniform(40, 90) * 60 / dice.interval)
    count = {"uneven": max(count, 200), "few": rng.randint(2, 11), "one": 1}.get(dice.shape, count)
    count = max(count, 140) if dice.shape.startswith(("second", "thin")) else count
    found, now = [], dice.begin
    for k in range(count):
        found.append(now)
        late = dice.shape.startswith("second") and k >= count // 2
        seconds = round(dice.interval * 60 * rng.choice(JUMPS)) if dice.uneven else 0
        now += dt.timedelta(seconds=seconds) if dice.uneven else step * dice.second if late else step
    if dice.shape == "thin":
        return found[:: dice.second]
    if dice.shape == "thin_part":
        keep = max(1, count // 2)
        found = found[:keep] + found[keep : keep + 40 * dice.second : dice.second]
    return found


def course(dice: Dice, count: int) -> list[float]:
    rng, frozen = dice.rng, dice.limits.frozen
    base = -20.0 if frozen else 4.8
    values = [base + rng.uniform(-0.4, 0.4) for _ in range(count)]
    for _ in range(0 if dice.quiet else rng.choice([0, 1, 1, 2, 3, 4])):
        centre, width = rng.randint(0, count - 1), rng.randint(1, max(2, count // 12))
        height = rng.choice([2.6, 2.9, 3.1, 3.4, 4.0, 7.0, 15.0, -2.6, -3.0, -3.4, -6.0]) * (2 if frozen else 1)
        for k in range(max(0, centre - width), min(count, centre + width + 1)):
            values[k] += height * (1 - abs(k - centre) / (width + 1)) ** 0.5
    if dice.open_end:
        for k in range(max(0, count - rng.randint(1, 6)), count):
            values[k] += 12.0
    return values


def shown(dice: Dice, instant: dt.datetime) -> dt.datetime:
    wall = clock_wall(instant, dice.zone, dice.clock)
    if not dice.checks:
        return wall
    true = [oracle.utc_s(check[0], dice.zone) for check in dice.checks]
    right = [clock_wall(instant_of(check[0], dice.zone), dice.zone, dice.clock) for check in dice.checks]
    off = [(check[1] - plain).total_seconds() for check, plain in zip(dice.checks, right, strict=True)]
    now = instant.timestamp()
    share = 0.0 if len(true) == 1 else min(1.0, max(0.0, (now - true[0]) / (true[1] - true[0])))
    return wall + dt.timedelta(seconds=round(off[0] + share * (off[-1] - off[0])))


def sure(dice: Dice, instant: dt.datetime) -> bool:
    """Away from a clock change, where rows may be dropped without making the order of the repeated hour unsure."""
    return dice.change is None or dice.clock != "local" or abs((instant - dice.change).total_seconds()) > 8 * 3600


def dropped(dice: Dice) -> set[int]:
    """Blocks of lost readings, and isolated ones."""
    rng, count = dice.rng, len(dice.instants)
    if count < 20:
        return set()
    lost = {k for k in range(2, count - 2) if rng.random() < dice.losses}
    for _ in range(0 if dice.quiet else rng.choice([0, 0, 1, 2])):
        first = rng.randint(2, count - 4)
        lost |= set(range(first, min(count - 2, first + rng.choice([1, 2, 3, 8, 20]))))
    return {k for k in lost if sure(dice, dice.instants[k]) and not dice.calm(k)}


def ranges(dice: Dice) -> list[tuple[int, int]]:
    """The rows of each download; two may overlap."""
    count, rng = len(dice.instants), dice.rng
    if dice.shape == "second_file":
        return [(0, count // 2), (count // 2, count)]
    if dice.interleave:
        return [(0, count // 2 + 15), (count // 2 - 15, count)]
    if dice.shape not in ("plain", "uneven") or rng.random() < 0.5:
        return [(0, count)]
    cut = rng.randint(count // 3, 2 * count // 3)
    if not sure(dice, dice.instants[cut]) or not sure(dice, dice.instants[max(0, cut - 25)]):
        return [(0, count)]
    return [(0, cut), (max(0, cut - rng.choice([0, 5, 20])), count)]


# --- one-sided readings -------------------------------------------------------------------------------------


def in_unit(value_c: float, unit: str) -> float:
    return round(value_c if unit == "C" else value_c * 1.8 + 32, 1)


def _one_sided(dice: Dice, unit: str, side: int, limit: float) -> tuple[Cell, str]:
    """A cell and its text: a word, a figure far outside, a figure inside, or the declared range's end."""
    rng, end = dice.rng, far(dice.limits)[1 if side > 0 else 0]
    kind = rng.choice(["word", "word", "outside", "inside", "held"])
    if kind == "word" or (kind == "held" and dice.range_c is None):
        return Cell(None, side), "HI" if side > 0 else "LO"
    if kind == "held":
        return Cell(in_unit(end, unit)), f"{in_unit(end, unit):.1f}"
    figure = in_unit(end if kind == "outside" else round(side * limit) - side * 1.5, unit)
    return Cell(figure, side), f"{'>' if side > 0 else '<'}{figure:.1f}"


def sided_cells(dice: Dice, unit: str, spans: list[tuple[int, int]]) -> dict[int, tuple[Cell, str]]:
    """Short runs of one-sided readings, away from the files' ends and from what two downloads share."""
    sides = [(side, dice.limits.limit(side)) for side in (1, -1) if dice.limits.limit(side) is not None]
    found: dict[int, tuple[Cell, str]] = {}
    ends = {k for span in spans for edge in span for k in range(edge - 4, edge + 5)}
    shared = set(range(spans[-1][0], spans[0][1])) if len(spans) == 2 else set()
    for _ in range(dice.rng.choice([1, 2, 3]) if dice.sided else 0):
        cell = _one_sided(dice, unit, *dice.rng.choice(sides))
        first = dice.rng.randint(0, len(dice.instants) - 1)
        found |= {k: cell for k in range(first, first + dice.rng.choice([1, 1, 2, 4])) if k not in ends | shared}
    # a figure inside is unknown like a gap; within a coarse stretch that would leave its length to the reader
    return {k: cell for k, cell in found.items() if not dice.calm(k)}


# --- files --------------------------------------------------------------------------------------------------


def _kept(value_c: float, unit: str, step: float) -> float:
    return round(round(in_unit(value_c, unit) / step) * step, 1)


def _cell(dice: Dice, sheet: Sheet, column: int, k: int, *, plain: bool, odd: bool) -> tuple[Cell, str]:
    rng = dice.rng
    if column == 0 and k in sheet.sided:
        cell, text = sheet.sided[k]
        return cell, text.replace(".", ",") if sheet.comma else text
    if not plain and rng.random() < 0.01:
        return Cell(None), rng.choice(["---", "---", ""])
    value = _kept(sheet.columns[column][k], sheet.unit, dice.step)
    if odd:
        value = round(value + rng.choice([-3.0, -0.2, 0.1, 0.4, 4.0] if dice.step < 0.5 else [-3.0, 1.0, 4.0]), 1)
    text = f"{value:.1f}"
    return Cell(value), text.replace(".", ",") if sheet.comma else text


def _shift(dice: Dice, number: int) -> dt.timedelta:
    """A second download that was read with another clock."""
    return dt.timedelta(minutes=1 if number and dice.interleave else 0)


def file_of(
    dice: Dice, number: int, sheet: Sheet, odd: set[int], span: tuple[int, int], lost: set[int]
) -> tuple[File, str]:
    rng, names = dice.rng, [probe.name for probe in dice.probes]
    head = ["Serial number" + sheet.separator + "X-1", ""] if rng.random() < 0.3 else []
    head.append(sheet.separator.join(["time", *(f"{name} (°{sheet.unit})" for name in names)]))
    noisy, rows = rng.random() < 0.5 and not dice.interleave and not dice.quiet, []
    for k in (k for k in range(*span) if k not in lost):
        plain = not noisy or dice.calm(k) or k < span[0] + 2 or k > span[1] - 3
        cells = [_cell(dice, sheet, column, k, plain=plain, odd=k in odd) for column in range(len(names))]
        refused = not plain and sure(dice, dice.instants[k]) and rng.random() < 0.01
        wall = shown(dice, dice.instants[k] + _shift(dice, number))
        text = rng.choice(BROKEN[dice.wall_format]) if refused else wall.strftime(WALLS[dice.wall_format])
        line = sheet.separator.join([text, *(said for _, said in cells)])
        rows.append((None if refused else wall, tuple(cell for cell, _ in cells), line))
    newest_first = rng.random() < 0.2
    numbers = [len(head) + 1 + (len(rows) - 1 - k if newest_first else k) for k in range(len(rows))]
    lines = tuple(Line(one, wall, cells) for one, (wall, cells, _) in zip(numbers, rows, strict=True))
    text = head + [row[2] for row in (reversed(rows) if newest_first else rows)]
    name = f"{dice.unit}{dice.name}/{number}.csv"
    return File(name, tuple(sheet.unit for _ in names), tuple(names), lines), "\n".join(text) + "\n"


def _columns(dice: Dice) -> Columns:
    found = [course(dice, len(dice.instants))]
    if len(dice.probes) == 2:
        found.append([value + dice.rng.uniform(-0.6, 0.6) for value in found[0]])
    return [[round(value, 1) for value in column] for column in found]


def _odd(rng: random.Random, spans: list[tuple[int, int]], sided: dict[int, tuple[Cell, str]]) -> set[int]:
    """Rows of a second download at odds with the first."""
    shared = [k for k in range(spans[1][0], spans[0][1]) if k not in sided] if len(spans) == 2 else []
    return set(rng.sample(shared, min(len(shared), 3))) if rng.random() < 0.5 else set()


def record(dice: Dice, folder: Path) -> tuple[File, ...]:
    """Writes the logger's downloads."""
    dice.instants = instants_of(dice)
    columns, unit = _columns(dice), dice.rng.choice(["C", "C", "F"])
    lost, spans, files = dropped(dice), ranges(dice), []
    sided = sided_cells(dice, unit, spans) if len(dice.instants) > 20 else {}
    odd = set() if dice.interleave or dice.quiet else _odd(dice.rng, spans, sided)
    (folder / f"{dice.unit}{dice.name}").mkdir(parents=True, exist_ok=True)
    for number, span in enumerate(spans):
        moved = [[value + 3.0 + (k * 7 % 5) for k, value in enumerate(column)] for column in columns]
        these = moved if number and dice.interleave == "odds" else columns
        sheet = Sheet(unit, dice.rng.random() < 0.3, sided, these)
        file, text = file_of(dice, number, sheet, odd if number else set(), span, lost)
        (folder / file.name).write_text(text, "utf-8")
        files.append(file)
    return tuple(files)
