"""The interval-censored curve against published masses, by hand, and against simulated truth."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.estimates.interval_censored import (
    interval_curve,
    median,
    turnbull,
    under_observation,
)

NEVER = math.nan
# Six intervals small enough to solve by hand (Turnbull BW 1976, J R Stat Soc B 38:290-295, for the method). The
# innermost intervals are (1, 2] and (4, 5]; the first three records hold only the one, the last three only the other.
# With mass s on the first the likelihood is s³(1−s)³, greatest at s = ½.
TINY = ([0, 1, 1, 2, 4, 3], [2, 3, 4, 5, NEVER, NEVER])


def test_tiny_by_hand():
    curve = turnbull(*TINY)
    assert curve.left.tolist() == [1, 4]
    assert curve.right.tolist() == [2, 5]
    assert curve.mass == pytest.approx([0.5, 0.5], abs=1e-9)
    assert curve.gap < 1e-10
    assert curve.log_likelihood == pytest.approx(6 * math.log(0.5))
    assert curve.n == 6


def test_tiny_as_in_r(reference):
    item = reference.item("surv.interval.tiny")
    data, expected = item["data"], item["expected"]
    curve = turnbull(data["L"], [NEVER if r is None else r for r in data["R"]])
    assert curve.left.tolist() == expected["left"]
    assert curve.right.tolist() == expected["right"]
    assert curve.mass == pytest.approx(expected["mass"], abs=1e-9)
    assert curve.log_likelihood == pytest.approx(expected["loglik"], rel=1e-10)


@pytest.mark.parametrize(("group", "treatment"), [("rad", "Rad"), ("radchem", "RadChem")])
def test_breast_cosmesis(reference, group, treatment):
    # Finkelstein DM, Wolfe RA (1985) Biometrics 41:933-945
    frame = reference.frame("bcos")
    rows = frame[frame["treatment"] == treatment]
    expected = reference.item("surv.interval.bcos.turnbull")["expected"][group]
    curve = turnbull(rows["left"], rows["right"])
    assert curve.left.tolist() == expected["left"]
    assert curve.right.tolist() == expected["right"]
    assert curve.mass == pytest.approx(expected["mass"], rel=1e-9)
    assert curve.survival_at(expected["right"]) == pytest.approx(expected["survival_after"], abs=1e-9)
    assert curve.log_likelihood == pytest.approx(expected["loglik"], rel=1e-11)
    assert curve.gap < 1e-10


def test_exact_and_right_censored_times_give_kaplan_meier():
    # Freireich EJ et al. (1963) Blood 21:699-716, 6-MP arm, weeks; the printed Kaplan–Meier curve (Cox and Oakes
    # 1984, Analysis of Survival Data): 0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448 after weeks 6 … 23.
    time = [10, 7, 32, 23, 22, 6, 16, 34, 32, 25, 11, 20, 19, 6, 17, 35, 6, 13, 9, 6, 10]
    event = [1, 1, 0, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 1, 0, 0, 1, 1, 0, 0, 0]
    curve = turnbull(time, [t if e else NEVER for t, e in zip(time, event, strict=True)])
    printed = [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448]
    assert curve.survival_at([6, 7, 10, 13, 16, 22, 23]).round(3).tolist() == printed
    assert curve.survival_at([5, 40]).tolist() == pytest.approx([1.0, 0.448], abs=1e-3)
    assert curve.quantile() == 23
    assert curve.last_day == 35


def test_bounds_of_every_kind():
    # zero below: before the first look; missing above: never seen; equal: an exact day
    curve = turnbull([0, 4, 4, 3], [4, NEVER, 4, 5])
    # mass s on day 4 itself and 1 − s on (4, 5]: likelihood s · (1−s) · s · 1, greatest at s = 2/3
    assert (curve.left.tolist(), curve.right.tolist()) == ([4, 4], [4, 5])
    assert curve.mass == pytest.approx([2 / 3, 1 / 3])
    exact_only = turnbull([2, 2, 5], [2, 2, 5])
    assert exact_only.left.tolist() == exact_only.right.tolist() == [2, 5]
    assert exact_only.mass == pytest.approx([2 / 3, 1 / 3])
    assert exact_only.survival_at([1, 2, 4, 5]) == pytest.approx([1, 1 / 3, 1 / 3, 0])
    nobody = turnbull([3, 7], [NEVER, NEVER])
    assert nobody.survival_at([0, 7, 99]).tolist() == [1, 1, 1]
    assert nobody.quantile() == math.inf
    everybody = turnbull([0, 0], [3, 5])
    assert (everybody.left.tolist(), everybody.right.tolist()) == ([0], [3])


def test_an_open_interval_that_begins_on_an_exact_day_does_not_hold_it():
    # the record (4, 6] was not yet there on day 4, so it cannot share the mass of the exact day 4
    curve = turnbull([4, 4], [4, 6])
    assert (curve.left.tolist(), curve.right.tolist()) == ([4, 4], [4, 6])
    assert curve.mass == pytest.approx([0.5, 0.5])


def test_the_curve_inside_an_interval_is_a_range():
    curve = turnbull([2, 2], [6, 6])
    assert curve.survival_at([2, 4, 6]).tolist() == [1, 0, 0]
    low, high = curve.survival_range_at([2, 4, 6])
    assert (low.tolist(), high.tolist()) == ([1, 0, 0], [1, 1, 0])
    assert curve.quantile() == 4
    assert curve.quantile_interval() == (2, 6)


def test_frequency_weights_are_repeated_rows():
    after, by, weight = [0, 2, 4, 6], [3, 5, NEVER, 9], [3, 1, 2, 4]
    weighted = turnbull(after, by, weight=weight)
    repeated = turnbull(np.repeat(after, weight), np.repeat(by, weight))
    assert weighted.mass == pytest.approx(repeated.mass, rel=1e-8)
    assert weighted.log_likelihood == pytest.approx(repeated.log_likelihood)
    assert weighted.n == repeated.n == 10


def test_faults_name_positions_and_no_values():
    with pytest.raises(ValueError, match="lower bound lies above the upper bound at position 1"):
        turnbull([0, 77, 2], [3, 5, 4])
    with pytest.raises(ValueError, match=r"negative duration\) at positions 0, 2"):
        turnbull([-4, 1, -2], [3, 5, 4])
    with pytest.raises(ValueError, match="missing at position 1"):
        turnbull([0, math.nan], [3, 5])
    with pytest.raises(ValueError, match="no records"):
        turnbull([], [])
    with pytest.raises(ValueError, match="length"):
        turnbull([0, 1], [3])


def test_records_under_observation_are_those_at_risk():
    # as for exact times: seen to happen on day 3, 5; last looks on day 4, 6
    counts = under_observation([1, 5, 4, 6], [3, 5, NEVER, NEVER], [0, 3, 4, 5, 6, 7])
    assert counts.tolist() == [4, 4, 3, 2, 1, 0]
    assert under_observation([1], [3], [3], weight=[5]).tolist() == [5]


def clinic(patients: int, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Healing on log-normal days with a part shared by a patient's zones, seen at visits on whole days."""
    generator = np.random.default_rng(seed)
    cluster = np.repeat(np.arange(patients), generator.integers(1, 4, patients))
    shared = generator.normal(0, 0.25, patients)[cluster]
    time = np.exp(1.9 + shared + generator.normal(0, 0.3, len(cluster)))
    visits = np.cumsum(generator.integers(2, 10, (patients, 9)), axis=1).astype(float)
    kept = generator.integers(2, 10, patients)
    after, by = np.zeros(len(cluster)), np.full(len(cluster), np.inf)
    for i, g in enumerate(cluster):
        days = visits[g][: kept[g]]
        after[i] = days[days < time[i]].max(initial=0.0)
        by[i] = days[days >= time[i]].min(initial=np.inf)
    return after, by, cluster


