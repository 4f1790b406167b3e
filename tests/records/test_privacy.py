"""Direct identifiers stop an export, by header or by content, until the mapping drops them."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from outcomes.records.contract import CONTRACT
from outcomes.records.identifying import birthdays_held, identifier_held, names_held, notes_held
from outcomes.records.load import check
from outcomes.records.mapping import Mapping, apply_mapping, parse_mapping
from outcomes.records.national_numbers import may_be_national_number
from outcomes.records.privacy import check_identifiers, identifier_of
from outcomes.records.readers import read_table


@pytest.mark.parametrize(
    ("header", "what"),
    [
        ("Name", "a name"),
        ("patient_name", "a name"),
        ("LastName", "a name"),
        ("Surname, first", "a name"),
        ("Vorname", "a name"),
        ("Patient initials", "a name"),
        ("Patient name (model release)", "a name"),
        ("patientname", "a name"),
        ("DOB", "a date of birth"),
        ("D.O.B.", "a date of birth"),
        ("Date of Birth", "a date of birth"),
        ("Geburtsdatum", "a date of birth"),
        ("Address 1", "an address"),
        ("Post code", "an address"),
        ("Mobile", "a telephone number"),
        ("Contact number", "a telephone number"),
        ("E-mail", "an e-mail address"),
        ("e mail", "an e-mail address"),
        ("NHS number", "a national or insurance number"),
        ("Social Security No", "a national or insurance number"),
        ("Insurance no", "a national or insurance number"),
        ("Notes", "free text"),
        ("clinical_comments", "free text"),
        ("Free text", "free text"),
        ("Device notes", "free text"),
        ("Geb.-Datum", "a date of birth"),
        ("Geburtsjahr", "a date of birth"),
        ("fecha de nacimiento", "a date of birth"),
        ("Дата рождения", "a date of birth"),
        ("DoB", "a date of birth"),
        ("D O B", "a date of birth"),
        ("Kundenname", "a name"),
        ("Geburtsname", "a name"),
        ("Imię", "a name"),
        ("姓名", "a name"),
        ("Wohnort", "an address"),
        ("Strasse u. Hausnr.", "an address"),
        ("Postleitzahl", "an address"),
        ("Telefonnummer", "a telephone number"),
        ("Emergency contact", "a telephone number"),
        ("Courriel", "an e-mail address"),
        ("Versicherten-Nr", "a national or insurance number"),
        ("SV-Nummer", "a national or insurance number"),
        ("NHS", "a national or insurance number"),
        ("Codice fiscale", "a national or insurance number"),
        ("Anmerkungen", "free text"),
        ("Observaciones", "free text"),
        ("History", "free text"),
    ],
)
def test_headers_that_announce_an_identifier(header: str, what: str) -> None:
    assert identifier_of(header) == what


@pytest.mark.parametrize(
    "header",
    ["Patient no", "Device name", "Zone name", "Practitioner name", "Operator initials", "Contact", "Contact type",
     "Energy (mJ)",
        "NIR lamp",
        "NHS or private", "Mobile laser", "Clinic address", "Family history of keloid", "Body site", "Birthmark",
        "Phototype", "Consent signed", "Noted swelling", "Telangiectasia", "Streets ahead", "Cellulitis"],
)  # fmt: skip
def test_headers_that_announce_none(header: str) -> None:
    assert identifier_of(header) is None


def test_none_of_our_own_columns_is_taken_for_an_identifier() -> None:
    assert [c.name for columns in CONTRACT.values() for c in columns if identifier_of(c.name) is not None] == []


@pytest.mark.parametrize(
    ("cells", "what"),
    [
        (["x", "ada@example.org"], "e-mail addresses"),
        (["see ada@example.org about it"], "e-mail addresses"),
        (["+44 7700 900123", "+44 7700 900456", "07700 900 789"], "telephone numbers"),
        (["(020) 7946 0001", "020 7946 0002", "020-7946-0003"], "telephone numbers"),
        (["555-010-0123", "555-010-0124", "555.010.0125"], "telephone numbers"),
        (["00123", "0123", "00456"], None),
        (["90071992547409931", "90071992547409932", "07700900123"], None),
        (["2024-03-05", "2024-03-06", "2024-03-07"], None),
        (["05.03.2024", "06.03.2024", "07.03.2024"], None),
        (["2024-001-00045", "2024-001-00046", "2024-001-00047"], None),
        (["12.5", "0.07", "1000"], None),
        (["+44 7700 900123", "neck", "chin"], "telephone numbers"),
        (["film", "call Mrs N on 0770 0900123"], "telephone numbers"),
        (["Ruf +43 664 1234567", "neck", "chin"], "telephone numbers"),
        (["R1 0770 0900123", "neck", "chin"], None),
        (["020 7946 0001", "neck", "chin", "nose"], None),
        (["lot 0200-7946-0001", "lot 0200-7946-0002"], None),
        (["Hauptstraße 12", "12 High Street"], "addresses"),
        (["Rue de la Paix 5", "neck", "chin", "Via Roma 3"], "addresses"),
        (["ring 5", "ring 8", "O-ring 12", "square 4"], None),
        (["12 mJ, 2 passes, both cheeks", "Room 2", "Laser 12", "type 3"], None),
        (["SW1A 1AA", "M1 1AE", "B33 8TH"], "addresses"),
        (["123-45-6789", "219-09-9999", "457-55-5462"], "national or insurance numbers"),
        (["943 476 5919", "943 476 5870", "401 023 2137"], "national or insurance numbers"),
        (["1234567890", "1234567891", "1234567892", "1234567893"], None),
        (["a@b", "@home"], None),
    ],
)
def test_cells_that_look_like_an_identifier(cells: list[str], what: str | None) -> None:
    assert identifier_held(cells) == what


def test_one_fatal_problem_a_column_without_a_cell_in_it() -> None:
    frame = pd.DataFrame({"Name": ["Ada"], "x": ["ada@example.org"], "zone": ["neck"]}, dtype="string")
    problems = check_identifiers("zones", frame)
    assert [(p.column, p.kind, p.fatal, p.row) for p in problems] == [
        ("Name", "identifier", True, None), ("x", "identifier", True, None),
    ]  # fmt: skip
    assert not [p for p in problems if "ada" in (p.rule + p.remedy).lower()]


def test_an_identifier_stops_even_if_the_mapping_uses_it_and_not_if_it_drops_it(tmp_path: Path) -> None:
    path = tmp_path / "export.csv"
    needed = "record_id,session_id,treated_on,practitioner_id,zone,skin_type,pulse_energy_mj,density_pct,passes"
    path.write_text(
        f"{needed},Patient name,patient_id\nR1,S1,2026-03-02,A,neck,II,12,5,1,Ada Nym,P1\n", encoding="utf-8"
    )
    used = parse_mapping('[columns]\npatient_id = "Patient name"\n')
    dropped = parse_mapping('[drop]\ncolumns = ["patient NAME"]\n')
    for mapping, kinds in ((Mapping(), ["identifier"]), (used, ["identifier"]), (dropped, [])):
        one = apply_mapping(read_table(path, "zones", mapping.reading("zones")), mapping)
        assert [p.kind for p in one.problems] == kinds


@pytest.mark.parametrize(
    ("text", "wrong"),
    # Each is an example that the issuing office, or the public description of the number, prints; NINO by its form.
    [
        ("943 476 5919", "943 476 5918"),
        ("AB 12 34 56 C", "AB 12 34 56 E"),
        ("756.9217.0769.85", "756.9217.0769.84"),
        ("86095742719", "86095742718"),
        ("111222333", "111222334"),
        ("12345678Z", "12345678A"),
        ("44051401359", "44051401358"),
        ("RSSMRA85T10A562S", "RSSMRA85Z10A562S"),
        ("1237 010180", "1236 010180"),
        ("131052-308T", "131052-308U"),
        ("640823+3234", "640823+3235"),
        ("2 55 08 14 168 025 38", "2 55 08 14 168 025 39"),
    ],
)
def test_a_national_number_is_told_by_its_check_digit(text: str, wrong: str) -> None:
    assert may_be_national_number(text)
    assert not may_be_national_number(wrong)


@pytest.mark.parametrize(
    ("cells", "filled", "names"),
    [
        (["Ada Nym", "Pseudo Nym", "An O'Nym"], 3, True),
        (["Nym, Ada", "Nym-Klein, Pseudo", "van der Nym, An"], 3, True),
        (["Mrs Nym", "Hr. Onym", "Dr. A. Nym"], 3, True),
        (["NYM ADA", "NYM PSEUDO", "ONYM ANN"], 4, True),
        (["Ада Ним", "Псевдо Ним", "Ан Оним"], 3, True),
        (["Meier", "Weber", "Klein", "Huber", "Bauer"], 6, True),
        (["Upper lip", "Left cheek", "Full face"], 3, False),
        (["Room Blue", "Room Red", "Room Green"], 90, False),
        (["film", "gel sheet", "hydro gel"], 3, False),
        (["A", "B", "C", "D", "E"], 5, False),
        (["R1", "R2", "R3"], 3, False),
        (["AB", "CD", "EF", "GH", "KL"], 5, False),
    ],
)
def test_names_are_told_by_how_they_begin_and_how_rarely_they_come_back(
    cells: list[str], filled: int, names: bool
) -> None:
    assert names_held(cells, filled) is names


@pytest.mark.parametrize(
    ("cells", "births"),
    [
        (["1984-05-03", "1971-12-01", "2001-02-28"], True),
        (["03.05.84", "01.12.71", "28.02.90"], True),
        (["3 May 1984", "1 Dec 1971", "28 Feb 1990"], True),
        (["2025-05-03", "2025-12-01", "2026-02-28"], False),
        (["1984-05-03", "2025-12-01", "2026-02-28", "2026-02-27"], False),
        (["45000", "12", "1984"], False),
    ],
)
def test_dates_of_birth_are_told_by_their_years(cells: list[str], births: bool) -> None:
    assert birthdays_held(cells) is births


@pytest.mark.parametrize(
    ("cells", "notes"),
    [
        (["was anxious and came with her husband", "", "fine"], True),
        (["line one\nline two"], True),
        (["film", "gel sheet", "silicone gel under gauze"], False),
    ],
)
def test_sentences_are_told_by_their_words(cells: list[str], notes: bool) -> None:
    assert notes_held(cells) is notes


_ROWS = [["R1", "P1", "S1"], ["R2", "P2", "S2"], ["R3", "P3", "S3"]]
_HELD = {
    "names of people": ["Ada Nym", "Pseudo Nym", "An Onym"],
    "dates of birth": ["1984-05-03", "1971-12-01", "1990-02-28"],
    "addresses": ["Hauptstraße 12", "Ringgasse 3", "12 High Street"],
    "telephone numbers": ["+44 7700 900123", "", ""],
    "e-mail addresses": ["", "", "ada@example.org"],
    "national or insurance numbers": ["123-45-6789", "219-09-9999", "457-55-5462"],
    "free text": ["was anxious and came with her husband", "", "called again on Tuesday about her redness"],
}


def _export(folder: Path, ids: list[list[str]], header: str, cells: list[str]) -> Path:
    head = (
        "record_id,patient_id,session_id,treated_on,practitioner_id,zone,skin_type,pulse_energy_mj,density_pct,passes"
    )
    lines = [
        ",".join([*row, "2026-03-02", "Dr. Ann Onym", "neck", "II", "12", "5", "1", f'"{cell}"'])
        for row, cell in zip(ids, cells, strict=True)
    ]
    path = folder / "export.csv"
    path.write_text("\n".join([f"{head},{header}", *lines]) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize("what", list(_HELD))
def test_an_identifier_below_an_innocent_header_stops_until_it_is_dropped(tmp_path: Path, what: str) -> None:
    path = _export(tmp_path, _ROWS, "Ref X", _HELD[what])
    found = check(path)
    assert [(p.column, p.kind) for p in found.problems if p.fatal] == [("Ref X", "identifier")]
    assert what in next(p.rule for p in found.problems if p.fatal)
    assert found.cases is None
    mapping = tmp_path / "mapping.toml"
    mapping.write_text('[drop]\ncolumns = ["Ref X"]\n', encoding="utf-8")
    assert check(path, mapping=mapping).problems == ()


def test_an_id_that_is_a_name_stops_and_asks_for_the_systems_own_number(tmp_path: Path) -> None:
    named = [["R1", "Ada Nym", "S1"], ["R2", "Pseudo Nym", "S2"], ["R3", "An Onym", "S3"]]
    (problem,) = check(_export(tmp_path, named, "lot", ["a", "b", "c"])).problems
    assert (problem.column, problem.kind, problem.fatal) == ("patient_id", "identifier", True)
    assert "number or code" in problem.remedy


def test_a_practitioner_may_be_called_by_name_and_a_site_by_its_street(tmp_path: Path) -> None:
    assert check(_export(tmp_path, _ROWS, "lot", ["a", "b", "c"])).problems == ()
    assert check(_export(tmp_path, _ROWS, "site_id", ["Ringgasse 3", "12 High Street", "Ringgasse 3"])).problems == ()
