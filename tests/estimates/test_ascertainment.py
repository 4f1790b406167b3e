"""The risk among all treated: against simulated truth, a patient bootstrap, and by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import expit

from outcomes.estimates.ascertainment import risk_among_all
from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.estimates.proportion import clustered_proportion, effective_number
from outcomes.estimates.sensitivity import tipping_risk


def clinic(patients: int, seed: int) -> dict[str, np.ndarray]:
    """Records whose chance of being seen and risk both rise with a covariate of the patient."""
    generator = np.random.default_rng(seed)
    cluster = np.repeat(np.arange(patients), generator.integers(1, 4, patients))
    n = len(cluster)
    trait = generator.normal(size=patients)[cluster]
    zone = generator.integers(0, 2, n)
    shared = generator.normal(0, 0.7, patients)[cluster]
    early = generator.random(n) < expit(-4.5 + 0.5 * trait + shared)
    late = ~early & (generator.random(n) < expit(-3.5 + 0.8 * trait + 0.6 * zone + shared))
    seen = generator.random(patients)[cluster] < expit(0.2 + 0.9 * trait)
    return {
        "early": early,
        "seen": seen,
        "event_late": late & seen,
        "design": np.column_stack([np.ones(n), trait, zone]),
        "cluster": cluster,
        "truth": early | late,
    }


def answer_of(data: dict[str, np.ndarray], rows: np.ndarray | None = None):
    names = ("early", "seen", "event_late", "design", "cluster")
    picked = [data[name] if rows is None else data[name][rows] for name in names]
    return risk_among_all(*picked)


# True risk of this clinic among all treated, from 600,000 simulated patients (seeds 1 to 3, 200,000 each).
TRUE_RISK = 0.0765


def test_simulated_truth_is_recovered_where_the_seen_rate_overstates():
    values, covered, seen_rates, floors = [], [], [], []
    for seed in range(200):
        result = answer_of(clinic(400, seed))
        values.append(result.risk.value)
        covered.append(result.risk.low <= TRUE_RISK <= result.risk.high)
        seen_rates.append(result.seen_rate.value)
        floors.append(result.floor.value)
    error = np.std(values) / math.sqrt(200)
    assert abs(np.mean(values) - TRUE_RISK) < 3 * error
    assert np.mean(seen_rates) > TRUE_RISK + 10 * error
    assert np.mean(floors) < TRUE_RISK - 10 * error
    assert 0.90 <= np.mean(covered) <= 0.99


def test_variance_agrees_with_a_patient_bootstrap():
    data = clinic(500, 77)
    result = answer_of(data)
    # with this many events the limits lie near ±1.96 standard errors, so their width shows the standard error
    generator = np.random.default_rng(5)
    rows_of = [np.flatnonzero(data["cluster"] == g) for g in range(500)]
    values = []
    for _ in range(300):
        drawn = generator.integers(0, 500, 500)
        rows = np.concatenate([rows_of[g] for g in drawn])
        again = {name: data[name][rows] for name in data}
        again["cluster"] = np.repeat(np.arange(500), [len(rows_of[g]) for g in drawn])
        values.append(answer_of(again).risk.value)
    spread = np.std(values)
    width = (result.risk.high - result.risk.low) / (2 * 1.96)
    assert width == pytest.approx(spread, rel=0.12)


def test_by_hand_with_one_covariate_of_two_values():
    # Group 0: 60 records, 30 seen, 3 late events; group 1: 40 records, 10 seen, 2 late events; 0 early. Weights are 2
    # and 4, so the late share is (3·2 + 2·4)/(30·2 + 10·4) = 0.14.
    group = np.repeat([0.0, 1.0], [60, 40])
    seen = np.concatenate([np.arange(60) < 30, np.arange(40) < 10])
    late = np.concatenate([np.arange(60) < 3, np.arange(40) < 2])
    result = risk_among_all(np.zeros(100), seen, late, np.column_stack([np.ones(100), group]), np.arange(100))
    assert result.risk.value == pytest.approx(0.14)
    assert sorted(set(result.weight.round(9))) == [2.0, 4.0]
    assert result.effective_number == pytest.approx(100**2 / (30 * 4 + 10 * 16))
    assert result.largest_weight == pytest.approx(4 / 2.5)
    # With a saturated model of being seen, the influence function is that of the post-stratified share:
    # variance = Σ_g (n_g/n)² p_g(1−p_g)/s_g + Σ_g (n_g/n)(p_g − p)²/n, times G/(G−1).
    within = 0.6**2 * 0.1 * 0.9 / 30 + 0.4**2 * 0.2 * 0.8 / 10
    between = (0.6 * (0.1 - 0.14) ** 2 + 0.4 * (0.2 - 0.14) ** 2) / 100
    size = effective_number(0.14, (within + between) * 100 / 99, 100, 39)
    reference = clustered_proportion([0, 1], [1, 2])
    assert isinstance(reference, Estimate)
    from outcomes.estimates.binomial import exact_limits

    assert (result.risk.low, result.risk.high) == pytest.approx(exact_limits(0.14 * size, size), rel=1e-9)


def test_when_all_are_seen_it_is_the_plain_clustered_share():
    data = clinic(80, 3)
    everyone = np.ones(len(data["early"]), dtype=bool)
    late = data["truth"] & ~data["early"]
    result = risk_among_all(data["early"], everyone, late, data["design"], data["cluster"])
    plain = clustered_proportion(data["truth"], data["cluster"])
    assert result.risk.value == pytest.approx(plain.value)
    assert (result.risk.low, result.risk.high) == pytest.approx((plain.low, plain.high), rel=1e-9)
    assert result.floor.value == result.worst_case.value == pytest.approx(plain.value)
    assert result.seen_model == "all were seen"


def test_intercept_alone_gives_the_seen_rate_of_the_rest():
    data = clinic(200, 4)
    result = risk_among_all(
        np.zeros(len(data["seen"])),
        data["seen"],
        (data["event_late"] | data["early"]) & data["seen"],
        np.ones((len(data["seen"]), 1)),
        data["cluster"],
    )
    assert result.risk.value == pytest.approx(result.seen_rate.value)


def test_no_event_at_all_gives_an_exact_bound_on_the_patients_seen():
    n = 90
    seen = np.arange(n) % 3 != 0
    cluster = np.arange(n) // 2
    result = risk_among_all(np.zeros(n), seen, np.zeros(n), np.ones((n, 1)), cluster)
    patients = len(np.unique(cluster[seen]))
    assert result.risk.value == 0
    assert result.risk.high == pytest.approx(1 - 0.025 ** (1 / patients))
    assert "no event seen" in result.risk.method
    assert result.worst_case.value == pytest.approx(1 / 3)


def test_early_events_alone_do_not_make_the_unseen_certain():
    n = 200
    early = np.arange(n) < 4
    seen = np.arange(n) >= 150
    few = risk_among_all(early, seen, np.zeros(n), np.ones((n, 1)), np.arange(n))
    all_seen = risk_among_all(early, ~early, np.zeros(n), np.ones((n, 1)), np.arange(n))
    assert few.risk.value == all_seen.risk.value == pytest.approx(0.02)
    assert few.risk.high > 1.5 * all_seen.risk.high
    # on 4 early and 50 seen, each of these standing for 3.92: were the records of a patient alike, a design effect of
    # 54 · (4 + 50 · 3.92²)/200²; two such patients beside the 4 that had an event
    size = 54 / ((4 + 2 * 54 * (4 + 50 * 3.92**2) / 200**2) / 6)
    from outcomes.estimates.binomial import exact_limits

    assert few.risk.high == pytest.approx(exact_limits(0.02 * size, size)[1], rel=1e-6)


def test_too_little_reach_cannot_say_but_still_shows_the_bounds():
    n = 300
    seen = np.arange(n) < 30
    result = risk_among_all(np.zeros(n), seen, np.arange(n) < 3, np.ones((n, 1)), np.arange(n))
    assert isinstance(result.risk, NotEstimable)
    assert result.risk.reason == "10 % seen late enough, 20 % needed"
    assert result.floor.value == pytest.approx(0.01)
    assert result.worst_case.value == pytest.approx(273 / 300)
    few = risk_among_all(np.zeros(n), np.arange(n) < 10, np.zeros(n), np.ones((n, 1)), np.arange(n))
    assert few.risk.reason == "10 patients seen late enough, 20 needed"


def test_a_covariate_that_settles_who_is_seen_is_shrunken_and_said():
    n = 200
    group = np.repeat([0.0, 1.0], 100)
    seen = np.where(group == 1, True, np.arange(n) % 2 == 0)
    late = seen & (np.arange(n) % 10 == 0)
    result = risk_among_all(np.zeros(n), seen, late, np.column_stack([np.ones(n), group]), np.arange(n))
    assert "shrunken" in result.seen_model
    assert 0.05 < result.risk.low < result.risk.value < result.risk.high < 0.3


def test_weight_on_one_patient_cannot_say():
    n = 120
    rare = (np.arange(n) < 40).astype(float)
    seen = (np.arange(n) == 0) | (np.arange(n) >= 60)
    result = risk_among_all(np.zeros(n), seen, np.arange(n) == 70, np.column_stack([np.ones(n), rare]), np.arange(n))
    assert "one patient carries" in result.risk.reason


def test_columns_that_do_not_vary_or_repeat_are_left_out():
    data = clinic(150, 9)
    plain = answer_of(data)
    x = data["design"]
    data["design"] = np.column_stack([x, 2 * x[:, 1] - 3, np.ones(len(x))])
    repeated = answer_of(data)
    assert repeated.risk.value == pytest.approx(plain.risk.value, rel=1e-9)
    assert (repeated.risk.low, repeated.risk.high) == pytest.approx((plain.risk.low, plain.risk.high), rel=1e-9)


def test_order_of_rows_and_units_of_covariates_do_not_matter():
    data = clinic(150, 10)
    plain = answer_of(data)
    order = np.random.default_rng(2).permutation(len(data["early"]))
    turned = {name: values[order] for name, values in data.items()}
    turned["design"] = turned["design"] * np.array([1.0, 1000.0, 0.01])
    again = answer_of(turned)
    assert (again.risk.value, again.risk.low, again.risk.high) == pytest.approx(
        (plain.risk.value, plain.risk.low, plain.risk.high), rel=1e-8
    )


def test_faults_are_named_by_position():
    one = np.ones((3, 1))
    with pytest.raises(ValueError, match="nobody saw, at position 1"):
        risk_among_all([0, 0, 0], [1, 0, 1], [0, 1, 0], one, ["a", "b", "c"])
    with pytest.raises(ValueError, match="seen is neither yes nor no at position 2"):
        risk_among_all([0, 0, 0], [1, 0, math.nan], [0, 0, 0], one, ["a", "b", "c"])
    with pytest.raises(ValueError, match="design is missing at position 0"):
        risk_among_all([0, 0], [1, 1], [0, 0], np.array([[math.nan], [1.0]]), ["a", "b"])


def test_no_records():
    result = risk_among_all([], [], [], np.ones((0, 1)), [])
    assert [a.reason for a in (result.risk, result.seen_rate, result.floor, result.worst_case)] == 4 * ["no cases"]


def test_tipping_risk():
    # 4 events in 100 known of 200: all-treated risk reaches 5 % when 6 of the 100 unseen had the event
    assert tipping_risk(4, 100, 200, 0.05) == pytest.approx(0.06)
    assert tipping_risk(4, 100, 100, 0.05) is None
    assert tipping_risk(20, 100, 200, 0.05) is None


rows = st.tuples(st.booleans(), st.booleans(), st.booleans(), st.floats(-3, 3), st.integers(0, 12))


@settings(deadline=None)
@given(st.lists(rows, min_size=1, max_size=40), st.integers(1, 5))
def test_every_clinic_gets_a_number_with_width_or_a_reason(records, fewest):
    early, seen, late, trait, cluster = (np.array(column) for column in zip(*records, strict=True))
    result = risk_among_all(
        early,
        seen,
        late & seen,
        np.column_stack([np.ones(len(records)), trait]),
        cluster,
        fewest_seen=fewest,
        lowest_reach=0.05,
        largest_share=0.95,
    )
    for answer in (result.risk, result.seen_rate, result.floor, result.worst_case):
        if isinstance(answer, Estimate):
            assert 0 <= answer.low <= answer.value <= answer.high <= 1
            assert answer.low < answer.high
        else:
            assert answer.reason


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 10_000), st.integers(30, 120), st.floats(0.03, 0.97))
def test_whoever_is_seen_a_risk_or_a_reason_comes_back(seed, n, share):
    """Sparse covariates that nearly settle who is seen once left Newton's method without a solution."""
    draw = np.random.default_rng(seed)
    levels = draw.integers(0, 9, n)
    design = np.column_stack([np.ones(n), *(levels == level for level in range(1, 9))]).astype(float)
    chance = np.where(levels >= 6, draw.choice([0.02, 0.98]), share)
    seen = draw.random(n) < chance
    late = seen & (draw.random(n) < 0.1)
    result = risk_among_all(np.zeros(n, dtype=bool), seen, late, design, np.arange(n) // 2, fewest_seen=2)
    if isinstance(result.risk, Estimate):
        assert 0 <= result.risk.low < result.risk.high <= 1
    else:
        assert result.risk.reason
