"""Actions: overdue first, proposals from what was not met, each with owner and date; by hand."""

from __future__ import annotations

from datetime import date, timedelta

from outcomes.estimates.proportion import proportion
from outcomes.protocol import Protocol
from outcomes.questions.actions import actions, proposed_due, state_of
from outcomes.questions.criteria_judge import Judged, Judgement
from outcomes.records.actions import Action, ActionRegister
from outcomes.records.scope import Scope

SCOPE = Scope.quarter("2026Q3", date(2026, 10, 14))
PROTOCOL = Protocol()


def _judged(name, fitting, counted, verdict, before="met"):
    criterion = PROTOCOL.criterion(name)
    answer = proportion(fitting, counted, term=name)

    def one(quarter, word):
        return Judgement(
            criterion, quarter, SCOPE.start, SCOPE.end, counted, counted, fitting, (), answer, word
        )  # fmt: skip

    return Judged(one("2026Q3", verdict), one("2026Q2", before), answer, 0)


def _register(*entries):
    return ActionRegister(tuple(entries), (), len(entries), 0, 0, "")


def _entry(row, due, *, is_open=True, criterion="pain", evidence=""):
    return Action(row, f"Action {row}", criterion, "nurse lead", due, is_open, evidence)


def test_overdue_begins_the_day_after_it_was_due():
    day = SCOPE.as_of
    assert state_of(_entry(2, day), day) == "Open"
    assert state_of(_entry(2, day - timedelta(days=1)), day) == "Overdue"
    assert state_of(_entry(2, day - timedelta(days=1), is_open=False), day) == "Closed without evidence"
    assert state_of(_entry(2, day, is_open=False, evidence="log"), day) == "Closed"


def test_the_register_stands_with_the_oldest_overdue_first():
    register = _register(
        _entry(2, date(2026, 12, 31)),
        _entry(3, date(2026, 9, 30)),
        _entry(4, date(2026, 3, 31)),
        _entry(5, date(2026, 6, 30), is_open=False, evidence="log"),
    )
    finding = actions(register, [], SCOPE, PROTOCOL)
    (grid,) = finding.exhibits
    assert [row[0] for row in grid.rows] == ["Action 4", "Action 3", "Action 2", "Action 5"]
    assert grid.groups == ("Overdue", "Overdue", "Open", "Closed")
    assert grid.rows[0][3] == "31 March 2026, 197 days late"
    assert finding.says[0] == "Of four actions in the register, two overdue, one open and one closed."
    assert finding.headlines[0][1].startswith("Two actions are overdue, due since 31 March 2026")


def test_each_criterion_not_met_becomes_a_numbered_proposal():
    judged = [
        _judged("consent_before_treatment", 95, 100, "not met", before="not met"),
        _judged("settings_complete", 100, 100, "met"),
        _judged("pain", 50, 100, "not met"),
        _judged("improvement", 75, 100, "not shown"),
    ]
    finding = actions(_register(_entry(2, date(2026, 9, 30))), judged, SCOPE, PROTOCOL)
    grid = finding.exhibits[1]
    assert [(row[0], row[2], row[3], row[4]) for row in grid.rows] == [
        ("1", "clinical lead", "31 December 2026", "none"),
        ("2", "nurse lead", "31 December 2026", "overdue"),
    ]
    assert "5 failures in 100 sessions" in grid.rows[0][1]
    assert "not in the quarter before either" in grid.rows[0][1]
    assert "50.0 %, 95 % CI" in grid.rows[1][1]
    assert "target at least 80.0 %" in grid.rows[1][1]
    assert finding.requests == (
        "Settle one overdue action: finish, move or drop.",
        "Adopt, change or drop proposals 1 to 2.",
    )


def test_without_a_register_and_with_nothing_missed_that_is_said():
    finding = actions(None, [_judged("settings_complete", 9, 9, "met")], SCOPE, PROTOCOL)
    assert finding.exhibits == ()
    assert finding.says[0].startswith("No register of earlier actions was given")
    assert finding.says[1].startswith("No criterion was found not met")
    assert finding.brief == ""


def test_a_proposal_is_never_due_before_there_is_time_to_act():
    assert proposed_due(SCOPE) == date(2026, 12, 31)
    assert proposed_due(Scope.quarter("2026Q3", date(2026, 12, 20))) == date(2027, 3, 31)
    assert proposed_due(Scope.quarter("2024Q1", date(2026, 10, 14))) == date(2026, 12, 31)


def test_texts_held_back_are_counted():
    register = ActionRegister((_entry(2, date(2026, 12, 31)),), (), 1, 0, 2, "")
    assert "Two texts of the register not shown" in actions(register, [], SCOPE, PROTOCOL).exclusions[0]
