"""Whatever small data comes: a number with an interval, or "cannot say"; never nan, inf, zero width, p = 0 or 1.00."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from outcomes.estimates.binary import observe, patterns
from outcomes.estimates.design import Category, Numeric, build
from outcomes.estimates.estimate import Answer, Estimate, Fit, NotEstimable
from outcomes.estimates.firth import penalised
from outcomes.estimates.likelihood import Surface
from outcomes.estimates.logistic import maximum_likelihood
from outcomes.estimates.mixed import random_intercept
from outcomes.estimates.standardise import standardised_risks

LEVELS = ("I", "II", "III", "IV")


@st.composite
def small_data(draw) -> pd.DataFrame:
    rows = draw(st.integers(1, 40))
    patients = draw(st.integers(1, max(1, rows)))

    def column(values):
        return draw(st.lists(values, min_size=rows, max_size=rows))

    return pd.DataFrame(
        {
            "patient": column(st.integers(1, patients)),
            "event": column(st.sampled_from((0, 0, 0, 1))),
            "energy": column(st.sampled_from((5.0, 10.0, 10.0, 20.0, 1000.0))),
            "skin": pd.Series(column(st.sampled_from(LEVELS[:3])), dtype=pd.CategoricalDtype(LEVELS)),
            "test_patch": column(st.booleans()),
        }
    )


def terms() -> list:
    return [Numeric("energy", per=5), Category("skin", "II"), Numeric("test_patch")]


def check(answer: Answer) -> None:
    if isinstance(answer, NotEstimable):
        assert answer.reason
        return
    limits = [limit for limit in (answer.low, answer.high) if limit is not None]
    assert limits
    assert all(math.isfinite(number) for number in (answer.value, *limits))
    assert answer.p_value is None or 0 < answer.p_value <= 1
    if len(limits) == 2:
        assert limits[0] < limits[1]


@settings(max_examples=50, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(rows=small_data(), clustered=st.booleans())
@pytest.mark.parametrize("fit_model", [penalised, maximum_likelihood])
def test_every_answer_is_a_number_with_an_interval_or_a_reason(fit_model, rows, clustered):
    design = build(rows, terms())
    fit = fit_model(design, rows["event"], cluster=rows["patient"] if clustered else None)
    if isinstance(fit, NotEstimable):
        assert fit.n == len(rows)
        return
    for answer in fit.terms:
        check(answer)
    present = set(rows["skin"])
    for level in LEVELS:
        for answer in fit.terms:
            if answer.term.startswith(f"skin {level} ") and level not in present:
                assert isinstance(answer, NotEstimable)
                assert answer.reason == "no cases"
    assert np.all(np.isfinite(fit.coefficients))
    assert np.all(np.isfinite(fit.covariance))
    found = standardised_risks(fit, [design.matrix, design.evaluate(rows.assign(energy=10.0))], ["as is", "at 10"])
    for answer in (*found.risks, found.difference(0, 1), found.ratio(0, 1)):
        check(answer)
        if isinstance(answer, Estimate) and answer.unit == "proportion":
            assert 0 <= answer.low < answer.high <= 1


@settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(rows=small_data())
def test_random_intercepts_answer_or_say_why(rows):
    fit = random_intercept(build(rows, [Numeric("test_patch")]), rows["event"], group=rows["patient"] % 5)
    if isinstance(fit, NotEstimable):
        assert fit.reason
        return
    for answer in (*fit.terms, fit.details["between_sd"]):
        check(answer)
    assert all(math.isfinite(mode) and spread > 0 for mode, spread in fit.details["modes"].values() if spread)


@settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(rows=small_data(), seed=st.integers(0, 2**31))
def test_row_order_and_spelling_of_patients_do_not_matter(rows, seed):
    shuffled = rows.sample(frac=1, random_state=seed)
    first = penalised(build(rows, terms()), rows["event"], cluster=rows["patient"])
    second = penalised(build(shuffled, terms()), shuffled["event"], cluster="p " + shuffled["patient"].astype(str))
    assert type(first) is type(second)
    if isinstance(first, Fit) and isinstance(second, Fit):
        assert second.coefficients == pytest.approx(first.coefficients, rel=1e-5, abs=1e-6)
        for a, b in zip(first.terms, second.terms, strict=True):
            assert type(a) is type(b)
            if isinstance(a, Estimate) and isinstance(b, Estimate) and a.low is not None and b.low is not None:
                assert math.log(b.low) == pytest.approx(math.log(a.low), rel=1e-6, abs=1e-6)


def few_events() -> pd.DataFrame:
    """Twenty-six invented zones with seven events, whose constrained penalised likelihood has several maxima."""
    return pd.DataFrame(
        {
            "region": list("cbaabaabdbcbadbaaaabbadaab"),
            "energy": [10, 20, 5, 20, 100, 5, 10, 10, 100, 100, 5, 10, 10,
                       20, 10, 10, 10, 100, 20, 10, 10, 10, 5, 5, 10, 100],
            "patch": [1, 0, 1, 1, 0, 1, 0, 0, 0, 1, 0, 1, 0, 1, 0, 0, 1, 1, 1, 1, 0, 0, 0, 1, 0, 0],
            "event": [1, 1, 0, 1, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0, 0, 0, 1],
        }
    )  # fmt: skip


def test_the_highest_of_several_maxima_is_taken():
    rows = few_events()
    design = build(rows, [Category("region", "a"), Numeric("energy"), Numeric("patch")])
    surface = Surface.of(observe(design, rows["event"]), 0.5)
    best, column = surface.maximum(), design.names.index("patch")
    error = np.sqrt(best.inverse[column, column])
    draw = np.random.default_rng(1)
    for side in (-6, -3, 3, 6):
        value = float(best.point[column] + side * error)
        highest = surface.held(column, value, best).value
        for _ in range(10):
            start = best.point + draw.normal(size=len(best.point)) * 2 * np.sqrt(np.diag(best.inverse))
            start[column] = value
            assert surface.maximum(surface.at(start), fixed=column, precision=1e-8).value <= highest + 1e-7


@settings(max_examples=6, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 2**31))
def test_limits_of_few_events_do_not_depend_on_the_order_of_rows(seed):
    rows = few_events().assign(patient=np.repeat(range(13), 2))
    shuffled = rows.sample(frac=1, random_state=seed)
    for cluster in (None, "patient"):
        found = [
            penalised(
                build(part, [Category("region", "a"), Numeric("energy"), Numeric("patch")]),
                part["event"],
                cluster=None if cluster is None else part[cluster],
            )
            for part in (rows, shuffled)
        ]
        for a, b in zip(found[0].terms, found[1].terms, strict=True):
            assert (a.low, a.high, a.p_value) == pytest.approx((b.low, b.high, b.p_value), rel=1e-6)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(rows=small_data(), seed=st.integers(0, 2**31))
def test_patterns_are_the_distinct_rows_in_an_order_of_their_own(rows, seed):
    design = build(rows, terms())
    for matrix, groups in ((design.matrix, design.level_groups), (design.matrix, None), (-design.matrix, None)):
        pattern, first = patterns(matrix, groups)
        assert len(first) == len(np.unique(matrix, axis=0))
        assert np.array_equal(matrix[first][pattern], matrix)
        order = np.random.default_rng(seed).permutation(len(matrix))
        again, place = patterns(matrix[order], groups)
        assert np.array_equal(again, pattern[order])
        assert np.array_equal(matrix[order][place], matrix[first])


def test_patterns_beyond_what_one_number_holds():
    # 120 columns of 0 and 1 and 30 of many values need more than 63 bits
    draw = np.random.default_rng(3)
    matrix = np.column_stack([draw.integers(0, 2, (500, 120)), draw.integers(0, 400, (500, 30))]).astype(float)
    matrix = np.vstack([matrix, matrix[::-1], matrix[:1] + np.array([1e-12, *np.zeros(149)])])
    pattern, first = patterns(matrix)
    assert len(first) == len(np.unique(matrix, axis=0)) == 501
    assert np.array_equal(matrix[first][pattern], matrix)
