"""The register of actions: every row accepted or refused with its reason; nothing that may name a person is shown."""

from __future__ import annotations

from datetime import date

import pytest

from outcomes.errors import ExportRejected
from outcomes.protocol import CRITERIA
from outcomes.records.actions import HELD_BACK, Action, may_identify, read_actions
from outcomes.records.synthetic import clinic_files

_HEAD = "action,criterion,owner role,due,status,evidence\n"
_IDS = [criterion.id for criterion in CRITERIA]


def _read(tmp_path, text, ids=()):
    path = tmp_path / "actions.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return read_actions(path, _IDS, ids)


def test_a_row_is_read_as_it_stands(tmp_path):
    register = _read(
        tmp_path, _HEAD + "Weigh all,injected_dose,nurse lead,2026-06-30,Open,\n\nTeach,,lead,2026-07-01,closed,log\n"
    )
    assert register.actions == (
        Action(2, "Weigh all", "injected_dose", "nurse lead", date(2026, 6, 30), True),
        Action(4, "Teach", "", "lead", date(2026, 7, 1), False, "log"),
    )
    assert (register.rows_read, register.rows_refused, register.problems) == (2, 0, ())


def test_other_orders_names_and_delimiters_are_read(tmp_path):
    register = _read(tmp_path, "Status;Due date;Owner;Action;Cost\nopen;2026-06-30;lead;Weigh all;12\n")
    assert register.actions == (Action(2, "Weigh all", "", "lead", date(2026, 6, 30), True),)


@pytest.mark.parametrize(
    ("row", "column", "rule"),
    [
        (",pain,lead,2026-06-30,open,", "action", "must be given"),
        ("Do,pain,,2026-06-30,open,", "owner role", "must be given"),
        ("Do,pain,lead,30/06/2026,open,", "due", "YYYY-MM-DD"),
        ("Do,pain,lead,2026-06-31,open,", "due", "YYYY-MM-DD"),
        ("Do,pain,lead,2026-06-30,half,", "status", "open or closed"),
        (f"{'x' * 301},pain,lead,2026-06-30,open,", "action", "longer than 300"),
    ],
)
def test_a_faulty_row_is_refused_with_two_sentences_and_without_its_text(tmp_path, row, column, rule):
    register = _read(tmp_path, _HEAD + row + "\nDo,pain,lead,2026-06-30,open,\n")
    assert (register.rows_read, len(register.actions), register.rows_refused) == (2, 1, 1)
    (problem,) = register.problems
    assert (problem.table, problem.row, problem.column) == ("actions", 2, column)
    assert rule in problem.rule
    assert problem.remedy.endswith(".")
    assert "half" not in problem.rule
    assert "30/06" not in problem.rule


def test_an_unknown_criterion_is_kept_and_said(tmp_path):
    register = _read(tmp_path, _HEAD + "Do,pian,lead,2026-06-30,open,\n")
    assert register.actions[0].criterion == "pian"
    assert register.problems[0].remedy == 'Did you mean "pain"?'


@pytest.mark.parametrize(
    "text",
    [
        "Ring Mrs Example about it",
        "see T000123",
        "patient 0041253",
        "mail a@example.org",
        "call +44 20 7946 0000",
        "born in May",
        "file of 3/4/1961",
        "Dr Example to check",
        "R7 first",
    ],
)
def test_what_may_identify_a_person_is_held_back(tmp_path, text):
    register = _read(tmp_path, _HEAD + f'Do it,pain,lead,2026-06-30,open,"{text}"\n', {"R7"})
    assert register.actions[0].evidence == HELD_BACK
    assert register.texts_held_back == 1
    assert text not in str(register)


@pytest.mark.parametrize(
    "text",
    [
        "Agreed in 2026Q2, due 2026-09-30",
        "Audit of 14 October 2026: 12 of 300 sessions",
        "Second set of shields at site 2",
        "2 % lidocaine, 4.5 mg/kg",
        "No photograph missed",
    ],
)
def test_plain_words_are_shown(text):
    assert not may_identify(text, {"R7", "photograph"})


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("", "not a table"),
        ("action,criterion\nx,y\n", "has no column owner role"),
        (_HEAD.replace("evidence", "action"), "two columns action"),
        (_HEAD + 'Do,"pain,lead,2026-06-30,open,\n', "quotation mark"),
    ],
)
def test_a_register_that_is_none_is_refused_in_two_sentences(tmp_path, content, said):
    with pytest.raises(ExportRejected) as caught:
        _read(tmp_path, content)
    assert said in caught.value.wrong
    assert caught.value.remedy.endswith(".")


def test_a_register_that_is_not_there_is_named_without_its_folder(tmp_path):
    with pytest.raises(ExportRejected) as caught:
        read_actions(tmp_path / "actions.csv")
    assert str(tmp_path) not in str(caught.value)


def test_the_invented_register_has_no_fault():
    register = read_actions(clinic_files()["actions"], _IDS)
    assert (register.rows_read, len(register.actions), register.problems, register.texts_held_back) == (7, 7, (), 0)
