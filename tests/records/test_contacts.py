"""Two rows of one contact that contradict each other are both refused: which is right is not for a program to guess."""

from __future__ import annotations

from pathlib import Path

import pytest

from outcomes.records.load import Checked, check

ZONES = """record_id,patient_id,session_id,treated_on,practitioner_id,zone,skin_type,pulse_energy_mj,density_pct,passes
R1,P1,S1,2026-03-02,A,neck,II,12,5,1
R2,P2,S2,2026-03-02,A,chin,II,12,5,1
"""


def checked(folder: Path, *visits: str) -> Checked:
    (folder / "zones.csv").write_text(ZONES, encoding="utf-8")
    head = "record_id,session_id,day,seen_on,contact,scheduled,healed,redness,scarring_severity"
    (folder / "visits.csv").write_text("\n".join([head, *visits]) + "\n", encoding="utf-8")
    return check(folder / "zones.csv", visits=folder / "visits.csv")


@pytest.mark.parametrize(
    ("first", "second", "column"),
    [
        ("R1,,7,,in_person,yes,yes,,", "R1,,7,,in_person,yes,no,,", "healed"),
        ("R1,,,2026-03-09,in_person,yes,,yes,", "R1,,,2026-03-09,in_person,yes,,no,", "redness"),
        (",S1,7,,,,,,1", ",S1,7,,,,,,3", "scarring_severity"),
    ],
)
def test_rows_of_one_contact_that_differ_are_refused(tmp_path: Path, first: str, second: str, column: str) -> None:
    found = checked(tmp_path, first, second, "R2,,7,,in_person,yes,yes,,")
    assert [(p.kind, p.row, p.column) for p in found.problems] == [
        ("contact_conflict", 2, column), ("contact_conflict", 3, column),
    ]  # fmt: skip
    assert (found.source.count("visits").rows_read, found.source.count("visits").rows_accepted) == (3, 1)


@pytest.mark.parametrize(
    "second",
    [
        "R1,,7,,phone,yes,no,,",  # another kind of contact
        "R1,,8,,in_person,yes,no,,",  # another day
        "R1,,7,,in_person,no,no,,",  # one planned, one not
        "R1,,7,,in_person,yes,,no,",  # another question
        "R2,,7,,in_person,yes,no,,",  # another record
    ],
)
def test_rows_of_two_contacts_or_two_questions_are_taken(tmp_path: Path, second: str) -> None:
    assert checked(tmp_path, "R1,,7,,in_person,yes,yes,,", second).problems == ()
