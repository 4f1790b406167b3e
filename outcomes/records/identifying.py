"""Direct identifiers by what a column holds, whatever its header says.

Forms decide, never a list of people: a name is two to four words that begin like names and are almost as many as the
rows they stand in; where that cannot be told from a code, the column is refused and the clinic drops it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from itertools import islice

from outcomes.records.contract import CONTRACT
from outcomes.records.convert.moments import take_apart
from outcomes.records.headers import fold
from outcomes.records.identifier_words import words_of
from outcomes.records.national_numbers import may_be_national_number
from outcomes.records.rules import EARLIEST_DATE
from outcomes.records.synonyms import CODES
from outcomes.records.vocabulary import ZONES

FEWEST_CELLS = 3
SHARE = 0.8
MOST_TEXTS = 5_000
"""Different texts of a column that are looked at for their form; for e-mail addresses all are."""

_EMAIL = re.compile(r"[^\s@]+@[^\s@]+\.[A-Za-z]{2,}")
_PHONE = re.compile(r"(?:\+|00|\(|0)[\d ()./\-]{7,20}\d|\d{3}[-. ]\d{3}[-. ]\d{4}", re.ASCII)
_PHONE_ABROAD = re.compile(r"\+[1-9]\d{0,2}[ ()./\-]{1,2}\d[\d ()./\-]{5,18}\d", re.ASCII)
_PHONE_INSIDE = re.compile(r"(?<![\w.+])(?:\+[1-9]\d|0[1-9])[\d ()/\-]{6,18}\d(?![\w.])", re.ASCII)

_STREET_AFTER = r"street|st|road|rd|avenue|ave|lane|ln|drive|court|crescent|terrace|square|boulevard|blvd|gardens|mews"
_STREET_END = r"strasse|straße|str\.?|gasse|weg|platz|allee|ring|damm|ufer|straat|laan|plein|gatan|vägen|vej|gade|utca"
_STREET_BEFORE = (
    r"rue|avenue|boulevard|chemin|allée|quai|via|viale|piazza|corso|calle|avenida|paseo|plaza|rua|ulica|ul\."
)
_ADDRESS = re.compile(
    rf"\b\d{{1,4}}[a-z]?,? (?:[\w'’.-]+ ){{1,4}}(?:{_STREET_AFTER})\b"
    rf"|\b\w{{3,}}(?:{_STREET_END}) \d{{1,4}}\b"
    rf"|\b(?:{_STREET_BEFORE}) (?:[\w'’.-]+,? ){{1,5}}\d{{1,4}}\b"
    rf"|\b\d{{1,4}}(?: ?bis| ?ter)?,? (?:{_STREET_BEFORE}) ",
    re.IGNORECASE,
)
_POSTCODE = re.compile(r"[A-Z]{1,2}\d[A-Z\d]? ?\d[A-Z]{2}", re.ASCII)
_LONGEST_ADDRESS = 120

_PARTICLES = words_of(
    "von van vom zu zur de der den da das di del della du la le al el bin ibn ben dos y e und ter ten of"
)
_TITLES = words_of("dr prof mr mrs ms miss herr frau hr fr mme mlle m dipl ing med mag sir")
_NOT_IN_A_NAME = re.compile(r"[^\w\s,.'’-]")
_MOST_WORDS_OF_A_NAME = 6
_FEWEST_WORDS_OF_A_NOTE = 5


def identifier_held(texts: Iterable[str]) -> str | None:
    """Which direct identifier do the distinct cells of a column show by their form? None for none.

    One e-mail address, one telephone number of another country or one inside a sentence is enough; other telephone
    numbers and national numbers have to be most of the column, as ids may look like one.

    Examples
    --------
    >>> identifier_held(["a", "b@example.org"])
    'e-mail addresses'
    >>> identifier_held(["00123", "0123", "0456"]) is None
    True
    >>> identifier_held(["12 High Street", "3 Mill Lane"])
    'addresses'
    """
    plain: list[str] = []
    for text in texts:
        if "@" in text and _EMAIL.search(text):
            return "e-mail addresses"
        if len(plain) < MOST_TEXTS:
            plain.append(text.strip())
    if _most(plain, may_be_national_number, share=0.9, fewest=4 if all(t.isdigit() for t in plain) else FEWEST_CELLS):
        return "national or insurance numbers"
    if any(_dialled(text) for text in plain) or _most(plain, _is_phone):
        return "telephone numbers"
    addresses = sum(_is_address(text) for text in plain)
    if addresses >= 2 or (addresses and len(plain) <= 2) or _most(plain, lambda text: bool(_POSTCODE.fullmatch(text))):
        return "addresses"
    return None


def names_held(texts: Sequence[str], filled: int) -> bool:
    """Whether the distinct cells of a column are names of people.

    Parameters
    ----------
    texts : sequence of str
        Distinct cells.
    filled : int
        How many cells hold them: codes come back often, people do not.

    Examples
    --------
    >>> names_held(["Ada Nym", "Pseudo, Nym", "Dr. Ann O'Nym"], 3), names_held(["Room Blue", "Room Red"], 400)
    (True, False)
    >>> names_held(["Upper lip", "Lower lid", "Full face"], 3)
    False
    """
    some = [text.strip() for text in islice(texts, MOST_TEXTS)]
    rare = len(texts) / max(filled, 1)
    several = (len(texts) >= FEWEST_CELLS and rare >= 0.5) or (len(texts) >= 10 and rare >= 0.02)
    if several and _most(some, lambda text: _is_name(text, words=2)):
        return True
    single = (len(texts) >= 5 and rare >= 0.5) or (len(texts) >= 10 and rare >= 0.1)
    return single and _most(some, lambda text: _is_name(text, words=1))


def birthdays_held(texts: Sequence[str]) -> bool:
    """Whether the distinct cells of a column are dates of which many lie before any treatment.

    Examples
    --------
    >>> birthdays_held(["1984-05-03", "01.12.1971", "2001-02-28"]), birthdays_held(["2025-05-03", "2025-12-01"])
    (True, False)
    """
    some = list(islice(texts, MOST_TEXTS))
    years = [year for text in some if (year := _year(text)) is not None]
    early = sum(year < EARLIEST_DATE.year for year in years)
    return len(years) >= SHARE * len(some) and early >= 2 and early >= 0.2 * len(years)


def notes_held(texts: Sequence[str]) -> bool:
    """Whether cells of a column are sentences, or run over several lines.

    Examples
    --------
    >>> notes_held(["none", "was anxious and came with her husband"]), notes_held(["film", "gel sheet"])
    (True, False)
    """
    notes = sum(_is_note(text) for text in islice(texts, MOST_TEXTS))
    return notes >= FEWEST_CELLS or notes >= 0.2 * max(min(len(texts), MOST_TEXTS), 1)


def _most(texts: Sequence[str], test: Callable[[str], bool], *, share: float = SHARE, fewest: int = 3) -> bool:
    if len(texts) < fewest:
        return False
    allowed = (1 - share) * len(texts)
    missed = 0
    for text in texts:
        missed += not test(text)
        if missed > allowed:
            return False
    return True


def _is_phone(text: str) -> bool:
    digits = sum(c.isdigit() for c in text)
    return not text.isdigit() and 9 <= digits <= 15 and _PHONE.fullmatch(text) is not None and not _is_date(text)


def _dialled(text: str) -> bool:
    """A telephone number that nothing else looks like: of another country, or inside a sentence."""
    if sum(c.isdigit() for c in text) < 9:
        return False
    if _PHONE_ABROAD.fullmatch(text):
        return True
    letters = sum(c.isalpha() for c in text)
    found = _PHONE_INSIDE.search(text) if letters and " " in text.strip() else None
    if found is None or (letters < 4 and not found[0].startswith("+")):
        return False
    return 9 <= sum(c.isdigit() for c in found[0]) <= 15 and not _is_date(found[0].strip())


def _is_address(text: str) -> bool:
    plain = " ".join(text[:_LONGEST_ADDRESS].split())
    return any(c.isdigit() for c in plain) and _ADDRESS.search(plain) is not None


def _is_date(text: str) -> bool:
    return take_apart(text) is not None


def _year(text: str) -> int | None:
    moment = take_apart(text)
    if moment is None:
        return None
    year = moment.numbers[2] if moment.form == "year_last" else moment.numbers[0]
    return year if year > 99 else 1900 + year if year > 30 else 2000 + year


def _is_note(text: str) -> bool:
    words = [word for word in re.findall(r"[^\W\d_]+", text) if len(word) > 1]
    return len(words) >= _FEWEST_WORDS_OF_A_NOTE or ("\n" in text.strip() and len(words) >= 2)


def _is_name(text: str, *, words: int) -> bool:
    """At least so many words that begin like names; titles and initials count, particles do not matter."""
    if any(c.isdigit() for c in text) or _NOT_IN_A_NAME.search(text):
        return False
    parts = re.findall(r"[^\W\d_][\w'’.-]*", text)
    if not 1 <= len(parts) <= _MOST_WORDS_OF_A_NAME:
        return False
    titles = sum(fold(part.rstrip(".")) in _TITLES for part in parts)
    kept = [part for part in parts if fold(part.rstrip(".")) not in _PARTICLES | _TITLES]
    if not kept or all(fold(part) in _VOCABULARY for part in kept) or len(kept) + titles < words:
        return False
    longer = [part for part in kept if len(part.rstrip(".")) > 1]
    return 1 <= len(longer) <= 4 and all(_begins_like_a_name(part, capitals=words > 1) for part in longer)


def _begins_like_a_name(word: str, *, capitals: bool) -> bool:
    if word.lower() == word.upper():  # a script without capitals
        return True
    if word.isupper():
        return capitals and len(word) >= 3
    return word[0].isupper() and (capitals or len(word) >= 3)


def _vocabulary() -> frozenset[str]:
    """Words of our own codes and of the trade: a text of nothing else names no person."""
    texts = [code for columns in CONTRACT.values() for column in columns for code in column.codes]
    texts += [label for label, _ in ZONES.values()]
    texts += [word for codes in CODES.values() for code, words in codes.items() for word in (code, *words)]
    found = frozenset(part for text in texts for part in re.findall(r"[^\W\d_]+", fold(text)))
    return found | words_of(
        "left right upper lower both full room laser device machine gel film sheet cream none other not recorded"
    )


_VOCABULARY = _vocabulary()
