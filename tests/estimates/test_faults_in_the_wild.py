"""Faults that general programs show on small clinical files, and whole kinds of them.

Cases that other tests hold with their values and sources: separation (test_firth: test_complete_separation_has_a_closed
form), direction of a text outcome, levels without rows, weights, a fit after another (test_logistic), visits out of
order (test_marginal), ties in Cox's model (test_cox), bounds of intervals (test_accelerated, test_interval_censored),
negative durations, ends of a Kaplan–Meier curve, tied competing events (test_incidence), no events (test_proportion),
resetting a chart (test_charts). Here are what remains of those cases, and properties that no estimator may break.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from outcomes.estimates.accelerated import accelerated_failure_time
from outcomes.estimates.charts import gaps_between_events, risk_adjusted_cusum
from outcomes.estimates.cox import proportional_hazards
from outcomes.estimates.design import Category, Numeric, build
from outcomes.estimates.estimate import Answer, Estimate, Fit, NotEstimable
from outcomes.estimates.firth import ladder, penalised
from outcomes.estimates.incidence import kaplan_meier
from outcomes.estimates.logistic import maximum_likelihood
from outcomes.estimates.marginal import estimating_equations
from outcomes.estimates.mean import clustered_mean
from outcomes.estimates.proportion import clustered_proportion, proportion
from outcomes.estimates.turnbull import turnbull

SKIN = pd.CategoricalDtype(["I", "II", "III", "IV"], ordered=True)


# ---- cases ----


def test_a_chart_follows_dates_and_the_order_within_a_day():
    # Twelve invented cases as a file has them, (date in January, sequence in the day, complication); risk 0.10 against
    # odds 2.25 times as high, limit 1.5. In file order the alarm falls on another case.
    file = [
        (9, 1, 0), (2, 1, 0), (2, 2, 1), (3, 1, 0), (12, 1, 0), (5, 1, 1), (8, 1, 0), (10, 1, 1), (11, 1, 1),
        (15, 1, 0), (16, 1, 0), (5, 2, 1),
    ]  # fmt: skip
    rows = pd.DataFrame(file, columns=["day", "sequence", "event"]).sort_values(["day", "sequence"])
    chart = risk_adjusted_cusum(rows["event"], np.full(12, 0.1), odds_ratio=2.25, limit=1.5)
    assert [rows.iloc[i]["day"] for i in chart.signals] == [5]
    assert chart.path[4] == pytest.approx(1.961659, abs=1e-6)


def test_means_of_zones_are_never_counts_of_them():
    # Mean pain 2.1 … 4.2 of 4, 9, 16, 25, 9, 4 zones: six numbers, whatever weight they carry. The package takes single
    # records, so six means have the error of six; used as frequencies they would have that of 67.
    pain = [2.1, 2.6, 2.4, 3.4, 3.3, 4.2]
    answer = clustered_mean(pain, np.arange(6))
    assert answer.n == answer.patients == 6
    half = (answer.high - answer.low) / 2
    assert half == pytest.approx(2.570582 * np.std(pain, ddof=1) / math.sqrt(6), rel=1e-6)  # t, 5 degrees of freedom


def test_separation_by_one_empty_cell_is_seen_whatever_the_clusters():
    # Low density 0 of 12, high 4 of 10: clustered programs report p = 0 here, with convergence and no warning.
    rows = pd.DataFrame({"density": ["low"] * 12 + ["high"] * 10, "patient": np.repeat(range(11), 2)})
    event = [0] * 12 + [1, 0] * 4 + [0] * 2
    design = build(rows, [Category("density", "low")])
    for fit in (
        maximum_likelihood(design, event),
        maximum_likelihood(design, event, cluster=rows["patient"]),
        estimating_equations(design, event, cluster=rows["patient"]),
    ):
        assert isinstance(fit, NotEstimable)
        assert fit.reason.startswith("separation")
    answer = penalised(design, event, cluster=rows["patient"]).terms[0]
    assert answer.value == pytest.approx(4.5 * 12.5 / (0.5 * 6.5))
    assert 0 < answer.low < answer.value
    assert answer.p_value > 1e-4


def test_overlap_is_proved_without_a_linear_programme_and_by_it():
    # Patterns with events and non-events that span all columns prove that nothing separates; three patterns of four
    # do not span two main effects and their product, and the programme decides.
    rows = pd.DataFrame({"a": [0, 1, 0, 1], "b": [0, 0, 1, 1], "k": [1, 2, 1, 3], "n": [9, 9, 9, 9]})
    rows["ab"] = rows["a"] * rows["b"]
    both = build(rows, [Numeric("a"), Numeric("b"), Numeric("ab")])
    assert isinstance(maximum_likelihood(both, rows["k"], trials=rows["n"]), Fit)
    emptied = maximum_likelihood(both, rows["k"].where(rows["ab"] == 0, 0), trials=rows["n"])
    assert isinstance(emptied, NotEstimable)
    main = build(rows, [Numeric("a"), Numeric("b")])
    assert isinstance(maximum_likelihood(main, rows["k"].where(rows["ab"] == 0, 0), trials=rows["n"]), Fit)


def test_separation_too_fine_for_the_linear_programme_is_seen():
    # One setting recorded as a million among 5 to 20 hides the separation of all others behind its scale.
    energy = [1e6, 1e6, 10, 20, 10, 20, 5, 5, 10, 5, 5, 10, 10, 20, 10, 1e6]
    skin = ["IV", "I", "II", "I", "I", "II", "II", "IV", "III", "II", "IV", "I", "III", "III", "I", "III"]
    side = [0, 0, 0, 1, 1, 0, 0, 1, 1, 1, 0, 1, 1, 1, 0, 0]
    rows = pd.DataFrame({"energy": energy, "side": side, "skin": pd.Series(skin, dtype=SKIN)})
    event = [1, 1, 0, 1, 0, 1, 1, 0, 0, 1, 1, 1, 0, 0, 1, 1]
    design = build(rows, [Category("skin", "II"), Numeric("energy", per=5), Numeric("side")])
    for limits in ("wald", "profile"):
        fit = maximum_likelihood(design, event, limits=limits)
        assert isinstance(fit, NotEstimable)
        assert fit.reason.startswith("separation")


def test_event_after_event_leaves_no_gap():
    found = gaps_between_events([0, 1, 1, 1, 0])
    assert (found.gaps.tolist(), found.centre, found.risk) == ([0, 0], 0.0, 1.0)
    assert (found.median, found.longest, found.tail.tolist()) == (0.0, 0.0, [1.0, 1.0])


# ---- kinds ----


@st.composite
def records(draw) -> pd.DataFrame:
    """Records with events and without, several patients, ties, equal and open bounds, bounds at 0."""
    n = draw(st.integers(8, 40))

    def column(values) -> list:
        return draw(st.lists(values, min_size=n, max_size=n))

    rows = pd.DataFrame(
        {
            "patient": column(st.integers(0, 24)),
            "event": column(st.sampled_from((0, 1))),
            "energy": column(st.sampled_from((5.0, 10.0, 15.0, 20.0))),
            "after": column(st.sampled_from((0.0, 0.0, 3.0, 7.0))),
            "wait": column(st.sampled_from((0.0, 2.0, 4.0))),
            "open": column(st.booleans()),
        }
    )
    rows["skin"] = pd.Series(column(st.sampled_from(("I", "II", "III"))), dtype=SKIN)
    rows["by"] = (rows["after"] + rows["wait"]).where(~rows["open"])
    assume(0 < rows["event"].sum() < n)
    return rows


Model = Callable[[pd.DataFrame, list], Any]
TERMS = [Category("skin", "I"), Numeric("energy")]


def by_firth(rows: pd.DataFrame, terms: list) -> Any:
    # as everywhere, only where the ladder allows a model: below it the likelihood can have several maxima
    design, had = build(rows, terms), rows.loc[rows["event"] == 1, "patient"].nunique()
    rung = ladder(len(design.names) - 1, had, int(rows["event"].sum()))
    if rung.rung != "penalised":
        return NotEstimable("model", rung.reason, len(rows))
    return penalised(design, rows["event"], cluster=rows["patient"])


def by_likelihood(rows: pd.DataFrame, terms: list) -> Any:
    return maximum_likelihood(build(rows, terms), rows["event"], cluster=rows["patient"])


def by_equations(rows: pd.DataFrame, terms: list) -> Any:
    return estimating_equations(build(rows, terms), rows["event"], cluster=rows["patient"])


def by_hazard(rows: pd.DataFrame, terms: list) -> Any:
    return proportional_hazards(
        build(rows, terms), rows["after"] + rows["wait"], rows["event"], cluster=rows["patient"]
    )


def by_time(rows: pd.DataFrame, terms: list) -> Any:
    return accelerated_failure_time(build(rows, terms), rows["after"], rows["by"], cluster=rows["patient"])


MODELS = [by_firth, by_likelihood, by_equations, by_hazard, by_time]
search = settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def agree(one: Any, other: Any) -> None:
    """Two fits say the same."""
    assert type(one) is type(other)
    if isinstance(one, NotEstimable):
        assert one.reason.split(" for ")[0] == other.reason.split(" for ")[0]  # levels are named after it
        return
    for a, b in zip(one.terms, other.terms, strict=True):
        same(a, b)


def same(a: Answer, b: Answer) -> None:
    assert type(a) is type(b)
    if isinstance(a, Estimate) and isinstance(b, Estimate):
        for x, y in ((a.value, b.value), (a.low, b.low), (a.high, b.high)):
            assert (x is None) == (y is None)
            if x is not None and y is not None:
                assert math.log(y) == pytest.approx(math.log(x), rel=1e-4, abs=1e-4)


@search
@given(rows=records(), seed=st.integers(0, 99))
@pytest.mark.parametrize("model", MODELS)
def test_order_of_rows_and_calls_before_do_not_matter(model, rows, seed):
    first = model(rows, TERMS)
    model(rows[rows["energy"] > 5].reset_index(drop=True), [Numeric("energy")])
    agree(first, model(rows.sample(frac=1, random_state=seed), TERMS))
    agree(first, model(rows, TERMS))


@search
@given(rows=records())
@pytest.mark.parametrize("model", MODELS)
def test_spelling_of_levels_and_patients_does_not_matter(model, rows):
    words = {"I": " i", "II": "Typ 2 é", "III": "III ", "IV": "4"}
    spelt = rows.assign(skin=rows["skin"].cat.rename_categories(words), patient="P-" + rows["patient"].astype(str))
    one, other = model(rows, TERMS), model(spelt, [Category("skin", words["I"]), Numeric("energy")])
    agree(one, other)


@search
@given(rows=records(), scale=st.sampled_from([1e-3, 1e3]))
@pytest.mark.parametrize("model", MODELS)
def test_units_of_a_setting_do_not_matter(model, rows, scale):
    terms = [Category("skin", "I"), Numeric("energy", per=scale, label="energy")]
    agree(model(rows, TERMS), model(rows.assign(energy=7 + rows["energy"] * scale), terms))


@search
@given(rows=records())
@pytest.mark.parametrize("model", MODELS)
def test_empty_levels_and_constant_columns_change_nothing_and_are_said(model, rows):
    more = rows.assign(same=1.0)
    plain, full = model(rows, TERMS), model(more, [*TERMS, Numeric("same")])
    assert type(plain) is type(full)
    if isinstance(plain, NotEstimable):
        return
    for answer in plain.terms:
        same(answer, full.term(answer.term))
    assert full.term("skin IV against I" if (rows["skin"] == "I").any() else full.terms[-2].term).reason == "no cases"
    if model is not by_time:
        assert full.term("same").reason == "the same in every record"


@search
@given(rows=records())
@pytest.mark.parametrize("model", MODELS)
def test_one_patient_says_nothing_about_patients(model, rows):
    answer = model(rows.assign(patient="one"), TERMS)
    assert isinstance(answer, NotEstimable)


@search
@given(rows=records())
def test_copies_of_all_records_within_patients_make_nothing_surer(rows):
    twice = pd.concat([rows, rows], ignore_index=True)
    once, again = (clustered_mean(r["energy"], r["patient"]) for r in (rows, twice))
    assert type(once) is type(again)
    if isinstance(once, Estimate) and isinstance(again, Estimate):
        assert (again.value, again.low, again.high) == pytest.approx((once.value, once.low, once.high))
    shares = [clustered_proportion(r["event"], r["patient"]) for r in (rows, twice)]
    if isinstance(shares[0], Estimate) and isinstance(shares[1], Estimate):
        # shorter at most where patients differ less than chance would have them differ: n is then believed
        assert shares[1].high - shares[1].low >= 0.5 * (shares[0].high - shares[0].low)
    curves = [kaplan_meier(r["after"] + r["wait"], r["event"], cluster=r["patient"]) for r in (rows, twice)]
    assert curves[1].survival == pytest.approx(curves[0].survival)
    assert curves[1].survival_error == pytest.approx(curves[0].survival_error, rel=1e-9, abs=1e-12)


@search
@given(rows=records(), seed=st.integers(0, 99))
def test_curves_do_not_depend_on_the_order_of_rows(rows, seed):
    other = rows.sample(frac=1, random_state=seed)
    one, two = (turnbull(r["after"], r["by"]) for r in (rows, other))
    days = [0, 2, 3, 5, 7, 11]
    assert two.log_likelihood == pytest.approx(one.log_likelihood, rel=1e-9)
    assert np.sort(two.left).tolist() == np.sort(one.left).tolist()
    curve, again = (kaplan_meier(r["after"] + r["wait"], r["event"]) for r in (rows, other))
    assert again.survival_at(days) == pytest.approx(curve.survival_at(days))


@pytest.mark.parametrize("n", [1, 2, 7, 300])
@pytest.mark.parametrize("every", [False, True])
def test_no_event_and_nothing_but_events_have_one_sided_certainty_only(n, every):
    answer = proportion(n if every else 0, n)
    assert (answer.high == 1.0) if every else (answer.low == 0.0)
    assert 0 < answer.high - answer.low <= 1
    alike = clustered_proportion(np.full(n, int(every)), np.zeros(n))  # all of one patient
    assert alike.high - alike.low == pytest.approx(0.975)
