"""Text to numbers: the decimal mark declared or shown by the file, thousands separators never guessed."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from decimal import Decimal, localcontext
from fractions import Fraction

from outcomes.records.convert.cells import Fault

_NUMBER = re.compile(r"[-+]?(?P<whole>[0-9]*)(?:(?P<mark>[.,])(?P<part>[0-9]+))?(?P<power>[eE][-+]?[0-9]{1,2})?")
_GROUPED = re.compile(r"[-+]?[0-9]{1,3}(?:(?P<mark>[.,' \u00a0\u2009\u202f\u2019])[0-9]{3})+(?:[.,][0-9]+)?")
_LONGEST = 40

NOT_A_NUMBER = Fault("not_a_number", "must be a number and nothing else", "Correct the cell in the export.")
NOT_WHOLE = Fault("not_whole", "must be a whole number", "Correct the cell in the export.")
THOUSANDS = Fault("thousands", "has a thousands separator, which is never guessed", "Export numbers without it.")
OTHER_MARK = Fault(
    "decimal_mark",
    "has another decimal mark than the rest of the file",
    "Correct the cell, or declare the decimal mark in the mapping.",
)
UNSURE_MARK = Fault(
    "decimal_mark",
    "can be read with a decimal mark or with a thousands separator",
    'Declare the decimal mark in the mapping, as decimal = "." or decimal = ",".',
)


@dataclass(frozen=True, slots=True)
class Marks:
    """Which decimal marks are read.

    Attributes
    ----------
    accepted : frozenset of str
        Marks that are read as decimal marks.
    trusted : frozenset of str
        Those among them that are so even before exactly three digits.
    """

    accepted: frozenset[str]
    trusted: frozenset[str]


@dataclass(slots=True)
class Evidence:
    """How often each mark stands where it can only be decimal, and where it may group thousands."""

    sure: Counter[str] = field(default_factory=Counter)
    unsure: Counter[str] = field(default_factory=Counter)

    def add(self, text: str, times: int = 1) -> None:
        """Weigh a text that stands in so many cells."""
        match = _NUMBER.fullmatch(text.removesuffix("%").rstrip())
        if match is not None and match["mark"]:
            (self.unsure if _may_group(match) else self.sure)[match["mark"]] += times


def _may_group(match: re.Match[str]) -> bool:
    whole = match["whole"]
    return len(match["part"]) == 3 and 1 <= len(whole) <= 3 and whole[0] != "0" and not match["power"]


def decide_marks(evidence: Evidence, *, typed: bool) -> tuple[Marks, str, Fault | None]:
    """Which decimal mark does a file use, when none was declared?

    Parameters
    ----------
    evidence : Evidence
        From every column of numbers of the file.
    typed : bool
        True for a file whose numbers are numbers, not text (XLSX, Parquet): those come with a dot.

    Returns
    -------
    marks : Marks
    note : str
        What was decided, empty where no number has a mark.
    fault : Fault or None
        Of the file, where it cannot be told.

    Examples
    --------
    >>> evidence = Evidence()
    >>> evidence.add("12,5"), evidence.add("1,250")
    (None, None)
    >>> decide_marks(evidence, typed=False)[1]
    'decimal comma, detected'
    """
    sure = evidence.sure
    if typed:
        note = "decimal comma in text cells, detected" if sure[","] else ""
        return Marks(frozenset(".,"), frozenset() if sure[","] else frozenset(".")), note, None
    if sure["."] and sure[","]:
        if sure["."] == sure[","]:
            fault = Fault("decimal_mark", "numbers with a decimal dot and with a decimal comma stand side by side",
                          'Declare the decimal mark in the mapping, as decimal = "." or decimal = ",".')  # fmt: skip
            return Marks(frozenset(), frozenset()), "", fault
        mark = "." if sure["."] > sure[","] else ","
        return Marks(frozenset(mark), frozenset()), f"decimal {_word(mark)}, detected; a few cells have the other", None
    if sure:
        mark = next(iter(sure))
        return Marks(frozenset(mark), frozenset(mark)), f"decimal {_word(mark)}, detected", None
    if evidence.unsure:
        fault = Fault("decimal_mark", "every number with a mark can be read as a decimal or as thousands",
                      'Declare the decimal mark in the mapping, as decimal = "." or decimal = ",".')  # fmt: skip
        return Marks(frozenset(), frozenset()), "", fault
    return Marks(frozenset("."), frozenset(".")), "", None


def declared_marks(mark: str, *, typed: bool) -> Marks:
    """Marks that are read when one was declared; numbers that are numbers come with a dot all the same."""
    accepted = frozenset({mark, "."}) if typed else frozenset(mark)
    return Marks(accepted, accepted)


def _word(mark: str) -> str:
    return "comma" if mark == "," else "dot"


def read_number(
    text: str, marks: Marks, *, factor: Fraction = Fraction(1), percent: bool = False, whole: bool = False
) -> str | Fault:
    """A number in our unit, with a dot, exact.

    Parameters
    ----------
    text : str
    marks : Marks
    factor : Fraction
        How many of our unit one of the export's is.
    percent : bool
        True where our unit is per cent: a cell that ends in ``%`` is per cent whatever was declared.
    whole : bool
        True where only whole numbers can be meant.

    Examples
    --------
    >>> dot = declared_marks(".", typed=False)
    >>> read_number("0.02", dot, factor=Fraction(1000)), read_number("12.50", dot), read_number("012", dot)
    ('20', '12.5', '12')
    >>> read_number("about 12", dot).kind, read_number("1,200", dot).kind
    ('not_a_number', 'thousands')
    """
    text = text.replace("−", "-").strip()
    if percent and text.endswith("%"):
        text, factor = text[:-1].rstrip(), Fraction(1)
    if len(text) > _LONGEST:
        return NOT_A_NUMBER
    match = _NUMBER.fullmatch(text)
    if match is None or not (match["whole"] or match["part"]):
        return THOUSANDS if _GROUPED.fullmatch(text) else NOT_A_NUMBER
    mark = match["mark"]
    if mark is not None:
        if mark not in marks.accepted:
            return THOUSANDS if _may_group(match) and marks.trusted else OTHER_MARK
        if mark not in marks.trusted and _may_group(match):
            return UNSURE_MARK
    number = Decimal(text.replace(",", "."))
    with localcontext() as context:
        context.prec = 60
        product = number * factor.numerator
        value = product / factor.denominator
        if value * factor.denominator != product:
            context.prec = 12
            value = +value
    if whole and value != value.to_integral_value():
        return NOT_WHOLE
    return format(value.normalize(), "f") if value else "0"