def test_band_covers_the_simulated_curve():
    # truth: log T is normal with mean 1.9 and variance 0.25² + 0.3²
    from scipy.stats import norm

    days = np.array([4.0, 6.0, 8.0, 10.0, 14.0])
    truth = norm.sf((np.log(days) - 1.9) / math.hypot(0.25, 0.3))
    inside, medians = [], []
    for seed in range(25):
        curve = interval_curve(*clinic(250, seed), days, replicates=200)
        inside.append([low <= t <= high for low, t, high in zip(curve.low, truth, curve.high, strict=True)])
        medians.append(curve.median.low <= math.exp(1.9) <= curve.median.high)
    assert 0.85 <= np.mean(inside) <= 1
    assert 0.85 <= np.mean(medians) <= 1


def test_the_same_records_give_the_same_band_whatever_their_order():
    after, by, cluster = clinic(120, 1)
    grid = np.arange(0, 25)
    first = interval_curve(after, by, cluster, grid, replicates=100)
    order = np.random.default_rng(3).permutation(len(after))
    names = np.array([f"p{(37 * k) % 120}" for k in cluster])
    second = interval_curve(after[order], by[order], names[order], grid, replicates=100)
    assert second.low == pytest.approx(first.low, abs=1e-9)
    assert second.high == pytest.approx(first.high, abs=1e-9)
    assert (second.median.low, second.median.value) == pytest.approx((first.median.low, first.median.value))


def test_units_of_time_do_not_matter():
    after, by, cluster = clinic(80, 2)
    days = interval_curve(after, by, cluster, [5, 8], replicates=100)
    hours = interval_curve(24 * after, 24 * by, cluster, [120, 192], replicates=100)
    assert hours.low == pytest.approx(days.low, abs=1e-9)
    assert hours.median.high == pytest.approx(24 * days.median.high)


