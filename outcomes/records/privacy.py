"""Direct identifiers: recognised by header or by content, and refused unless the mapping drops the column."""

from __future__ import annotations

import re
from collections.abc import Iterable

import pandas as pd

from outcomes.records.contract import Table
from outcomes.records.headers import fold
from outcomes.records.problems import Problem

_REMEDY = "Delete the column in the export, or list its header under [drop] in the mapping."


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


# Words of headers, folded, in English and in other languages that exports are often in.
_ALONE: dict[str, frozenset[str]] = {
    "a name": _words(
        "name names fullname patientname clientname surname forename firstname lastname initials vorname nachname "
        "patientenname nom prenom "
        "prénom nombre apellido apellidos cognome naam voornaam achternaam"
    ),
    "a date of birth": _words("dob birthday birthdate dateofbirth born geburtsdatum geburtstag geboortedatum"),
    "an address": _words(
        "address street postcode zip zipcode adresse anschrift strasse plz adres direccion dirección indirizzo"
    ),
    "a telephone number": _words(
        "phone telephone phonenumber mobile cellphone fax tel telefon handy téléphone telefono teléfono telefoon"
    ),
    "an e-mail address": _words("email emails emailaddress mail"),
    "a national or insurance number": _words("ssn nin passport bsn dni versichertennummer steuernummer"),
    "free text": _words(
        "note notes comment comments remark remarks memo narrative freetext bemerkung bemerkungen notiz notizen "
        "kommentar remarque remarques commentaire commentaires nota notas opmerking opmerkingen"
    ),
}
_TOGETHER: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("a date of birth", ("birth",)),
    ("a date of birth", ("date", "naissance")),
    ("an address", ("postal", "code")),
    ("an address", ("post", "code")),
    ("an address", ("house", "number")),
    ("a telephone number", ("contact", "number")),
    ("a telephone number", ("cell", "number")),
    ("an e-mail address", ("e", "mail")),
    ("a national or insurance number", ("national", "number")),
    ("a national or insurance number", ("national", "id")),
    ("a national or insurance number", ("national", "insurance")),
    ("a national or insurance number", ("social", "security")),
    ("a national or insurance number", ("insurance", "number")),
    ("a national or insurance number", ("insurance", "no")),
    ("a national or insurance number", ("insurance", "id")),
    ("a national or insurance number", ("nhs", "number")),
    ("a national or insurance number", ("nhs", "no")),
    ("free text", ("free", "text")),
    ("a name", ("next", "kin")),
)
_NOT_A_PERSON = _words(
    "zone area region site clinic device laser machine product drug agent cream file sheet brand model column field "
    "unit test procedure protocol preset mode shape dressing setting settings"
)
_PATIENT = _words("patient client customer maiden family given")
_STAFF = _words("practitioner operator doctor physician clinician nurse staff provider surgeon therapist user")

_EMAIL = re.compile(r"[^\s@]+@[^\s@]+\.[A-Za-z]{2,}")
_PHONE = re.compile(r"(?:\+|00|\(|0)[\d ()./\-]{7,20}\d|\d{3}[-. ]\d{3}[-. ]\d{4}")
_FEWEST_CELLS = 3
_SHARE = 0.8


def identifier_of(header: str) -> str | None:
    """Which direct identifier does a header announce? None for a header that announces none.

    Examples
    --------
    >>> identifier_of("Patient Name"), identifier_of("D.O.B."), identifier_of("Device name")
    ('a name', 'a date of birth', None)
    >>> identifier_of("Notes"), identifier_of("E-mail"), identifier_of("Patient no")
    ('free text', 'an e-mail address', None)
    """
    dotted = re.sub(r"\b((?:\w\.){2,})", lambda match: match[1].replace(".", ""), header + " ")
    joined = re.sub(r"([a-zà-ÿ])([A-Z])", r"\1 \2", dotted)
    words = re.findall(r"[^\W_]+", fold(joined))
    for what, together in _TOGETHER:
        if all(part in words for part in together):
            return what
    for what, alone in _ALONE.items():
        if not alone.isdisjoint(words):
            of_something_else = not (_NOT_A_PERSON | _STAFF).isdisjoint(words) and _PATIENT.isdisjoint(words)
            if what == "a name" and of_something_else:
                continue
            return what
    return None


def check_identifiers(table: Table, frame: pd.DataFrame) -> list[Problem]:
    """Columns of an export that identify a patient directly, by their header or by what they hold.

    Parameters
    ----------
    table : str
    frame : DataFrame
        Text cells under the export's headers, without the columns that the mapping drops.

    Returns
    -------
    list of Problem
        Fatal, one a column.
    """
    problems = []
    for header in frame.columns:
        what = identifier_of(header)
        if what is not None:
            rule = f"announces {what}, which may identify a patient and is not read"
            problems.append(Problem(table, None, header, rule, _REMEDY, "identifier", fatal=True))
            continue
        held = identifier_held(frame[header].dropna().unique())
        if held is not None:
            rule = f"holds what looks like {held}, which identify a patient and are not read"
            problems.append(Problem(table, None, header, rule, _REMEDY, "identifier", fatal=True))
    return problems


def identifier_held(texts: Iterable[str]) -> str | None:
    """Which direct identifier do the distinct cells of a column look like? None for none.

    One e-mail address is enough; telephone numbers have to be most of the column, as ids may look like one.

    Examples
    --------
    >>> identifier_held(["a", "b@example.org"])
    'e-mail addresses'
    >>> identifier_held(["00123", "0123", "0456"]) is None
    True
    """
    phones = total = 0
    for text in texts:
        total += 1
        if "@" in text and _EMAIL.search(text):
            return "e-mail addresses"
        plain = text.strip()
        if _PHONE.fullmatch(plain) and 9 <= sum(c.isdigit() for c in plain) <= 15 and not plain.isdigit():
            phones += 1
    if phones >= _FEWEST_CELLS and phones >= _SHARE * total:
        return "telephone numbers"
    return None
