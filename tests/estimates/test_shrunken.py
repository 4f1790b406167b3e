"""Spread between groups and shrunken odds ratios against R's lme4 and metafor, and against integration over everything."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.integrate import quad
from scipy.special import expit
from test_mixed import HERD, INCIDENCE, PERIOD, SIZE

from outcomes.estimates import shrunken
from outcomes.estimates.design import Category, Numeric, build
from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.estimates.intercept_likelihood import grouped
from outcomes.estimates.mixed import random_intercept
from outcomes.estimates.shrunken import BetweenGroups, between_groups

# R 4.2.2, lme4 1.1-31, the pleuropneumonia herds of test_mixed.py: df <- glmer(cbind(incidence, size − incidence) ~ period
# + (1 | herd), binomial, nAGQ = 25, devFunOnly = TRUE, glmerControl(tolPwrss = 1e-12)), minimised over the coefficients with
# σ held (nlminb, rel.tol 1e-15); deviance; ln det of numDeriv's Hessian of half of it; modes and square roots of postVar by
# ranef(mkMerMod(…), condVar = TRUE)
BY_SPREAD = {
    0.2: (
        [-1.286003478, -1.123974285, -1.256140355, -1.728706065], 109.133242062, 10.82389560,
        [0.13949410, -0.08874270, 0.11845178, 0.00258898, -0.05999528, -0.10730689, 0.23011029, 0.14955635, -0.04712840,
         -0.15281666, -0.03782924, -0.01777662, -0.18601493, 0.22166143, -0.13479090],
        [0.18406090, 0.17924837, 0.17540026, 0.18786192, 0.17829305, 0.18018332, 0.18260999, 0.17887437, 0.19000953,
         0.17735674, 0.17273158, 0.18933960, 0.17762075, 0.18519274, 0.18111957],
    ),
    0.5: (
        [-1.363353705, -1.021467689, -1.156705482, -1.613093735], 100.810703902, 10.01186737,
        [0.48151084, -0.26048849, 0.34230334, 0.02165885, -0.17081641, -0.33767691, 0.74533851, 0.49226448, -0.18653333,
         -0.45821898, -0.08667010, -0.05874885, -0.57378218, 0.79001030, -0.43795775],
        [0.32404640, 0.32800637, 0.28147704, 0.36902477, 0.31808587, 0.33703279, 0.30779125, 0.30053569, 0.39532432,
         0.32833670, 0.28709199, 0.38444736, 0.33614872, 0.32922816, 0.34770462],
    ),
    1.0: (
        [-1.457228749, -0.953665903, -1.091871675, -1.537286415], 102.512762957, 8.89671557,
        [0.74371284, -0.33572545, 0.49835894, 0.08192044, -0.19911440, -0.47739544, 1.07941622, 0.75267619, -0.31639749,
         -0.64718711, -0.06439588, -0.05959871, -0.85722614, 1.22257769, -0.66154845],
        [0.37228734, 0.41654097, 0.31275113, 0.47884362, 0.39143802, 0.44269636, 0.34419160, 0.34246037, 0.57038998,
         0.43433360, 0.33422615, 0.52350442, 0.46496239, 0.38379737, 0.47774114],
    ),
}  # fmt: skip

# Infant heart surgery, BUGS Examples volume 1 (1996), the eleven hospitals with a death, every count times ten thousand, so
# that a log odds is as good as normal and the model is the one of meta-analysis.
DEATHS = np.array([18, 8, 46, 8, 13, 9, 31, 14, 8, 29, 24]) * 10_000
OPERATIONS = np.array([148, 119, 810, 211, 196, 148, 215, 207, 97, 256, 360]) * 10_000
# R 4.2.2, metafor 3.8-1, y = ln(k / (n − k)), v = 1/k + 1/(n − k): rma(y, v, method = "REML"), its τ; where the restricted
# likelihood has fallen by qchisq(.95, 1) / 2, by uniroot (confint(type = "PL") has the same to four figures);
# ranef(rma(y, v, tau2 = 0.3²)), whose errors allow for that of the mean
REML_SPREAD = (0.4191968674, 0.2859310230, 0.7000323560)
AT_A_THIRD = (
    [0.52672071, -0.12614946, -0.30599814, -0.72973867, -0.14060351, -0.23329827, 0.72294159, -0.11970225, 0.09471125,
     0.44624695, -0.13513021],
    [0.09048604, 0.09051802, 0.09046787, 0.09051618, 0.09049469, 0.09051093, 0.09047449, 0.09049208, 0.09051903,
     0.09047503, 0.09047763],
)  # fmt: skip

SIX = pd.DataFrame({"group": list("abcdef"), "events": [2, 9, 4, 12, 7, 1], "zones": [40, 42, 38, 45, 40, 39]})


@pytest.fixture
def herds() -> pd.DataFrame:
    return pd.DataFrame({"herd": HERD, "incidence": INCIDENCE, "size": SIZE, "period": PERIOD})


def of_herds(rows: pd.DataFrame, **options) -> BetweenGroups:
    design = build(rows, [Category("period", "1")])
    found = between_groups(design, rows["incidence"], trials=rows["size"], group=rows["herd"], **options)
    assert isinstance(found, BetweenGroups)
    return found


def of_counts(events, trials, group, **options) -> BetweenGroups:
    design = build(pd.DataFrame(index=range(len(events))), [])
    found = between_groups(design, np.asarray(events), trials=np.asarray(trials), group=group, **options)
    assert isinstance(found, BetweenGroups)
    return found


def logs(answer) -> np.ndarray:
    assert isinstance(answer, Estimate)
    return np.log([answer.value, answer.low, answer.high])


def known(rows, terms, events, trials, group, spread):
    design = build(rows, terms)
    _, surface, model = grouped(design, events, trials=trials, group=group, nodes=25, method="")
    return surface, model, shrunken._at(model, spread, surface.maximum().point)


def test_modes_and_their_errors_at_a_known_spread_agree_with_lme4(herds):
    found = []
    for spread, (coefficients, deviance, logarithm, modes, errors) in BY_SPREAD.items():
        surface, model, at = known(
            herds, [Category("period", "1")], herds["incidence"], herds["size"], herds["herd"], spread
        )
        assert surface.raw(at.coefficients) == pytest.approx(coefficients, abs=4e-7)
        mode, curved = model.modes(np.append(at.coefficients, spread))
        assert spread * mode == pytest.approx(modes, abs=1e-7)
        assert spread * curved == pytest.approx(errors, abs=2e-8)
        found.append((-2 * at.log_likelihood - deviance, -2 * (at.modified - at.log_likelihood) - logarithm))
    # up to a constant, which the binomial coefficients and the scales of the columns make, the same at each spread
    assert found[1] == pytest.approx(found[0], abs=1e-6)
    assert found[2] == pytest.approx(found[0], abs=1e-6)


def test_mean_and_deviation_of_an_effect_are_integrals(herds):
    """Herd 8 has one row: 12 of 34 in period 1."""
    _, model, at = known(herds, [Category("period", "1")], herds["incidence"], herds["size"], herds["herd"], 0.8)
    theta = np.append(at.coefficients, 0.8)
    middle = float((model.matrix @ at.coefficients)[herds["herd"].to_numpy() == 8][0])

    def moment(power: int, about: float = 0.0) -> float:
        def weighed(u: float) -> float:
            p = expit(middle + 0.8 * u)
            return float((u - about) ** power * p**12 * (1 - p) ** 22 * np.exp(-u * u / 2)) * 1e9

        return float(quad(weighed, -8, 8, epsabs=0, epsrel=1e-11, limit=200)[0])

    within = model.within(theta)
    mean, deviation = within.mean[7], within.deviation[7]
    assert mean == pytest.approx(moment(1) / moment(0), rel=1e-8)
    assert deviation**2 == pytest.approx(moment(2, mean) / moment(0), rel=1e-8)


@pytest.mark.parametrize("spread", [1.0, 3.7, 5.0])
def test_modes_are_found_however_wide_the_spread(spread):
    """Where k − n μ = u / σ: Newton steps alone go to and fro between two points here."""
    names, k, n = list("abc"), np.array([0, 30, 30]), np.array([60, 80, 90])
    _, _, model = grouped(build(pd.DataFrame(index=range(3)), []), k, trials=n, group=names, nodes=25, method="")
    for middle in (-6.0, -4.6, -2.0, 0.0, 3.0):
        u, _ = model.modes(np.array([middle, spread]))
        assert k - n * expit(middle + spread * u) == pytest.approx(u / spread, abs=1e-8)


def test_information_is_the_slope_of_the_gradient(herds):
    _, model, at = known(herds, [Category("period", "1")], herds["incidence"], herds["size"], herds["herd"], 0.8)
    theta = np.append(at.coefficients, 0.8)
    within = model.within(theta + 0.1)
    assert within.information == pytest.approx(model.hessian(theta + 0.1)[:-1, :-1], abs=1e-6)
    assert within.slope == pytest.approx(-model.negative(theta + 0.1)[1][:-1], abs=1e-9)
    assert within.log_likelihood == -model.negative(theta + 0.1)[0]


def test_errors_that_allow_for_the_mean_agree_with_metafor():
    names = [str(i) for i in range(11)]
    _, _, at = known(pd.DataFrame(index=range(11)), [], DEATHS, OPERATIONS, names, 0.3)
    assert at.effects == pytest.approx(AT_A_THIRD[0], abs=5e-6)
    assert at.errors == pytest.approx(AT_A_THIRD[1], abs=2e-8)


def test_spread_of_large_groups_is_that_of_restricted_maximum_likelihood():
    found = of_counts(DEATHS, OPERATIONS, [str(i) for i in range(11)])
    assert isinstance(found.spread, Estimate)
    assert (found.spread.value, found.spread.low, found.spread.high) == pytest.approx(REML_SPREAD, rel=2e-4)


def test_mixture_agrees_with_integration_over_everything():
    """Mean, spread and effects of six groups on a grid: flat in the mean, half-normal in the spread."""
    k, n = SIX["events"].to_numpy(), SIX["zones"].to_numpy()
    effect = np.linspace(-5, 5, 401)
    middle, spreads = np.linspace(-4.5, 0.5, 81), np.linspace(0.02, 4, 100)
    risk = expit(middle[:, None] + effect)
    kernel = np.exp(k[:, None, None] * np.log(risk) + (n - k)[:, None, None] * np.log1p(-risk))
    kernel /= kernel.max(axis=(1, 2), keepdims=True)
    normal = stats.norm.pdf(effect, 0, spreads[:, None])
    by_group = np.einsum("gme,se->gms", kernel, normal)
    total = np.exp(-0.5 * spreads**2) * by_group.prod(axis=0)
    found = of_counts(k, n, SIX["group"])
    for j, name in enumerate(SIX["group"]):
        density = np.einsum("ms,me,se->e", total / by_group[j], kernel[j], normal)
        below = np.cumsum(density) / density.sum()
        exact = np.interp([0.5, 0.025, 0.975], below, effect)
        # the mixture takes each effect as normal at a known spread, and Laplace's method is not exact with few events
        assert logs(found.shrunken[name]) == pytest.approx(exact, abs=0.05)
    marginal = total.sum(axis=0) / np.exp(-0.5 * spreads**2)
    assert isinstance(found.spread, Estimate)
    assert spreads[marginal.argmax()] == pytest.approx(found.spread.value, abs=0.05)
    within = spreads[np.log(marginal) > np.log(marginal.max()) - 0.5 * stats.chi2.ppf(0.95, 1)]
    assert [found.spread.low, found.spread.high] == pytest.approx([within[0], within[-1]], abs=0.12)


def test_spread_lies_above_the_one_of_the_profile(herds):
    """Integrating the coefficients out makes good what they took: with few groups it is far from little."""
    fit = random_intercept(
        build(herds, [Category("period", "1")]),
        herds["incidence"],
        trials=herds["size"],
        group=herds["herd"],
        profile=[],
    )
    found = of_herds(herds)
    plain = fit.details["between_sd"]
    assert plain.value < found.spread.value < 1.2 * plain.value
    assert found.spread.high > plain.high
    assert found.spread.p_value == pytest.approx(plain.p_value, rel=0.01)


def test_limits_are_wider_than_with_mean_and_spread_taken_as_known(herds):
    fit = random_intercept(
        build(herds, [Category("period", "1")]),
        herds["incidence"],
        trials=herds["size"],
        group=herds["herd"],
        profile=[],
    )
    found = of_herds(herds)
    z = stats.norm.isf(0.025)
    for name, (mode, error) in fit.details["modes"].items():
        value, low, high = logs(found.shrunken[name])
        assert high - low > 2 * z * error
        assert value == pytest.approx(mode, abs=0.1)
        assert np.sign(value) == np.sign(mode)


def test_prior_matters_little(herds, monkeypatch):
    found = of_herds(herds)
    monkeypatch.setattr(shrunken, "PRIOR_SD", 1e6)
    flat = of_herds(herds)
    for name, answer in found.shrunken.items():
        assert logs(flat.shrunken[name]) == pytest.approx(logs(answer), abs=0.12)


def test_groups_alike_are_near_the_average_with_limits():
    found = of_counts([10] * 6, [100] * 6, list("abcdef"))
    assert isinstance(found.spread, Estimate)
    assert (found.spread.value, found.spread.low, found.spread.p_value) == (0, 0, 1)
    assert 0.1 < found.spread.high < 2
    for name, answer in found.shrunken.items():
        value, low, high = logs(answer)
        assert value == pytest.approx(0, abs=2e-3)
        assert -0.7 < low < -0.2
        assert low == pytest.approx(-high, abs=0.02)
        assert 0 < found.reliability[name] < 0.5
        assert (answer.n, answer.events) == (100, 10)


def test_more_records_are_more_reliable():
    found = of_counts([3, 60, 8, 30, 15, 20], [30, 300, 100, 300, 100, 300], list("abcdef"))
    assert found.reliability["b"] > found.reliability["c"] > found.reliability["a"]
    assert all(0 < share < 1 for share in found.reliability.values())
    widths = {name: np.ptp(logs(answer)[1:]) for name, answer in found.shrunken.items()}
    assert widths["b"] < widths["c"] < widths["a"]


def test_a_higher_level_is_wider(herds):
    plain, wide = of_herds(herds), of_herds(herds, level=0.998)
    assert wide.spread.low < plain.spread.low < plain.spread.high < wide.spread.high
    for name, answer in plain.shrunken.items():
        assert wide.shrunken[name].low < answer.low < answer.high < wide.shrunken[name].high
        assert wide.shrunken[name].value == pytest.approx(answer.value, rel=1e-3)


def test_order_and_labels_do_not_matter(herds):
    shuffled = herds.sample(frac=1, random_state=2)
    shuffled["herd"] = "herd " + shuffled["herd"].astype(str)
    mine, other = of_herds(herds), of_herds(shuffled)
    assert other.spread.value == pytest.approx(mine.spread.value, rel=1e-6)
    for herd, answer in mine.shrunken.items():
        again = other.shrunken[f"herd {herd}"]
        assert logs(again) == pytest.approx(logs(answer), abs=1e-6)
        assert (again.n, again.events) == (answer.n, answer.events)
        assert other.reliability[f"herd {herd}"] == pytest.approx(mine.reliability[herd], rel=1e-6)


def test_units_of_a_covariate_do_not_matter(herds):
    found = [
        between_groups(
            build(herds.assign(period=herds["period"] * scale), [Numeric("period")]),
            herds["incidence"], trials=herds["size"], group=herds["herd"],
        )
        for scale in (1, 1000)
    ]  # fmt: skip
    assert logs(found[1].shrunken[8]) == pytest.approx(logs(found[0].shrunken[8]), abs=1e-7)


def test_a_design_effect_counts_records_at_less():
    k, n = SIX["events"].to_numpy(), SIX["zones"].to_numpy()
    found, halved = of_counts(k, n, SIX["group"]), of_counts(2 * k, 2 * n, SIX["group"], design_effect=2.0)
    for part in ("value", "low", "high", "p_value"):
        assert getattr(halved.spread, part) == pytest.approx(getattr(found.spread, part), rel=1e-6)
    for name, answer in found.shrunken.items():
        assert logs(halved.shrunken[name]) == pytest.approx(logs(answer), abs=1e-6)
        assert halved.shrunken[name].n == 2 * answer.n
        assert halved.reliability[name] == pytest.approx(found.reliability[name], rel=1e-6)
    with pytest.raises(ValueError, match="at least 1"):
        of_counts(k, n, SIX["group"], design_effect=0.9)


def test_odds_turned_round_turn_the_odds_ratios():
    k, n = SIX["events"].to_numpy(), SIX["zones"].to_numpy()
    found, turned = of_counts(k, n, SIX["group"]), of_counts(n - k, n, SIX["group"])
    assert turned.spread.high == pytest.approx(found.spread.high, rel=1e-6)
    for name, answer in found.shrunken.items():
        value, low, high = logs(turned.shrunken[name])
        assert (-value, -high, -low) == pytest.approx(tuple(logs(answer)), abs=1e-6)


def test_groups_without_an_event_are_answered():
    found = of_counts([0, 0, 30], [60, 80, 90], list("abc"))
    assert isinstance(found.spread, NotEstimable)
    assert found.spread.reason == "the groups lie too far apart for a spread to be put to it"
    assert all(isinstance(answer, Estimate) for answer in found.shrunken.values())
    assert logs(found.shrunken["c"])[1] > 0


@pytest.mark.parametrize(
    ("group", "events", "reason"),
    [
        (list("aaabbb"), [1, 0, 0, 1, 1, 0], "a spread needs 3 groups, and there are 2"),
        (list("aabbcc"), [1, 0, 0, 1, 1, 0], "fewer than 5 events or non-events"),
        (list("aabbcc"), [0] * 6, "no events"),
    ],
)
def test_data_that_cannot_answer_say_why(group, events, reason):
    answer = between_groups(build(pd.DataFrame({"x": [0, 1, 0, 1, 0, 1]}), [Numeric("x")]), events, group=group)
    assert isinstance(answer, NotEstimable)
    assert answer.reason == reason


def test_one_node_is_refused(herds):
    with pytest.raises(ValueError, match="at least 5"):
        of_herds(herds, nodes=1)


@pytest.mark.parametrize(("groups", "replicates"), [(3, 60), (8, 30)])
def test_limits_hold_the_truth(groups, replicates):
    """Log odds drawn with a spread of 0.3: limits that take spread and mean as known hold 59 in 100 of three groups."""
    rng, n = np.random.default_rng(groups), 400
    held, spread_held = [], []
    for _ in range(replicates):
        own = 0.3 * rng.standard_normal(groups)
        events = rng.binomial(n, expit(-2.4 + own))
        found = of_counts(events, [n] * groups, np.arange(groups))
        for j, answer in found.shrunken.items():
            held.append(answer.low < np.exp(own[j]) < answer.high)
        high = found.spread.high
        spread_held.append(found.spread.low <= 0.3 and (high is None or high >= 0.3))
    # three Monte Carlo errors below 95 in 100, the effects of one replicate going together
    error = np.sqrt(0.95 * 0.05 / replicates)
    assert np.mean(held) > 0.95 - 3 * error
    assert np.mean(spread_held) > 0.95 - 3 * error
