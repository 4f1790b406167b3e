"""Direct identifiers stop an export, by header or by content, until the mapping drops them."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from outcomes.records.contract import CONTRACT
from outcomes.records.mapping import Mapping, apply_mapping, parse_mapping
from outcomes.records.privacy import check_identifiers, identifier_held, identifier_of
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
    ],
)
def test_headers_that_announce_an_identifier(header: str, what: str) -> None:
    assert identifier_of(header) == what


@pytest.mark.parametrize(
    "header",
    ["Patient no", "Device name", "Zone name", "Practitioner name", "Operator initials", "Contact", "Contact type",
     "Energy (mJ)",
        "NIR lamp",
        "NHS or private",
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
        (["+44 7700 900123", "neck", "chin"], None),
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
