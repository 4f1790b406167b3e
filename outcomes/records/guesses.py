"""Which header of an export might be which of our columns, and which word which of our codes?

Guessed, to be confirmed by a person: nothing is read from an export because of a guess.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from outcomes.records.contract import CONTRACT, SESSION_COLUMNS_ON_ZONES, Column, Table
from outcomes.records.convert.units import UNITS, unit_factor
from outcomes.records.headers import fold, nearest
from outcomes.records.privacy import identifier_of
from outcomes.records.synonyms import CODES, HEADERS

SURE = 0.95
FAINT = 0.6
NEAR_CODE = 0.85
LONGEST_WORD = 40

_SIDES = re.compile(r"\b(left|right|l|r|lt|rt|both|bilateral)\b")
_IN_BRACKETS = re.compile(r"[\(\[](?P<unit>[^\)\]]*)[\)\]]\s*$")
_SPELLINGS: dict[str, str] = {
    spelling: spelling for known in UNITS.values() for spelling in known if spelling not in ("s", "g", "h", "min", "L")
}


@dataclass(frozen=True, slots=True)
class Guess:
    """A header that may be one of our columns.

    Attributes
    ----------
    column : Column
    header : str
    score : float
        1 for a header that is our name or a word of the trade for it, less for a likeness.
    unit : str or None
        Unit to declare, where the header names one that is not ours.
    """

    column: Column
    header: str
    score: float
    unit: str | None = None


def guess_columns(table: Table, headers: Sequence[str], columns: Sequence[Column] | None = None) -> dict[str, Guess]:
    """The best guess for each of our columns, each header used once; identifiers are left out.

    Parameters
    ----------
    table : str
    headers : sequence of str
    columns : sequence of Column or None
        The columns to be found; None for all of the table.

    Examples
    --------
    >>> found = guess_columns("zones", ["Case no", "Energy (J)", "Area", "Area (cm2)"])
    >>> found["pulse_energy_mj"].unit, found["zone"].header, found["area_cm2"].header
    ('J', 'Area', 'Area (cm2)')
    """
    offers: list[tuple[float, int, int, Guess]] = []
    usable = [header for header in headers if identifier_of(header) is None and not header.startswith("(no header")]
    for i, column in enumerate(CONTRACT[table] if columns is None else columns):
        for j, header in enumerate(usable):
            guess = _guess(table, column, header)
            if guess.score >= FAINT:
                offers.append((-guess.score, i, j, guess))
    taken: set[str] = set()
    found: dict[str, Guess] = {}
    for _, _, _, guess in sorted(offers, key=lambda offer: offer[:3]):
        if guess.header not in taken and guess.column.name not in found:
            found[guess.column.name] = guess
            taken.add(guess.header)
    return found


def guess_code(name: str, text: str, options: Iterable[str]) -> str | None:
    """Which of our codes might a clinic's word stand for? None where no word of the trade is like it.

    Parameters
    ----------
    name : str
        Our column.
    text : str
    options : iterable of str
        Our codes.

    Examples
    --------
    >>> guess_code("zone", "Cheek L", ["cheek", "chin"]), guess_code("zone", "forehaed", ["forehead"])
    ('cheek', 'forehead')
    """
    if len(text) > LONGEST_WORD:
        return None
    known: dict[str, str] = {}
    for code, words in CODES.get(name, {}).items():
        known |= {fold(word): code for word in words} | {fold(code): code}
    key = fold(text)
    bare = " ".join(re.sub(r"[^\w' ]", " ", _SIDES.sub(" ", key)).split()) if name == "zone" else key
    for candidate in (key, bare, bare.removesuffix("s")):
        if candidate in known:
            return known[candidate]
    near = nearest(bare, [*known, *options], cutoff=NEAR_CODE) if len(bare) > 3 else None
    return None if near is None else known.get(near, near)


def _guess(table: Table, column: Column, header: str) -> Guess:
    words, unit = split_unit(header)
    factor = None if unit is None else _factor(column.unit, unit)
    in_brackets = _IN_BRACKETS.search(header) is not None
    if unit is not None and factor is None and not in_brackets:
        words, unit = header, None  # the last word was a word
    score = max(_likeness(fold(words), fold(name)) for name in (column.name, *_names(column)))
    declared = unit if factor is not None and factor != 1 else None
    if unit is not None:
        score = min(1.0, score + 0.02) if factor is not None else 0.3 * score  # an energy per area is not an energy
    if table == "zones" and column.name in SESSION_COLUMNS_ON_ZONES:
        score -= 0.01  # on a zone row a column of zones comes first
    return Guess(column, header, score, declared)


def _factor(ours: str, theirs: str) -> Fraction | None:
    try:
        return unit_factor(ours, theirs)
    except ValueError:
        return None


def _names(column: Column) -> tuple[str, ...]:
    base = column.name
    for ending, words in (("_severity", ("severity", "grade")), ("_day", ("day", "onset day"))):
        stem = base.removesuffix(ending)
        if stem != base and stem in HEADERS and base not in HEADERS:
            return tuple(f"{name} {word}" for name in (stem, *HEADERS[stem]) for word in words)
    return HEADERS.get(base, ())


def split_unit(header: str) -> tuple[str, str | None]:
    """A header's words and the unit it names, in brackets or as its last word.

    Examples
    --------
    >>> split_unit("Energy (mJ)"), split_unit("Spot um"), split_unit("Side")
    (('Energy', 'mJ'), ('Spot', 'um'), ('Side', None))
    """
    match = _IN_BRACKETS.search(header)
    if match is not None and match.start() > 0:
        unit = match["unit"].strip()
        if unit and (unit.replace("\u03bc", "µ") in _SPELLINGS or unit in ("s", "g", "h", "min", "L", "ml", "mL")):
            return header[: match.start()].strip(), "mL" if unit == "ml" else unit
        if re.fullmatch(r"[^\s\d]{1,3}/\S+", unit):
            return header[: match.start()].strip(), unit
        return header[: match.start()].strip(), None
    head, _, last = header.replace("_", " ").rpartition(" ")
    if head and last in _SPELLINGS and last not in ("date", "day", "days", "month", "year", "W"):
        return head, last
    return header, None


def _likeness(header: str, name: str) -> float:
    if header == name:
        return 1.0
    ours, theirs = set(name.split()), set(header.split())
    if ours <= theirs or theirs <= ours:
        return 0.6 + 0.3 * min(len(ours), len(theirs)) / max(len(ours), len(theirs))
    return 0.85 * difflib.SequenceMatcher(None, header, name).ratio()
