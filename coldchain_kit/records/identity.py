"""Who signs: typed names compared so that one person is one person, however the name is spelled (CONTRACTS "Record").

Names are compared after Unicode NFKC, without format characters, case, punctuation and word order, and without accents where the letter is
Latin, Greek or Cyrillic. Names that mix scripts as no language does are refused (Unicode Technical Standard #39, restriction level
"highly restrictive", section 5.2: MEMORY): a Cyrillic letter inside a Latin name is no other person.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping

from coldchain_kit.base import RecordError
from coldchain_kit.register import Person

_APOSTROPHES = "'\u2019\u02bc\u2018`\u00b4"
_ACCENTS_FALL = frozenset({"LATIN", "GREEK", "CYRILLIC"})
_SCRIPTS = {"CJK": "HAN", "KATAKANA-HIRAGANA": "KATAKANA", "IDEOGRAPHIC": "HAN"}
_TOGETHER = (frozenset({"LATIN", "HAN", "HIRAGANA", "KATAKANA"}), frozenset({"LATIN", "HAN", "BOPOMOFO"}), frozenset({"LATIN", "HAN", "HANGUL"}))


def folded(name: str) -> str:
    """A typed name without the differences that make no other person.

    Examples
    --------
    >>> folded(" Ana  SOUSA ") == folded("Sousa, Ana") == folded("Ána\\u200b Sousa")
    True
    >>> folded("Ana Sousa") == folded("Ana Souza")
    False
    """
    text = unicodedata.normalize("NFKC", str(name)).casefold()
    kept: list[str] = []
    script = ""
    for letter in unicodedata.normalize("NFD", text):
        kind = unicodedata.category(letter)
        if kind.startswith("M"):
            kept += [] if script in _ACCENTS_FALL else [letter]
        elif kind.startswith(("L", "N")):
            script = script_of(letter)
            kept.append(letter)
        elif kind != "Cf" and letter not in _APOSTROPHES:
            kept.append(" ")
    return "".join(sorted("".join(kept).split()))


def script_of(letter: str) -> str:
    """The script of a letter by its Unicode name ("LATIN", "CYRILLIC", "HAN" …); "" for what belongs to none."""
    if not unicodedata.category(letter).startswith("L"):
        return ""
    first = unicodedata.name(letter, "").split(" ")[0].split("-")[0]
    return _SCRIPTS.get(first, first)


def scripts(name: str) -> set[str]:
    """The scripts of a name's letters.

    Examples
    --------
    >>> sorted(scripts("Ana Sousa")), sorted(scripts("\\u0410na Sousa"))
    (['LATIN'], ['CYRILLIC', 'LATIN'])
    """
    text = unicodedata.normalize("NFKC", name)
    return {script for letter in text if (script := script_of(letter)) and script != "MODIFIER"}


def checked(name: str) -> str:
    """The name as it stands in a signature line: blanks tidied.

    Raises
    ------
    RecordError
        No letters, letters of scripts that no language mixes, or what cannot be written as text.
    """
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        raise RecordError("the name holds characters that cannot be written", expected="the person's name as text", mend="Type it again") from None
    tidy = " ".join("".join(c for c in name if unicodedata.category(c) not in ("Cc", "Cf")).split())
    if not folded(tidy):
        raise RecordError("there is no name to sign with", expected="the person's full name")
    mixed = scripts(tidy)
    if len(mixed) > 1 and not any(mixed <= allowed for allowed in _TOGETHER):
        raise RecordError(
            f"the name '{tidy}' mixes letters of {' and '.join(sorted(one.capitalize() for one in mixed))}", expected="letters of one script", mend="Type the name with one keyboard"
        )  # fmt: skip
    return tidy


def person(name: str, people: Mapping[str, Person]) -> Person | None:
    """The person of the site's register whom a typed name or id means; None where the register names nobody so.

    Raises
    ------
    RecordError
        Two people of the register are called so: the id must be given.

    Examples
    --------
    >>> people = {"ma": Person("ma", "M. Alder", "Vaccine lead"), "ma2": Person("ma2", "Alder, M.")}
    >>> person("ma", people).function
    'Vaccine lead'
    """
    if name in people:
        return people[name]
    alike = [one for one in people.values() if folded(one.name) == folded(name)]
    if len(alike) > 1:
        raise RecordError(f"{len(alike)} people of the register are called '{name}'", expected="the id of one of them: " + ", ".join(one.id for one in alike), mend="Give the id in place of the name")
    return alike[0] if alike else None


def same_person(one: tuple[str, str, str], other: tuple[str, str, str]) -> bool:
    """Whether two signers, each (name, id of the register or "", public key or ""), are one person.

    One key is one signer, one id one person. Two of one folded name are two only where both have ids, or both have keys, and these differ.

    Examples
    --------
    >>> same_person(("Ana Sousa", "", ""), ("SOUSA Ana", "", "k1")), same_person(("Ana Sousa", "as1", ""), ("Ana Sousa", "as2", ""))
    (True, False)
    """
    for a, b in zip(one[1:], other[1:], strict=True):
        if a and a == b:
            return True
    if folded(one[0]) != folded(other[0]):
        return False
    return not any(a and b for a, b in zip(one[1:], other[1:], strict=True))
