"""Benefit: the invented clinic's own effects found, bounds that hold what was not graded, hard cases."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import pytest
from small_clinic import small_clinic

from outcomes.estimates.estimate import Estimate
from outcomes.protocol import SETTINGS, Protocol
from outcomes.questions.benefit import HELPED, benefit, benefit_candidates, graded
from outcomes.records.scope import Scope


@pytest.fixture(scope="module")
def finding(clinic, scope, protocol):
    return benefit(clinic, scope, replace(protocol, level=0.99))


def test_the_settings_effects_that_the_clinic_was_made_with_are_found(finding, truth):
    """Grades follow proportional odds, so that the odds ratio of a grade of 2 or more is that of any higher grade."""
    for s in SETTINGS:
        answer = finding.estimate(f"improvement of a quarter or more: {s.step_label}")
        made = math.exp(truth["improvement"]["log_odds_ratio_of_a_higher_grade"][s.column])
        assert answer.low < made < answer.high, s.label


def test_benefit_stands_beside_each_complication_for_each_setting(finding, protocol):
    table = finding.exhibits[0]
    assert len(table.rows) == len(SETTINGS) * (2 + len(protocol.modelled))
    assert {row.cells[0] for row in table.rows} == {"benefit", "complication"}


def test_shares_and_bounds_are_counts_of_the_records(clinic, scope, protocol, finding):
    candidates = benefit_candidates(clinic, scope, protocol)
    known, event = graded(candidates, HELPED)
    grade = known.frame["improvement_grade"].astype(int)
    answer = finding.estimate("improvement of a quarter or more, graded zones")
    assert (answer.n, answer.events) == (len(known), int((grade >= 2).sum()))
    low = finding.estimate("improvement of a quarter or more, lowest of all")
    high = finding.estimate("improvement of a quarter or more, highest of all")
    assert low.events == int(event.sum())
    assert high.events == int(event.sum()) + len(candidates) - len(known)
    assert low.value < answer.value < high.value


def test_what_is_associated_stands_in_the_headline_whichever_measure_it_is_of(clinic, scope, protocol):
    finding = benefit(clinic, scope, protocol)
    table = next(e for e in finding.exhibits if e.title.startswith("Adjusted odds ratios of benefit"))
    labels = {s.step_label: s.more for s in SETTINGS}
    found = [(row, labels[row.label[:1].lower() + row.label[1:]]) for row in table.rows if row.verdict == "associated"]
    assert found
    words = " ".join(sentence for word, sentence in finding.headlines if word == "associated")
    assert all(f"{more} went with" in words for _, more in found)


def test_nothing_graded_is_said(tmp_path):
    scope = Scope.quarter("2026Q3", date(2026, 10, 14))
    finding = benefit(small_clinic(tmp_path, [{"treated_on": "2026-01-05"} for _ in range(3)]), scope, Protocol())
    assert "nothing can be said" in finding.says[0]
    assert finding.headlines == ()
    none = benefit(small_clinic(tmp_path, [{}]), scope, Protocol())
    assert not any(isinstance(a, Estimate) for a in none.estimates)
