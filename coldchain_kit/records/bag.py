"""Write a BagIt 1.0 bag (RFC 8493, sha256) whole or not at all.

It is written in a folder beside its place, every byte brought to the disk, validated with the bagit library and only
then renamed. The manifests are written here and not by that library, which changes the working folder of the whole
process and writes the older form 0.97.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import re
import secrets
import shutil
import textwrap
from collections.abc import Callable, Iterator
from pathlib import Path

from coldchain_kit.base import RecordError, chain
from coldchain_kit.base import files as disk
from coldchain_kit.records import verification

TEMPORARY = ".freezing-"
WORK = ".work-"


@contextlib.contextmanager
def plain_faults(out: Path) -> Iterator[None]:
    """The system's refusals (full disk, read-only folder, name too long) as one plain RecordError."""
    try:
        yield
    except OSError as fault:
        said = {
            errno.ENOSPC: ("the disk is full", "Make room, then run again"),
            errno.EDQUOT: ("the disk quota is used up", "Make room, then run again"),
            errno.EFBIG: ("a file grew larger than the system allows", "Check the limits of this account"),
            errno.EROFS: ("the folder is read-only", "Choose another folder with --out"),
            errno.EACCES: ("the folder may not be written to", "Choose another folder with --out, or change its permissions"),
            errno.ENAMETOOLONG: ("a name is too long", "Give the case or the file a shorter name"),
            errno.ENOTDIR: ("it is not a folder", "Choose another folder with --out"),
            errno.EEXIST: ("it is not a folder", "Choose another folder with --out"),
        }.get(fault.errno or 0, (f"the system refused: {fault.strerror or fault}", "Nothing was frozen; try again"))
        raise RecordError(said[0], where=Path(fault.filename or out).name, mend=said[1]) from None


def make_folder(out: Path) -> None:
    """The records folder, made where it is not there; RecordError where it lies inside a record, or the system refuses."""
    disk.outside_records(out)
    with plain_faults(out):
        out.mkdir(parents=True, exist_ok=True)


def clean(out: Path) -> None:
    """Take away what killed freezes left; call it under the folder's lock, so that no live freeze is touched."""
    for left in out.glob(f"{TEMPORARY}*"):
        shutil.rmtree(left, ignore_errors=True)
    for left in out.glob(f"{WORK}*"):
        if not _in_use(left):
            shutil.rmtree(left, ignore_errors=True)


def _in_use(folder: Path) -> bool:
    try:
        with chain.locked(folder, wait_s=0.0):
            return False
    except RecordError:
        return True


@contextlib.contextmanager
def workplace(out: Path) -> Iterator[Path]:
    """A private folder for one run, taken away at the end; a killed run's is taken away by the next freeze."""
    with contextlib.ExitStack() as held:
        with chain.locked(out), plain_faults(out):
            clean(out)
            folder = out / f"{WORK}{secrets.token_hex(4)}"
            folder.mkdir()
            held.enter_context(chain.locked(folder))
        held.callback(shutil.rmtree, folder, ignore_errors=True)
        yield folder


def safe_name(name: str) -> str:
    """A relative name as it may stand in a bag; raises RecordError for one that leaves it or cannot be carried elsewhere."""
    parts = name.split("/")
    odd = any(part in ("", ".", "..") or part != part.strip() or len(part.encode("utf-8", "replace")) > 255 for part in parts)
    if odd or re.search(r"[\x00-\x1f\x7f\\%\ud800-\udfff]", name):
        shown = name[:80].encode("utf-8", "replace").decode("utf-8")
        expected = "no .. and no control letters, backslash or %, no blank at either end, at most 255 bytes"
        raise RecordError(f"the file name '{shown}' cannot be kept in a record", expected=expected, mend="Rename the file")
    return name


def write(out: Path, folder_name: str, files: dict[str, bytes | Path], info: dict[str, str], *, before_name: Callable[[Path], None] = lambda made: None) -> Path:
    """Write the bag and rename it into place.

    Parameters
    ----------
    out : Path
        Folder that holds the records; same file system throughout.
    folder_name : str
        Final name; must not exist.
    files : dict
        Name inside data/ -> bytes, or a file to copy byte by byte.
    info : dict
        Rows of bag-info.txt.
    before_name : function
        Called with the finished folder before it gets its name.

    Raises
    ------
    RecordError
        The system refused, the name exists, or the result does not validate; nothing is left behind.
    """
    target = out / folder_name
    made = out / f"{TEMPORARY}{secrets.token_hex(4)}"
    with plain_faults(out):
        if os.path.lexists(target):
            raise RecordError("it exists and is never overwritten", where=folder_name, mend="Freeze a new revision")
        try:
            made.mkdir()
            _fill(made, files, info)
            problems = verification.files(made)
            if problems:
                raise RecordError("the record just written is not whole: " + "; ".join(problems[:3]), where=folder_name)
            before_name(made)
            made.rename(target)
            _sync(out)
        finally:
            shutil.rmtree(made, ignore_errors=True)
    return target


def _fill(made: Path, files: dict[str, bytes | Path], info: dict[str, str]) -> None:
    rows = [(_put(made / "data" / safe_name(name), content), f"data/{name}") for name, content in sorted(files.items())]
    size = sum((made / name).stat().st_size for _, name in rows)
    info = {**info, verification.CONTENTS_LABEL: verification.contents_hash(rows), "Payload-Oxum": f"{size}.{len(rows)}"}
    tags = {
        "bagit.txt": b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
        "bag-info.txt": "".join(_info_line(label, value) for label, value in info.items()).encode("utf-8"),
        verification.MANIFEST: _manifest(rows),
    }
    tag_rows = [(_put(made / name, content), name) for name, content in sorted(tags.items())]
    _put(made / verification.TAGMANIFEST, _manifest(tag_rows))
    for folder, _, _ in os.walk(made, topdown=False):
        _sync(Path(folder))


def _manifest(rows: list[tuple[str, str]]) -> bytes:
    return "".join(f"{digest}  {name}\n" for digest, name in rows).encode("utf-8")


def _info_line(label: str, value: str) -> str:
    """A row of bag-info.txt, folded as RFC 8493 allows; line ends in the value become blanks."""
    words = " ".join(str(value).split())
    return "\n".join(textwrap.wrap(f"{label}: {words}", 110, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)) + "\n"


def _put(path: Path, content: bytes | Path) -> str:
    """Write or copy a file, bring it to the disk, give back its SHA-256."""
    digest = hashlib.sha256()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("xb") as file:
            for block in [content] if isinstance(content, bytes) else _blocks(content):
                digest.update(block)
                file.write(block)
            file.flush()
            os.fsync(file.fileno())
    except OSError as fault:
        fault.filename = fault.filename or path  # a full disk does not say at which file
        raise
    return digest.hexdigest()


def _blocks(file: Path) -> Iterator[bytes]:
    with file.open("rb") as source:
        while block := source.read(1 << 20):
            yield block


def _sync(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
