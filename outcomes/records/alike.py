"""Ids that a reader takes for one another: said and kept apart, since only the clinic knows whether they are one."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from outcomes.records.contract import CONTRACT
from outcomes.records.headers import fold
from outcomes.records.problems import Problem
from outcomes.records.typed import Typed

_LIKE_LATIN = str.maketrans(
    "\u0430\u0432\u0435\u043a\u043c\u043d\u043e\u0440\u0441\u0442\u0443\u0445\u0456\u0458\u0455"
    "\u03b1\u03b2\u03b5\u03b9\u03ba\u03bd\u03bf\u03c1\u03c4\u03c5\u03c7",
    "abekmhopctyxijsabeiknoptyx",
)
"""Small Cyrillic and Greek letters, and the Latin ones that they, or their capitals, look like."""


def skeleton(text: str) -> str:
    """What is left of an id when capitals, spaces, hyphens, width and look-alike letters do not count.

    Examples
    --------
    >>> skeleton("P\u00a01") == skeleton("p 1"), skeleton("\u0410-7") == skeleton("A 7"), skeleton("01") == skeleton("1")
    (True, True, False)
    """
    if text.isascii() and text.isalnum():
        return text.lower()
    return fold(text.removeprefix("'")).translate(_LIKE_LATIN)


def ids_alike(texts: Iterable[str]) -> int:
    """How many distinct ids look like another of them?

    Examples
    --------
    >>> ids_alike(["P1", "p1", "P2"]), ids_alike(["00123", "0123", "123"])
    (2, 0)
    """
    found: dict[str, int] = defaultdict(int)
    for text in texts:
        found[skeleton(text)] += 1
    return sum(count for count in found.values() if count > 1)


def look_alike_ids(table: Typed) -> list[Problem]:
    """Which columns of ids hold some that differ only in what a reader does not see?

    Returns
    -------
    list of Problem
        One for each such column, of the column and not of a row: no row is refused.
    """
    problems = []
    for column in CONTRACT[table.table]:
        if column.kind != "id" or column.name not in table.present:
            continue
        if count := ids_alike(table.frame[column.name].dropna().unique()):
            problems.append(
                Problem(
                    table.table,
                    None,
                    table.header(column.name),
                    f"holds {count:,} ids that differ from another only in capitals, spaces, hyphens, invisible or "
                    "look-alike characters, and that were kept apart",
                    "Find out whether they stand for the same, and write them alike where the records are kept.",
                    "ids_look_alike",
                )
            )
    return problems
