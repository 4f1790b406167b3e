"""Numbers that a state or an insurer gives a person, told by their form and, where they have one, their check digit.

Forms and check digits are those that the issuing offices publish; the tests hold the examples that they print.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import date

_LETTERS_OF_23 = "TRWAGMYFPDXBNJZSQVHLCKE"
_LETTERS_OF_31 = "0123456789ABCDEFHJKLMNPRSTUVWXY"


def _digits(text: str) -> list[int]:
    return [int(c) for c in text if c.isdigit()]


def _weighed(digits: Sequence[int], weights: Sequence[int]) -> int:
    return sum(d * w for d, w in zip(digits, weights, strict=True))


def _is_day(day: str, month: str) -> bool:
    try:
        date(2000, int(month), int(day))
    except ValueError:
        return False
    return True


def _modulus_11(text: str) -> bool:
    digits = _digits(text)
    return (11 - _weighed(digits[:9], range(10, 1, -1)) % 11) % 11 == digits[9]


def _austria(text: str) -> bool:
    digits = _digits(text)
    return _weighed(digits, (3, 7, 9, 0, 5, 8, 4, 2, 1, 6)) % 11 == digits[3] and _is_day(text[-6:-4], text[-4:-2])


def _iso_7064(text: str) -> bool:
    product = 10
    digits = _digits(text)
    for digit in digits[:10]:
        product = ((product + digit) % 10 or 10) * 2 % 11
    return (11 - product) % 10 == digits[10]


def _ean(text: str) -> bool:
    digits = _digits(text)
    return _weighed(digits, (1, 3) * 6 + (1,)) % 10 == 0


def _netherlands(text: str) -> bool:
    digits = _digits(text)
    return any(digits) and _weighed(digits, (9, 8, 7, 6, 5, 4, 3, 2, -1)) % 11 == 0


def _poland(text: str) -> bool:
    digits = _digits(text)
    month = int(text[2:4]) % 20
    return _weighed(digits, (1, 3, 7, 9, 1, 3, 7, 9, 1, 3, 1)) % 10 == 0 and _is_day(text[4:6], str(month))


def _sweden(text: str) -> bool:
    digits = _digits(text)[-10:]
    doubled = [sum(divmod(d * w, 10)) for d, w in zip(digits, (2, 1) * 5, strict=True)]
    return sum(doubled) % 10 == 0 and _is_day(f"{digits[4]}{digits[5]}", f"{digits[2]}{digits[3]}")


def _denmark(text: str) -> bool:
    return _is_day(text[:2], text[2:4])


def _finland(text: str) -> bool:
    number = int(text[:6] + text[7:10])
    return text[10].upper() == _LETTERS_OF_31[number % 31] and _is_day(text[:2], text[2:4])


def _spain(text: str) -> bool:
    return text[-1].upper() == _LETTERS_OF_23[int("".join(c for c in text if c.isdigit())) % 23]


def _france(text: str) -> bool:
    number = "".join(c for c in text if c.isdigit())
    return 97 - int(number[:13]) % 97 == int(number[13:])


def _always(_: str) -> bool:
    return True


_FORMS: tuple[tuple[re.Pattern[str], Callable[[str], bool]], ...] = tuple(
    (re.compile(pattern, re.ASCII | re.IGNORECASE), check)
    for pattern, check in (
        (r"\d{3}[ -]?\d{3}[ -]?\d{4}", _modulus_11),
        (r"[A-CEGHJ-PR-TW-Z][A-CEGHJ-NPR-TW-Z] ?\d{2} ?\d{2} ?\d{2} ?[A-D]", _always),
        (r"(?!000|666|9)\d{3}-(?!00)\d{2}-(?!0000)\d{4}", _always),
        (r"\d{4}[ -]?\d{6}", _austria),
        (r"[1-9]\d ?\d{3} ?\d{3} ?\d{3}", _iso_7064),
        (r"756\.?\d{4}\.?\d{4}\.?\d{2}", _ean),
        (r"\d{4}[ .]?\d{2}[ .]?\d{3}", _netherlands),
        (r"\d{11}", _poland),
        (r"(?:19|20)?\d{6}[-+]\d{4}", _sweden),
        (r"\d{6}-\d{4}", _denmark),
        (r"\d{6}[-+A-F]\d{3}[0-9A-Y]", _finland),
        (r"\d{8}-?[A-Z]", _spain),
        (r"[12] ?\d{2} ?\d{2} ?\d{2} ?\d{3} ?\d{3} ?\d{2}", _france),
        (r"[A-Z]{6}\d{2}[A-EHLMPRST]\d{2}[A-Z]\d{3}[A-Z]", _always),
    )
)
_LONGEST = 24


def may_be_national_number(text: str) -> bool:
    """Whether a cell has the form, and the check digit, of a number that stands for one person.

    One such cell may be chance (one number of ten digits in eleven passes a check digit); most of a column is not.

    Examples
    --------
    >>> may_be_national_number("943 476 5919"), may_be_national_number("943 476 5918")
    (True, False)
    >>> may_be_national_number("123-45-6789"), may_be_national_number("2026-03-05")
    (True, False)
    """
    return len(text) <= _LONGEST and any(form.fullmatch(text) and check(text) for form, check in _FORMS)
