"""Charts against published constants, exact chains and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import expit

from outcomes.estimates.charts import (
    cusum_scores,
    ewma,
    gaps_between_events,
    risk_adjusted_cusum,
    sequential_bounds,
)
from outcomes.estimates.run_lengths import (
    bernoulli_run_length,
    bernoulli_run_length_quantiles,
    limit_for_run_length,
    run_length,
    run_length_quantiles,
)

# Not computed by the package: Poisson and normal CUSUM run lengths, EWMA run lengths, the tabular CUSUM of means, p and
# c charts and Shewhart run lengths (chart.poisson_cusum, chart.normal_cusum, chart.ewma.arl, chart.cusum.nist, chart.p,
# chart.c, chart.shewhart): outcomes here are yes or no, case by case.


def test_scores_of_heart_surgery_as_printed():
    # Steiner SH et al. (2000) Biostatistics 1:441-452: risk expit(−3.68 + 0.077 · Parsonnet score), odds ratio 2. A
    # death scores 0.67 and a survivor −0.02 at score 0; 0.26 and −0.43 at score 50.
    death, survival = cusum_scores(expit(-3.68 + 0.077 * np.array([0, 50])), 2.0)
    assert death.round(2).tolist() == [0.67, 0.26]
    assert survival.round(2).tolist() == [-0.02, -0.43]


def test_scores_on_a_grid(reference):
    item = reference.item("chart.steiner.scores.a")
    for pair in item["expected"].values():
        event, none = cusum_scores(item["data"]["p"], pair["RA"])
        assert event == pytest.approx(pair["event"], rel=1e-10)
        assert none == pytest.approx(pair["no_event"], rel=1e-10)


@pytest.mark.parametrize("item", ["chart.sprt.bounds", "chart.sprt.bounds.b"])
def test_sequential_bounds(reference, item):
    data, expected = reference.item(item)["data"], reference.item(item)["expected"]
    bounds = [sequential_bounds(a, b) for a, b in zip(data["alpha"], data["beta"], strict=True)]
    assert [low for low, _ in bounds] == pytest.approx(expected["lower"], rel=1e-12)
    assert [high for _, high in bounds] == pytest.approx(expected["upper"], rel=1e-12)


def test_sequential_bounds_as_printed():
    # Spiegelhalter D et al. (2003) Int J Qual Health Care 15:7-13: 4.60 at 1 %, 6.91 at 0.1 %
    assert round(sequential_bounds(0.01, 0.01)[1], 2) == 4.60
    assert round(sequential_bounds(0.001, 0.001)[1], 2) == 6.91


def test_path_of_preterm_births(reference):
    frame = reference.frame("births_seq")
    expected = reference.item("chart.ra_cusum.births")["expected"]
    up = risk_adjusted_cusum(frame["preterm"], frame["risk"], odds_ratio=2, limit=3, reset=False)
    down = risk_adjusted_cusum(frame["preterm"], frame["risk"], odds_ratio=0.5, limit=3, reset=False)
    assert up.path == pytest.approx(expected["upper"], rel=1e-9, abs=1e-10)
    assert down.path == pytest.approx(expected["lower"], rel=1e-9, abs=1e-10)
    assert up.expected_minus_observed == pytest.approx(expected["expected_minus_observed"], rel=1e-9, abs=1e-10)
    assert up.signals[0] + 1 == expected["first_signal_upper"]
    assert down.signals == ()


def test_a_signal_starts_the_sum_again():
    # Twelve invented cases, expected risk 0.10 against 0.20 (odds ratio 2.25), limit 1.5; by hand, scores ln 2 and
    # ln(0.8/0.9).
    event = [0, 1, 0, 1, 1, 0, 0, 1, 1, 0, 0, 0]
    chart = risk_adjusted_cusum(event, np.full(12, 0.1), odds_ratio=2.25, limit=1.5)
    by_hand = [0, 0.693147, 0.575364, 1.268511, 1.961659, 0, 0, 0.693147, 1.386294, 1.268511, 1.150728, 1.032945]
    assert chart.path == pytest.approx(by_hand, abs=1e-5)
    assert chart.signals == (4,)
    running_on = risk_adjusted_cusum(event, np.full(12, 0.1), odds_ratio=2.25, limit=1.5, reset=False)
    assert len(running_on.signals) == 8


def test_run_length_small_enough_to_check_by_hand(reference):
    expected = reference.item("chart.bernoulli_cusum.arl.tiny")["expected"]
    found = [bernoulli_run_length(0.1, 3, 4, start=s) for s in range(4)]
    assert found == pytest.approx([expected[f"arl_from_{s}"] for s in range(4)], rel=1e-10)


def test_tiny_run_length_by_hand():
    # Steps −1 and +2, limit 4, risk ½. With a_s the mean from s: a0 = 1 + ½a0 + ½a2, a1 = 1 + ½a0 + ½a3,
    # a2 = 1 + ½a1, a3 = 1 + ½a2.
    a = np.linalg.solve(np.array([[0.5, 0, -0.5, 0], [-0.5, 1, 0, -0.5], [0, -0.5, 1, 0], [0, 0, -0.5, 1]]), np.ones(4))
    assert [bernoulli_run_length(0.5, 3, 4, start=s) for s in range(4)] == pytest.approx(a.tolist())


def test_run_lengths_of_designs(reference):
    item = reference.item("chart.bernoulli_cusum.arl.a")
    data, expected = item["data"], item["expected"]
    for i, (p, m, limit) in enumerate(zip(data["p0"], data["m"], data["H"], strict=True)):
        worse = expected["p1"][i]
        assert bernoulli_run_length(p, m, limit) == pytest.approx(expected["arl_p0"][i], rel=1e-9)
        assert bernoulli_run_length(worse, m, limit) == pytest.approx(expected["arl_p1"][i], rel=1e-9)
        ahead = bernoulli_run_length(p, m, limit, start=limit // 2)
        assert ahead == pytest.approx(expected["arl_p0_head_start_half"][i], rel=1e-9)


def test_chain_agrees_with_the_exact_lattice():
    # With R chosen so that the two scores stand exactly in the ratio 13 : −1 the risk-adjusted chart of one risk is the
    # Bernoulli chart with 14 steps: limit 56 steps of −ln(1 − p + Rp).
    from scipy.optimize import brentq

    p = 0.05
    ratio = brentq(lambda r: math.log(r) / math.log1p((r - 1) * p) - 14, 1.5, 4)
    step = math.log1p((ratio - 1) * p)
    exact = bernoulli_run_length(p, 14, 56)
    assert run_length([p], odds_ratio=ratio, limit=56 * step, cells=560) == pytest.approx(exact, rel=1e-6)


@pytest.mark.parametrize("true_odds_ratio", [1.0, 2.0])
def test_chain_agrees_with_simulation(true_odds_ratio):
    risks, limit = np.array([0.02, 0.05, 0.1, 0.3]), 2.5
    mean = run_length(risks, odds_ratio=2, limit=limit, true_odds_ratio=true_odds_ratio)
    generator = np.random.default_rng(1)
    with_event, without = cusum_scores(risks, 2.0)
    true = expit(np.log(risks / (1 - risks)) + math.log(true_odds_ratio))
    at, length = np.zeros(4000), np.zeros(4000)
    running = np.ones(4000, dtype=bool)
    while running.any():
        kind = generator.integers(0, 4, 4000)
        had = generator.random(4000) < true[kind]
        at = np.where(running, np.maximum(0, at + np.where(had, with_event[kind], without[kind])), at)
        length += running
        running &= at < limit
    error = length.std() / math.sqrt(4000)
    assert abs(length.mean() - mean) < 3.5 * error


def test_limit_that_was_asked_for():
    risks, often = [0.02, 0.05, 0.15], [5, 3, 1]
    limit = limit_for_run_length(risks, 1500, weight=often)
    assert run_length(risks, limit=limit, weight=often, cells=300) == pytest.approx(1500, rel=0.01)
    # finer cells hardly move it, and the chart finds a doubling much sooner than it cries wolf
    assert run_length(risks, limit=limit, weight=often, cells=900) == pytest.approx(1500, rel=0.02)
    assert run_length(risks, limit=limit, weight=often, true_odds_ratio=2.0) < 300
    with pytest.raises(ValueError, match="no limit"):
        limit_for_run_length([0.3], 1e12, cells=50)


def test_ewma_of_the_nist_handbook():
    # NIST/SEMATECH e-Handbook of Statistical Methods (2012), section 6.3.2.4: λ 0.3, centre 50, σ 2.0539; the printed
    # path begins 50.60, 49.52, 50.56, 50.18, 50.16, 49.21 and the settled limits are 52.5884 and 47.4115.
    values = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6,
              52.4, 53.6, 52.1]  # fmt: skip
    chart = ewma(values, 50, 2.0539, weight=0.3)
    assert chart.path[:6].round(2).tolist() == [50.6, 49.52, 50.56, 50.18, 50.16, 49.21]
    assert (chart.high[-1], chart.low[-1]) == pytest.approx((52.5884, 47.4116), abs=1e-4)


def test_ewma_in_full(reference):
    item = reference.item("chart.ewma.nist")
    data, expected = item["data"], item["expected"]
    chart = ewma(data["x"], data["mu0"], data["sigma"], weight=data["lambda"], width=data["L"])
    assert chart.path == pytest.approx(expected["z"], rel=1e-10)
    assert chart.high == pytest.approx(expected["ucl_exact"], rel=1e-10)
    assert chart.low == pytest.approx(expected["lcl_exact"], rel=1e-10)


def test_gaps_between_small_babies(reference):
    # The item's normal limits are not computed: gaps are geometric.
    frame = reference.frame("births_seq")
    expected = reference.item("chart.g.births")["expected"]
    found = gaps_between_events(frame["lowbw"])
    assert found.gaps.tolist() == expected["gaps"]
    assert found.centre == pytest.approx(expected["center"], rel=1e-10)
    assert found.risk == pytest.approx(expected["p_hat_bias_corrected"], rel=1e-10)
    assert (found.median, found.longest) == (expected["geometric_quantile_0.5"], expected["geometric_quantile_0.99865"])
    assert found.tail == pytest.approx(expected["prob_le"], rel=1e-9)


def test_gaps_by_hand():
    found = gaps_between_events([0, 1, 0, 0, 1, 1, 0, 0, 0, 0, 1])
    assert found.gaps.tolist() == [2, 0, 4]
    assert found.centre == 2
    assert found.risk == pytest.approx(2 / (3 * 2 + 2))
    assert found.tail == pytest.approx([1 - (2 / 3) ** 3, 1 / 3, 1 - (2 / 3) ** 5])
    with pytest.raises(ValueError, match="three events"):
        gaps_between_events([1, 0, 1])


def test_faults_name_positions_and_no_values():
    with pytest.raises(ValueError, match="risk is not between 0 and 1 at position 1"):
        risk_adjusted_cusum([0, 1], [0.1, 1.0], limit=3)
    with pytest.raises(ValueError, match="event is neither yes nor no at position 0"):
        risk_adjusted_cusum([7, 1], [0.1, 0.2], limit=3)
    with pytest.raises(ValueError, match="limit"):
        risk_adjusted_cusum([0, 1], [0.1, 0.2], limit=0)
    with pytest.raises(ValueError, match="not 1"):
        cusum_scores([0.1], 1.0)


@given(st.lists(st.tuples(st.booleans(), st.floats(0.001, 0.999)), max_size=60), st.sampled_from([0.5, 1.5, 2.0]))
def test_every_path_stays_at_or_above_zero_and_signals_at_the_limit(rows, ratio):
    event, risk = [e for e, _ in rows], [p for _, p in rows]
    chart = risk_adjusted_cusum(event, risk, odds_ratio=ratio, limit=1.0)
    assert np.all(chart.path >= 0)
    assert [i for i, s in enumerate(chart.path) if s >= 1.0] == list(chart.signals)
    assert np.all(np.isfinite(chart.expected_minus_observed))


def test_quantiles_of_a_chart_that_any_event_turns():
    # Limit within one step up: the run length is geometric, its quantiles ⌈ln(1 − q)/ln(1 − p)⌉ (closed form).
    for p in (0.01, 0.05, 0.4):
        found = bernoulli_run_length_quantiles(p, 20, 19, shares=(0.01, 0.05, 0.5, 0.95, 0.999))
        assert found == tuple(math.ceil(math.log1p(-q) / math.log1p(-p)) for q in (0.01, 0.05, 0.5, 0.95, 0.999))


@pytest.mark.parametrize(
    ("risk", "steps", "limit", "start", "expected"),
    [
        (0.05, 14, 56, 0, (100, 842, 3500)),
        (0.1, 3, 4, 0, (7, 72, 304)),
        (0.01, 67, 150, 0, (102, 788, 3233)),
        (0.01, 67, 150, 75, (36, 652, 3097)),
    ],
)
def test_quantiles_one_case_at_a_time_in_r(risk, steps, limit, start, expected):
    # R 4.2, the chain moved one case at a time until 5, 50 and 95 % had signalled:
    #   for (s in 0:(H-1)) {Q[s+1, max(0,s-1)+1] += 1-p; if (s+m-1 < H) Q[s+1, s+m] += p};
    #   v <- v %*% Q; t <- t+1; until 1-sum(v) >= share
    assert bernoulli_run_length_quantiles(risk, steps, limit, start=start) == expected


def test_quantiles_of_the_lattice_agree_with_the_exact_chain():
    # As above: scores of one risk in the ratio 13 : −1, limit 56 steps.
    from scipy.optimize import brentq

    p = 0.05
    ratio = brentq(lambda r: math.log(r) / math.log1p((r - 1) * p) - 14, 1.5, 4)
    limit = 56 * math.log1p((ratio - 1) * p)
    assert run_length_quantiles([p], odds_ratio=ratio, limit=limit, cells=560) == (100, 842, 3500)
    # evenly spaced quantiles have the mean of the whole
    shares = (np.arange(1000) + 0.5) / 1000
    quantiles = np.array(run_length_quantiles([p], odds_ratio=ratio, limit=limit, cells=56, shares=shares.tolist()))
    assert quantiles.mean() == pytest.approx(run_length([p], odds_ratio=ratio, limit=limit, cells=56), rel=2e-3)
    assert np.all(np.diff(quantiles) >= 0)


def test_quantiles_refuse_what_is_no_share():
    with pytest.raises(ValueError, match="share of charts"):
        run_length_quantiles([0.1], limit=1, shares=(1.0,))
    with pytest.raises(ValueError, match="limit is above 0"):
        run_length_quantiles([0.1], limit=0)
    with pytest.raises(ValueError, match="longer than can be told"):
        bernoulli_run_length_quantiles(0.001, 3, 60)