def test_a_band_without_width_is_no_band():
    after, by, cluster = clinic(60, 5)
    curve = interval_curve(after, by, cluster, [0, 6, 80], replicates=100)
    assert (curve.low[0], curve.high[0]) == (None, None)
    assert curve.low[1] < curve.value[1] < curve.high[1]
    assert (curve.low[2] is None) == (curve.high[2] is None)
    few = interval_curve([0, 2, 3], [4, 6, 7], ["a", "b", "c"], [3])
    assert few.low == (None,)
    assert few.median.reason == "3 patients, 10 needed for limits"


def test_a_patient_bootstrap_is_wider_than_one_of_zones():
    generator = np.random.default_rng(6)
    time = np.exp(2 + generator.normal(0, 0.5, 60))  # all four zones of a patient heal together
    after, by = np.floor(np.repeat(time, 4)), np.ceil(np.repeat(time, 4))
    patients = interval_curve(after, by, np.repeat(np.arange(60), 4), [7])
    zones = interval_curve(after, by, np.arange(240), [7])
    assert patients.high[0] - patients.low[0] == pytest.approx(2 * (zones.high[0] - zones.low[0]), rel=0.25)


def test_median_where_half_is_not_reached():
    after = np.r_[np.zeros(10), np.full(30, 20.0)]
    by = np.r_[np.full(10, 6.0), np.full(30, np.inf)]
    answer = median(after, by, np.arange(40))
    assert isinstance(answer, NotEstimable)
    assert answer.reason.startswith("not reached")
    none = median([], [], [])
    assert none.reason == "no cases"


def test_median_whose_upper_limit_is_open():
    after = np.r_[np.zeros(11), np.full(10, 20.0)]
    by = np.r_[np.full(11, 6.0), np.full(10, np.inf)]
    answer = median(after, by, np.arange(21))
    assert isinstance(answer, Estimate)
    assert answer.high is None
    assert answer.low < answer.value < 6


def test_median_on_which_all_agree():
    seen = median(np.full(12, 5.0), np.full(12, 6.0), np.arange(12))
    assert (seen.low, seen.value, seen.high) == (5, 5.5, 6)
    diary = median(np.full(12, 6.0), np.full(12, 6.0), np.arange(12))
    assert isinstance(diary, NotEstimable)


intervals = st.tuples(st.integers(0, 12), st.one_of(st.none(), st.integers(0, 6)), st.integers(0, 9))


@settings(deadline=None)
@given(st.lists(intervals, min_size=1, max_size=40))
def test_every_set_of_intervals_converges_and_prints_no_nonsense(records):
    after = np.array([a for a, _, _ in records], dtype=float)
    by = np.array([math.nan if w is None else a + w for a, w, _ in records])
    cluster = [g for _, _, g in records]
    curve = interval_curve(after, by, cluster, np.arange(0, 20), replicates=40, fewest_patients=2)
    assert curve.estimate.gap < 1e-9
    assert curve.estimate.mass.sum() == pytest.approx(1)
    assert np.all(np.diff(curve.value) <= 1e-12)
    for low, high in zip(curve.low, curve.high, strict=True):
        assert (low is None) == (high is None)
        assert low is None or 0 <= low < high <= 1
    assert np.all(np.diff(curve.under_observation) <= 0)


def test_one_record_does_not_set_the_lower_limit_of_a_median():
    """Of 70 patients one was seen unhealed on day 5; draws without that one do not know that day."""
    bounds = [(0, 6)] * 30 + [(0, 8)] * 30 + [(5, 8)] + [(6, 14)] * 9
    after, by = (np.array(edge, dtype=float) for edge in zip(*bounds, strict=True))
    curve = interval_curve(after, by, np.arange(len(bounds)).astype(str), [1.0, 4.0, 6.0], replicates=400)
    assert curve.median.low == 0.0  # a draw lacks the one record with chance 0.37
    assert curve.median.high >= 6.0
    assert curve.low[0] is not None
    assert curve.low[0] < 0.9  # the band on day 1 holds what no visit determines


def test_the_band_is_no_narrower_than_exact_limits_on_as_many_records():
    """40 patients of one zone each, seen every day, 6 not healed by day 7.

    R 4.2: binom.test(6, 40)$conf.int = 0.0571, 0.2984; the percentiles of 400 replicates alone give 0.05 to 0.275.
    """
    healed = np.repeat([3.0, 5.0, 7.0, 9.0], [10, 14, 10, 6])
    curve = interval_curve(healed - 1, healed, np.arange(40).astype(str), [7.0], replicates=400, seed=5)
    assert curve.value[0] == pytest.approx(0.15)
    assert curve.high[0] >= 0.29
    assert curve.low[0] <= 0.0571 + 0.005
    answer = curve.share_at(0, "not healed")
    assert (answer.value, answer.low, answer.high) == (curve.value[0], curve.low[0], curve.high[0])
    few = interval_curve([0.0, 1.0], [2.0, 3.0], ["a", "b"], [1.0])
    assert few.share_at(0).reason == "the band cannot be set"
