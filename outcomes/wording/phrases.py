"""Days, spans and lists of words as they stand within a sentence."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

_MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip


def day_text(day: date) -> str:
    """A date in words: 14 October 2026."""
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def span_text(start: date, end: date) -> str:
    """A span of dates, the year said once when both share it."""
    if start.year == end.year:
        return f"{start.day} {_MONTHS[start.month - 1]} to {day_text(end)}"
    return f"{day_text(start)} to {day_text(end)}"


def listing(parts: Sequence[str], last: str = "and") -> str:
    """Words joined as in a sentence.

    Examples
    --------
    >>> listing(["energy", "density", "passes"])
    'energy, density and passes'
    """
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} {last} {parts[-1]}"


def decapital(label: str) -> str:
    """A label within a sentence: its capital taken off, unless it is a word of capitals or a number.

    Examples
    --------
    >>> decapital("Upper lid"), decapital("IV"), decapital("10 mJ more energy")
    ('upper lid', 'IV', '10 mJ more energy')
    """
    return label[:1].lower() + label[1:] if label[1:2].islower() else label


def capital(sentence: str) -> str:
    """The same text with its first letter in capital."""
    return sentence[:1].upper() + sentence[1:]
