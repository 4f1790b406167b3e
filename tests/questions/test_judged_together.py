"""Verdicts on practitioners allow for everything that an audit compares, not for one comparison alone."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.protocol import Protocol
from outcomes.questions.population import Population
from outcomes.questions.practitioner_model import Compared, Comparison, judged_rows, judged_together
from outcomes.records.vocabulary import OUTCOME


def _one(label: str, p: float | None, zones: int = 200) -> Compared:
    answer = (
        NotEstimable(label, "fewer zones than are judged", n=zones, unit="odds ratio")
        if p is None
        else Estimate(label, 1.6, 1.1, 2.3, "Firth", zones, unit="odds ratio", p_value=p)
    )
    return Compared(label, zones, zones, 10, 8.0, answer, answer, "")


def _comparison(where: str, p: list[float | None]) -> Comparison:
    none = NotEstimable("spread", "not asked", n=0)
    return Comparison(
        OUTCOME["hyperpigmentation"],
        where,
        Population(pd.DataFrame()),
        np.zeros(0, dtype=bool),
        tuple(_one(f"P{i}", each) for i, each in enumerate(p)),
        none,
        1.0,
        {},
        none,
    )


def test_a_difference_that_would_be_flagged_in_its_own_comparison_is_not_one_of_the_audit():
    """R 4.2: p.adjust(c(0.004, 0.6, 0.8, 0.012, 0.5, 0.9), "holm") = 0.024, 1, 1, 0.06, 1, 1; 0.012 alone of three: 0.036."""
    first, second = judged_together(
        [_comparison("all regions", [0.004, 0.6, 0.8]), _comparison("off the face", [0.012, 0.5, 0.9])], Protocol()
    )
    assert [each.verdict for each in first.each] == ["outside 95 %", "within limits", "within limits"]
    assert [each.verdict for each in second.each] == ["worth a look", "within limits", "within limits"]
    assert [each.against_rest.p_adjusted for each in (*first.each, *second.each)] == pytest.approx(
        [0.024, 1, 1, 0.06, 1, 1]
    )
    (alone,) = judged_together([_comparison("off the face", [0.012, 0.5, 0.9])], Protocol())
    assert alone.each[0].verdict == "outside 95 %"


def test_those_who_are_too_few_to_judge_do_not_count_as_tests():
    """R 4.2: p.adjust(c(0.0004, NA, 0.03), "holm") = 0.0008, NA, 0.03."""
    (found,) = judged_together([_comparison("all regions", [0.0004, None, 0.03])], Protocol())
    assert [each.verdict for each in found.each] == ["outside 99.8 %", "too few to judge", "outside 95 %"]
    assert judged_rows([found]) == 2
