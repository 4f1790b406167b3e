"""Rank tests for interval-censored times against published values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.estimates.estimate import NotEstimable
from outcomes.estimates.interval_tests import interval_rank_test

NEVER = math.nan
# Freireich EJ et al. (1963) Blood 21:699-716, weeks of remission, 6-MP then control.
WEEKS = [10, 7, 32, 23, 22, 6, 16, 34, 32, 25, 11, 20, 19, 6, 17, 35, 6, 13, 9, 6, 10,
         1, 22, 3, 12, 8, 17, 2, 11, 8, 12, 2, 5, 4, 15, 8, 23, 5, 11, 4, 1, 8]  # fmt: skip
RELAPSE = [1, 1, 0, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 1, 0, 0, 1, 1, 0, 0, 0, *[1] * 21]
DRUG = ["6-MP"] * 21 + ["control"] * 21


def relapsed_by() -> list[float]:
    return [t if e else NEVER for t, e in zip(WEEKS, RELAPSE, strict=True)]


def test_exact_times_give_the_log_rank_score():
    # 9 relapses on 6-MP against 19.2505 expected (R 4.2, survdiff; printed as 19.3 in Cox and Oakes 1984)
    found = interval_rank_test(WEEKS, relapsed_by(), DRUG)
    assert found.groups == ("6-MP", "control")
    assert found.score == pytest.approx([9 - 19.2505009480311, 21 - 10.7494990519689], rel=1e-9)
    assert found.z < 0
    assert found.p_value < 0.001


@pytest.mark.parametrize(
    ("scores", "name"), [("sun", "sun_logrank"), ("finkelstein", "finkelstein_logrank"), ("wilcoxon", "wmw")]
)
def test_breast_cosmesis(reference, scores, name):
    # Finkelstein DM, Wolfe RA (1985) Biometrics 41:933-945; values as printed in Fay and Shaw (2010), six decimals
    frame = reference.frame("bcos")
    expected = reference.item("surv.interval.bcos.tests")["expected"][name]
    found = interval_rank_test(frame["left"], frame["right"], frame["treatment"], scores=scores)
    assert found.groups[0] == "Rad"
    assert found.score[0] == pytest.approx(expected["score"], rel=1e-9)
    assert found.z == pytest.approx(expected["z"], rel=1e-9)
    assert found.p_value == pytest.approx(expected["p_two_sided"], rel=1e-8)


def test_repeating_records_within_a_patient_adds_nothing():
    alone = interval_rank_test(WEEKS, relapsed_by(), DRUG, cluster=np.arange(42))
    repeated = interval_rank_test(
        np.repeat(WEEKS, 3), np.repeat(relapsed_by(), 3), np.repeat(DRUG, 3), cluster=np.repeat(np.arange(42), 3)
    )
    assert repeated.z == pytest.approx(alone.z, rel=1e-9)
    blind = interval_rank_test(np.repeat(WEEKS, 3), np.repeat(relapsed_by(), 3), np.repeat(DRUG, 3))
    assert abs(blind.z) > 1.6 * abs(alone.z)


def test_order_names_and_units_do_not_matter():
    plain = interval_rank_test(WEEKS, relapsed_by(), DRUG)
    order = np.random.default_rng(2).permutation(42)
    days = interval_rank_test(7 * np.array(WEEKS)[order], 7 * np.array(relapsed_by())[order], np.array(DRUG)[order])
    assert days.z == pytest.approx(plain.z, rel=1e-9)


def test_three_groups():
    kinds = np.array(DRUG)
    kinds[:7] = "first"
    found = interval_rank_test(WEEKS, relapsed_by(), kinds, cluster=np.arange(42))
    assert found.degrees_of_freedom == 2
    assert found.z is None
    assert found.score.sum() == pytest.approx(0, abs=1e-9)


def test_level_is_kept_without_a_difference():
    generator = np.random.default_rng(4)
    p = []
    for _ in range(300):
        patient = np.repeat(np.arange(60), 3)
        group = np.repeat(generator.integers(0, 2, 60), 3)
        time = np.exp(2 + generator.normal(0, 0.5, 60)[patient] + generator.normal(0, 0.2, 180))
        after = np.floor(time / 3) * 3
        p.append(interval_rank_test(after, after + 3, group, cluster=patient).p_value)
    assert 0.02 <= np.mean(np.array(p) < 0.05) <= 0.085


def test_what_cannot_be_tested_says_why():
    assert interval_rank_test([], [], []).reason == "no cases"
    assert interval_rank_test([1, 2], [3, 4], ["a", "a"]).reason == "one group only"
    assert interval_rank_test([1, 2], [NEVER, NEVER], ["a", "b"]).reason == "no record was seen to get there"
    assert interval_rank_test([1, 2], [3, 4], ["a", "b"], cluster=[1, 2]).reason == "2 patients in 2 groups"
    assert interval_rank_test([1, 1, 1], [3, 3, 3], ["a", "b", "a"]).reason == "all records are alike"
    with pytest.raises(ValueError, match="group is missing at position 1"):
        interval_rank_test([1, 2], [3, 4], ["a", None])
    with pytest.raises(ValueError, match="scores"):
        interval_rank_test([1, 2], [3, 4], ["a", "b"], scores="gray")


records = st.tuples(st.integers(0, 9), st.one_of(st.none(), st.integers(0, 6)), st.integers(0, 2), st.integers(0, 8))


@given(st.lists(records, min_size=1, max_size=30), st.sampled_from(["sun", "finkelstein", "wilcoxon"]), st.booleans())
def test_every_set_of_records_gets_a_probability_or_a_reason(rows, scores, clustered):
    after = [a for a, *_ in rows]
    by = [NEVER if w is None else a + w for a, w, _, _ in rows]
    found = interval_rank_test(
        after, by, [g for _, _, g, _ in rows], cluster=[c for *_, c in rows] if clustered else None, scores=scores
    )
    if isinstance(found, NotEstimable):
        assert found.reason
    else:
        assert 0 < found.p_value <= 1
        assert np.all(np.isfinite(found.score))
        assert math.isfinite(found.chi_square)
