"""Files that were made, or broken, to hurt: a KitError in bounded time and memory, nothing else."""

from __future__ import annotations

import gzip
import io
import math
import random
import resource
import time
import zipfile

import pytest

from coldchain_kit import downloads
from coldchain_kit.base import KitError, LayoutError
from coldchain_kit.downloads.readers import archives, files

GOOD = "time;A (°C)\n" + "".join(f"2026-03-13 22:{minute:02d};4.{minute % 10}\n" for minute in range(0, 60, 5))


@pytest.fixture
def bounded():
    """The test may take ten seconds of processor time and 1.5 GB more memory than before it."""
    before, start = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, time.process_time()
    yield
    assert time.process_time() - start < 10
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 1_500_000


def refuse(data, tmp_path, match, name="F2.csv"):
    file = tmp_path / name
    file.write_bytes(data)
    with pytest.raises(LayoutError, match=match):
        downloads.read(file)


def test_a_gigabyte_is_refused_unread(tmp_path, bounded):
    file = tmp_path / "F2.csv"
    with file.open("wb") as handle:
        handle.truncate(2**30)
    with pytest.raises(KitError, match="larger than 512 MB"):
        downloads.read(file)


@pytest.mark.parametrize("byte", [b"9", b";", b'"', b"\x00", b"\xc3"])
def test_one_endless_line(byte, tmp_path, bounded):
    refuse(byte * 30_000_000, tmp_path, "does not end|not a text file|no readings")


def test_ten_million_separators_in_a_file_of_readings(tmp_path, bounded):
    file = tmp_path / "F2.csv"
    file.write_text(GOOD + ";" * 10_000_000 + "\n2026-03-13 23:00;4.9\n", "utf-8")
    (download,) = downloads.read(file)
    assert download.source.rejects == ((14, "the line is longer than 65,536 characters"),)
    assert download.source.read == 13


def test_ten_million_separators_over_many_lines(tmp_path, bounded):
    refuse((b";" * 1000 + b"\n") * 10_000, tmp_path, "no readings")


@pytest.mark.parametrize("quotes", ['"' * 60_001, '""' * 30_000, "'\"" * 20_000, '"\n"' * 20_000, '"a' * 20_000])
def test_deep_quotes(quotes, tmp_path, bounded):
    file = tmp_path / "F2.csv"
    file.write_text(GOOD.replace("2026-03-13 22:30;4.0", f"{quotes};4.0"), "utf-8")
    (download,) = downloads.read(file)
    assert download.source.read == 11 and download.source.rows == download.source.read + download.source.rejected


def test_bombs(tmp_path, bounded, monkeypatch):
    monkeypatch.setattr(files, "MAX_BYTES", 20_000_000)
    refuse(gzip.compress(b"0" * 25_000_000), tmp_path, "unpacks to more than", "F2.csv.gz")
    for name in ("F2.csv", "xl/workbook.xml"):
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr(name, b"0" * 25_000_000)
        refuse(out.getvalue(), tmp_path, "unpacks to more than", "F2.zip")


def test_a_bomb_that_lies_about_its_size(tmp_path, bounded, monkeypatch):
    monkeypatch.setattr(files, "MAX_BYTES", 20_000_000)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("F2.csv", b"0" * 25_000_000)
    size = (25_000_000).to_bytes(4, "little")
    refuse(out.getvalue().replace(size, (100).to_bytes(4, "little")), tmp_path, "damaged|unpacks", "F2.zip")


def test_archives_in_archives_and_too_many(tmp_path, monkeypatch):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("inner.csv", gzip.compress(GOOD.encode()))
    refuse(out.getvalue(), tmp_path, "no text file", "F2.zip")
    monkeypatch.setattr(archives, "MAX_MEMBERS", 2)
    with zipfile.ZipFile(out, "w") as archive:
        for i in range(3):
            archive.writestr(f"{i}.csv", GOOD)
    refuse(out.getvalue(), tmp_path, "more than 2 files", "F2.zip")


@pytest.mark.parametrize("name", ["../F2.csv", "/tmp/F2.csv", "a/../../F2.csv", "..\\F2.csv", "C:/F2.csv"])
def test_member_names_that_leave_the_archive(name, tmp_path):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr(name, GOOD)
    refuse(out.getvalue(), tmp_path, "outside of the archive", "F2.zip")
    assert [path.name for path in tmp_path.iterdir()] == ["F2.zip"]


def test_a_large_sheet(tmp_path, monkeypatch):
    openpyxl = pytest.importorskip("openpyxl")
    monkeypatch.setattr(archives, "MAX_CELLS", 1000)
    book = openpyxl.Workbook()
    book.active.cell(row=5000, column=5000, value=1)  # one cell far away makes a large sheet
    book.save(tmp_path / "F2.xlsx")
    with pytest.raises(LayoutError, match="5000 rows"):
        downloads.read(tmp_path / "F2.xlsx")


def test_damaged_archives(tmp_path):
    """Cut and flipped archives and workbooks: refused, or read in full."""
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    for line in GOOD.splitlines():
        book.active.append(line.split(";"))
    sheet = io.BytesIO()
    book.save(sheet)
    plain = io.BytesIO()
    with zipfile.ZipFile(plain, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("F2.csv", GOOD)
    rng, file = random.Random(7), tmp_path / "damaged"
    for data in (sheet.getvalue(), plain.getvalue(), gzip.compress(GOOD.encode())):
        for _ in range(60):
            at = rng.randrange(len(data))
            broken = data[:at] if rng.random() < 0.3 else data[:at] + bytes([data[at] ^ (1 << rng.randrange(8))]) + data[at + 1 :]
            file.write_bytes(broken or b"x")
            try:
                (download,) = downloads.read(file)
            except KitError:
                continue
            assert download.source.read == 12


def test_formulas_are_text_and_never_run(tmp_path):
    file = tmp_path / "F2.csv"
    file.write_text(GOOD.replace("22:30;4.0", "22:30;=cmd|'/C calc'!A0"), "utf-8")
    (download,) = downloads.read(file)
    assert math.isnan(download.columns[0].values[6]) and download.source.no_value[0][2].startswith("=cmd")
