"""A clinic's words to our codes: yes and no, code lists, several codes in one cell."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping

from outcomes.records.contract import Column
from outcomes.records.convert.cells import Fault
from outcomes.records.guesses import guess_code
from outcomes.records.headers import fold
from outcomes.records.vocabulary import ZONES

YES: frozenset[str] = frozenset({"yes", "y", "true", "t", "1"})
NO: frozenset[str] = frozenset({"no", "n", "false", "f", "0"})
LONGEST_WORD = 60
MOST_WORDS = 100
MOST_CODES_NAMED = 10
MOST_HINTS = 100
OF_THE_PERSON = frozenset({"skin_type", "sex", "indication", "smoking"})
"""Codes that describe the patient: to name the nearest one at a row would tell what the cell says."""

_ROUND = re.compile(r"([01])[.,]0*")
_SKIN = re.compile(r"(?:fitzpatrick |fst |skin |photo)?(?:type )?(?P<type>vi|iv|v|i{1,3}|[1-6])")
_ROMAN = ("I", "II", "III", "IV", "V", "VI")
_SEPARATORS = re.compile(r"[;,|/+\n]")

ALIASES: dict[str, dict[str, str]] = {
    # contract column: {folded word: code}, only where the word can mean nothing else
    "side": {"left": "L", "right": "R", "bilateral": "both", "l+r": "both", "left and right": "both"},
    "sex": {"f": "female", "m": "male", "woman": "female", "man": "male"},
    "skin_type": {"not recorded": "not_recorded"},
    "contact": {"in person": "in_person", "face to face": "in_person", "telephone": "phone", "video call": "video"},
    "zone": {fold(label): zone for zone, (label, _) in ZONES.items()},
}


def folded(codes: Mapping[str, str]) -> dict[str, str]:
    """Codes by their folded text, without those that differ only in what is folded and mean different things."""
    found: dict[str, str] = {}
    unclear: set[str] = set()
    for text, target in codes.items():
        key = fold(text)
        if found.setdefault(key, target) != target:
            unclear.add(key)
    return {key: target for key, target in found.items() if key not in unclear}


def not_a_code(column: Column, where: str, meant: str | None = None) -> Fault:
    """The fault of a code that the mapping does not know.

    Parameters
    ----------
    column : Column
    where : str
        The mapping's section for it.
    meant : str or None
        Our code that the cell comes close to, which is named; the cell never is.
    """
    ours = "one of our codes, which the schema command lists,"
    if len(column.codes) <= MOST_CODES_NAMED:
        ours = f"one of {', '.join(column.codes)}"
    return Fault(
        "unknown_code",
        f"must be {ours} or a code that the mapping translates",
        f"Add the code to {where} in the mapping, or correct the cell."
        + (f' Did you mean "{meant}"?' if meant is not None else ""),
    )


def not_yes_or_no(where: str) -> Fault:
    """The fault of a cell that says neither yes nor no."""
    return Fault(
        "not_yes_no",
        "must say yes or no in a word that is known: yes, y, true, t, 1, no, n, false, f, 0 or one of the mapping's",
        f"Add the clinic's word to {where} in the mapping, or correct the cell.",
    )


FREE_TEXT = Fault(
    "free_text",
    f"holds more than {LONGEST_WORD} characters where a short word is meant",
    "Export the column as a short word, or drop it in the mapping.",
)


def yes_no_reader(
    codes: Mapping[str, str], yes: Iterable[str], no: Iterable[str], where: str
) -> Callable[[str], str | Fault | None]:
    """A reader of one yes/no cell: ``true``, ``false``, missing, or a fault.

    The clinic's own codes come first, then its words for yes and no, then yes/no, y/n, true/false, t/f, 1/0.

    Examples
    --------
    >>> read = yes_no_reader({}, ["ja"], [], "[zones.columns.melasma]")
    >>> read("Y"), read("0.0"), read("ja"), read("unknown").kind
    ('true', 'false', 'true', 'not_yes_no')
    """
    words = {word: "true" for word in YES} | {word: "false" for word in NO}
    words |= {fold(word): "true" for word in yes} | {fold(word): "false" for word in no}
    own: dict[str, str | None] = {text: _truth(target) for text, target in codes.items()}
    own_folded = {key: _truth(target) for key, target in folded(codes).items()}
    fault = not_yes_or_no(where)

    def read(text: str) -> str | Fault | None:
        if text in own:
            return own[text]
        key = fold(text)
        if key in own_folded:
            return own_folded[key]
        if match := _ROUND.fullmatch(key):
            key = match[1]
        return words.get(key, fault)

    return read


def _truth(target: str) -> str | None:
    return None if not target else "true" if fold(target) in YES else "false"


def code_reader(column: Column, codes: Mapping[str, str], where: str) -> Callable[[str], str | Fault | None]:
    """A reader of one coded cell: our code, missing, or a fault.

    Examples
    --------
    >>> from outcomes.records.contract import COLUMN
    >>> read = code_reader(COLUMN["zones"]["zone"], {"Brow": "forehead"}, "[zones.columns.zone]")
    >>> read("brow"), read("Lower lid"), read("elbow").kind
    ('forehead', 'lower_lid', 'unknown_code')
    """
    ours = {fold(code): code for code in column.codes} | ALIASES.get(column.name, {})
    own = folded(codes)
    hints = MOST_HINTS if column.name not in OF_THE_PERSON else 0

    def fault(text: str) -> Fault:
        """Near words are looked for a few times only: a column of a million different texts is no list of codes."""
        nonlocal hints
        hints -= 1
        return not_a_code(column, where, guess_code(column.name, text, column.codes) if hints >= 0 else None)

    def read(text: str) -> str | Fault | None:
        if text in codes:
            return codes[text] or None
        key = fold(text)
        if key in own:
            return own[key] or None
        if key in ours:
            return ours[key]
        if column.name == "skin_type" and (match := _SKIN.fullmatch(key)):
            kind = match["type"]
            return _ROMAN[int(kind) - 1] if kind.isdigit() else kind.upper()
        return fault(text)

    return read


def list_reader(
    column: Column, codes: Mapping[str, str], separator: str | None, where: str
) -> Callable[[str], str | Fault | None]:
    """A reader of a cell with several codes: ours in contract order, joined by ``;``.

    Examples
    --------
    >>> from outcomes.records.contract import COLUMN
    >>> read = list_reader(COLUMN["sessions"]["blocks"], {"IO": "infraorbital"}, None, "[sessions.columns.blocks]")
    >>> read("mental, IO")
    'infraorbital;mental'
    """
    one = code_reader(column, codes, where)
    rank = {code: i for i, code in enumerate(column.codes)}

    def read(text: str) -> str | Fault | None:
        whole = one(text)
        if not isinstance(whole, Fault):
            return whole
        found: set[str] = set()
        parts = text.split(separator) if separator is not None else _SEPARATORS.split(text)
        for part in parts:
            code = one(part.strip()) if part.strip() else None
            if isinstance(code, Fault):
                return code
            if code is not None:
                found.add(code)
        return ";".join(sorted(found, key=rank.__getitem__)) or None

    return read


def word(text: str) -> str | Fault:
    """A short word of the clinic's own, in small letters and single spaces; anything long is free text."""
    return FREE_TEXT if len(text) > LONGEST_WORD else " ".join(text.lower().split())
