"""What is wrong with what a person gave the kit, said so that they can mend it.

One family: every error of the kit is a :class:`KitError` and carries one or more
:class:`Fault` rows. A fault says what is wrong, where (file, line), what was
expected and how to mend it. All faults of a file come in one error.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong.

    Parameters
    ----------
    what : str
        What was found, in plain words, without a closing full stop.
    where : str
        File and line ("site.toml line 12"), or "" where there is none.
    expected : str
        What would have been right.
    mend : str
        What to do now.

    Examples
    --------
    >>> print(Fault("the zone 'Europe/Lisboa' is not known", "site.toml line 3", mend="Use 'Europe/Lisbon'"))
    site.toml line 3: the zone 'Europe/Lisboa' is not known. Use 'Europe/Lisbon'.
    """

    what: str
    where: str = ""
    expected: str = ""
    mend: str = ""

    def __str__(self) -> str:
        head = f"{self.where}: {self.what}" if self.where else self.what
        expected = f"Expected {self.expected}" if self.expected else ""
        parts = [part if part[-1] in ".?!" else part + "." for part in (head, expected, self.mend) if part]
        return " ".join(parts)


class KitError(ValueError):
    """Input or call at fault; the command line turns it into one message and exit code 2.

    Examples
    --------
    >>> raise KitError("the file is empty", where="F2.csv", mend="Download it again")
    Traceback (most recent call last):
        ...
    coldchain_kit.base.errors.KitError: F2.csv: the file is empty. Download it again.
    """

    def __init__(
        self,
        what: str = "",
        *,
        where: str = "",
        expected: str = "",
        mend: str = "",
        faults: Iterable[Fault] = (),
    ):
        rows = tuple(faults)
        if what:
            rows = (Fault(what, where, expected, mend), *rows)
        self.faults = rows
        super().__init__("\n".join(str(fault) for fault in rows))


class RegisterError(KitError):
    """A file that people fill in (site, case, stock, allowances, logbook) is at fault."""


class LayoutError(KitError):
    """A download in which no readable temperature series was found, or whose dates stay ambiguous."""


class NotebookError(KitError):
    """A notebook run that did not come to a whole, correctly parameterised end."""


class RecordError(KitError):
    """A frozen record cannot be written, signed, read or executed again."""


def nearest(word: str, known: Iterable[str]) -> str:
    """The known word closest to a misspelt one, as a hint, or "".

    Examples
    --------
    >>> nearest("timezon", ["name", "timezone"])
    "Did you mean 'timezone'?"
    >>> nearest("zzz", ["name"])
    ''
    """
    hit = difflib.get_close_matches(str(word), list(known), n=1, cutoff=0.5)
    return f"Did you mean '{hit[0]}'?" if hit else ""
