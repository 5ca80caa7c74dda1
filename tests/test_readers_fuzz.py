"""Damaged downloads: only KitError may come out, every line is accounted for, and every accepted value stands in its line.

The number of damaged files is small by default; COLDCHAIN_FUZZ=10000 runs the full set.
"""

from __future__ import annotations

import csv
import math
import os
import random
import re
from dataclasses import replace
from datetime import datetime

import pytest

from coldchain_kit import downloads as readers
from coldchain_kit.base import KitError
from tests import layouts

FILES = int(os.environ.get("COLDCHAIN_FUZZ", "600"))
BASES = [layout for layout in layouts.LAYOUTS if not layout.wrap and layout.name != "long preamble"]
STRAY = ["", ";;;;", "####", "Page 2 of 9", "2026-02-30 00:00:00,4.0,5.0", "\x00\x00\x00\x00", "NaN,NaN,NaN", '"', "=1+1", "29/02/2026 12:00", "   ", "1;2;3", "9" * 400, "é°ü"]


def damage(data: bytes, rng: random.Random) -> bytes:
    """One to four random cuts, flips, splices or strays."""
    for _ in range(rng.randint(1, 4)):
        kind = rng.choice(["cut", "flip", "splice", "insert", "drop", "double", "nul", "end", "swap"])
        at, width = rng.randrange(len(data) + 1), rng.choice([1, 2, 7, 40, 400])
        if kind == "cut":
            data = data[:at] + data[at + width :]
        elif kind == "flip" and data:
            at = min(at, len(data) - 1)
            data = data[:at] + bytes([data[at] ^ (1 << rng.randrange(8))]) + data[at + 1 :]
        elif kind == "splice":
            other = rng.randrange(len(data) + 1)
            data = data[:at] + data[other : other + width] + data[at:]
        elif kind == "insert":
            data = data[:at] + rng.choice(STRAY).encode() + data[at:]
        elif kind == "nul":
            data = data[:at] + b"\x00" * width + data[at + width :]
        elif kind == "end":
            data = data[: max(1, at)]
        else:
            lines = data.split(b"\n")
            i, j = rng.randrange(len(lines)), rng.randrange(len(lines))
            if kind == "drop":
                del lines[i]
            elif kind == "double":
                lines.insert(j, lines[i])
            else:
                lines[i], lines[j] = lines[j], lines[i]
            data = b"\n".join(lines)
        data = data or b"x"
    return data


def text_of(data: bytes, encoding: str) -> str:
    """The text as the layout says it is encoded, decoded here without the kit."""
    if encoding.startswith("UTF-16"):
        codec = "utf-16-le" if encoding.endswith("LE") else "utf-16-be"
        data = data[2:] if data[:2] in (b"\xff\xfe", b"\xfe\xff") else data
        return data.decode(codec, "replace")
    data = data.removeprefix(b"\xef\xbb\xbf") if "BOM" in encoding else data
    return data.decode({"Windows-1252": "cp1252", "Latin-1": "latin-1"}.get(encoding, "utf-8"), "replace")


def lines_of(text: str) -> list[str]:
    lines = re.split("\r\n|\r|\n", text)
    return lines[:-1] if lines and lines[-1] == "" else lines


def numbers_in(line: str, layout: dict) -> set[float]:
    """Every number that stands as a field in a line, by csv and float alone."""
    mark = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|", "blanks": " "}[layout["separator"]]
    line = re.sub(r"[ \t]+", " ", line).strip() if mark == " " else line
    fields = next(csv.reader([line], delimiter=mark, quotechar=layout["quote"] or '"', skipinitialspace=True), []) if layout["quote"] else line.split(mark)
    out = set()
    for field in fields:
        plain = re.sub(r"[°ºÂA-Za-z%\s<>≤≥=]+$", "", field.strip(" \"'\t").lstrip("<>≤≥= ")).replace("−", "-").replace(",", ".")
        if re.fullmatch(r"[+-]?\d*\.?\d*(?:[eE][+-]?\d+)?", plain) and any(c.isdigit() for c in plain):
            out.add(float(plain))
    return out


def back(value: float, unit: str | None) -> float:
    return value * 1.8 + 32 if unit == "F" else value + 273.15 if unit == "K" else value


def lawful(data: bytes, downloads: list[readers.Download]) -> None:
    for download in downloads:
        source, layout = download.source, download.source.layout
        lines = lines_of(text_of(data, layout["encoding"]))
        assert len(lines) == layout["lines"]
        outside = sum(layout[name] for name in ("preamble_lines", "header_lines", "blank_lines", "comment_lines", "repeated_header_lines", "event_lines", "footer_lines"))
        assert source.rows + outside == len(lines)
        assert source.rows == source.read + source.rejected == len(download.time) + len(source.rejects)
        assert len(set(download.line.tolist())) == source.read
        assert not set(download.line.tolist()) & {line for line, _ in source.rejects}
        for column in download.columns:
            if column.kind == "temperature":
                at = download.line if column.rows is None else download.line[column.rows]
                for line, value in zip(at.tolist(), column.values.tolist(), strict=True):
                    stands = numbers_in(lines[line - 1], layout) if not math.isnan(value) else ()
                    units = {column.unit} | ({"C", "F", "K"} if column.unit_from == "cell" else set())
                    assert math.isnan(value) or any(abs(back(value, unit) - number) < 2e-6 for unit in units for number in stands), (line, value, lines[line - 1])


def same_times(data: bytes, download: readers.Download, layout: layouts.Layout) -> None:
    """Times that datetime.strptime reads by the layout's own pattern came out as that and nothing else."""
    marks = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
    if "%" not in layout.time or "{" in layout.time or layout.offset_h is not None or download.source.layout["separator"] != marks.get(layout.separator, "blanks"):
        return
    lines = lines_of(text_of(data, download.source.layout["encoding"]))
    separator = layout.separator.strip(" ") or " "
    for line, time in zip(download.line.tolist(), download.time.tolist(), strict=True):
        fields = [field.strip("\"' \x00\ufeff") for field in lines[line - 1].split(separator)]
        at = 1 if layout.index else 0
        shown = " ".join(fields[at : at + 2]) if layout.apart or separator == " " else fields[at]
        try:
            wanted = datetime.strptime(shown, layout.time)
        except ValueError:
            continue
        if len(shown) < len(wanted.strftime(layout.time)) and "%-" not in layout.time:
            continue  # strptime fills in what was cut off
        assert time.replace(microsecond=0) == wanted, (line, time, lines[line - 1])


@pytest.mark.parametrize("part", range(6))
def test_damage_never_escapes(part, tmp_path):
    file = tmp_path / "damaged.csv"
    read = 0
    for seed in range(part, FILES, 6):
        rng = random.Random(seed)
        base = layouts.content(seed % 50, rows=rng.randint(3, 60), gaps=rng.random() < 0.5)
        layout = rng.choice(BASES)
        data = damage(layouts.write(base, layout)[0], rng)
        file.write_bytes(data)
        try:
            downloads = readers.read(file)
        except KitError as error:
            assert str(error)
            continue
        read += 1
        try:
            lawful(data, downloads)
            same_times(data, downloads[0], layout)
        except AssertionError as error:
            raise AssertionError(f"seed {seed}: {error}") from error
    assert read > FILES / 6 * 0.7


def test_undamaged_files_keep_the_law(tmp_path):
    for layout in BASES:
        data, _ = layouts.write(layouts.content(9, gaps=True), replace(layout))
        file = tmp_path / "whole.csv"
        file.write_bytes(data)
        lawful(data, readers.read(file))
