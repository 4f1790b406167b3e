"""Evidence: proportions, tables, differences, rates and standardisation."""

from __future__ import annotations

import numpy as np
import pandas as pd
from evidence import Frame, Values, evidence, limits, standard_error

from outcomes.estimates.binomial import exact_limits, jeffreys_limits, mid_p_limits, wilson_limits
from outcomes.estimates.clustered import design_effect
from outcomes.estimates.design import Category, build
from outcomes.estimates.difference import difference
from outcomes.estimates.firth import penalised
from outcomes.estimates.funnel import conditional_flag, exact_tail
from outcomes.estimates.logistic import maximum_likelihood
from outcomes.estimates.mantel_haenszel import common_odds_ratio, common_rate_ratio
from outcomes.estimates.none_seen import cases_to_exclude, upper_bound_if_none
from outcomes.estimates.overdispersion import overdispersion
from outcomes.estimates.proportion import clustered_proportion, proportion
from outcomes.estimates.rate import count_limits, observed_expected, poisson_tails
from outcomes.estimates.rates_compared import direct_standardised, rate_ratio
from outcomes.estimates.standardise import standardised_risks

LIMITS = {
    "wilson": wilson_limits,
    "clopper_pearson": exact_limits,
    "mid_p": mid_p_limits,
    "jeffreys": jeffreys_limits,
}


@evidence("proportion.proportion, binomial.*_limits", "prop.ci.newcombe.81_263", "prop.ci.newcombe.0_20")
def one_proportion(data, frame: Frame, expected) -> Values:
    found = {
        name: dict(zip(("lower", "upper"), rule(data["x"], data["n"], data["conf"]), strict=True))
        for name, rule in LIMITS.items()
    }
    return {"estimate": proportion(data["x"], data["n"]).value, **found}


@evidence("binomial.*_limits", "prop.ci.grid.a", "prop.ci.edges")
def proportions(data, frame: Frame, expected) -> Values:
    cells = list(zip(data["x"], data["n"], data["conf"], strict=True))
    return {
        name: dict(zip(("lower", "upper"), zip(*(rule(*cell) for cell in cells), strict=True), strict=True))
        for name, rule in LIMITS.items()
    }


@evidence("binomial.jeffreys_limits, proportion.proportion", "prop.ci.bcd.modified_jeffreys")
def modified_jeffreys(data, frame: Frame, expected) -> Values:
    # the modification concerns limits at 0, 1, n − 1 and n events; away from them, and at 0 with exact limits, ours
    one, two = ([jeffreys_limits(k, n) for n in data["n"]] for k in (1, 2))
    return {
        "x0_upper": [proportion(0, n).high for n in data["n"]],
        "x1_upper": [high for _, high in one],
        "x2_lower": [low for low, _ in two],
        "x2_upper": [high for _, high in two],
    }


@evidence("none_seen.upper_bound_if_none, proportion.proportion", "prop.zero.hanley_table")
def none_of_n(data, frame: Frame, expected) -> Values:
    return {
        "exact_one_sided_95": [upper_bound_if_none(n, sides=1).high for n in data["n"]],
        "exact_two_sided_95_upper": [upper_bound_if_none(n).high for n in data["n"]],
        "exact_one_sided_99": [upper_bound_if_none(n, sides=1, level=0.99).high for n in data["n"]],
        "wilson_two_sided_95_upper": [wilson_limits(0, n)[1] for n in data["n"]],
        "mid_p_two_sided_95_upper": [mid_p_limits(0, n)[1] for n in data["n"]],
        "jeffreys_two_sided_95_upper": [jeffreys_limits(0, n)[1] for n in data["n"]],
        "clopper_pearson_check": [proportion(0, n).high for n in data["n"]],
    }


@evidence("none_seen.cases_to_exclude", "prop.zero.sample_size")
def cases_without_event(data, frame: Frame, expected) -> Values:
    return {"n_exact": [cases_to_exclude(p) for p in data["p0"]]}


@evidence("none_seen.cases_to_exclude", "prop.zero.sample_size.b")
def cases_without_event_at_two_levels(data, frame: Frame, expected) -> Values:
    return {
        f"n_exact_{100 * level:.0f}": [cases_to_exclude(p, level=level) for p in data["p0"]] for level in (0.95, 0.99)
    }


@evidence("difference.difference", *(f"prop.diff.newcombe.{case}" for case in "abdfg"))
def two_proportions(data, frame: Frame, expected) -> Values:
    def wilson(events: int, n: int):
        # the method's own limits at no event and at nothing but events, where `proportion` gives exact ones
        low, high = wilson_limits(events, n, data["conf"])
        return type(proportion(1, 2))("", events / n, low, high, "Wilson", n, unit="proportion", events=events)

    found = difference(wilson(data["x1"], data["n1"]), wilson(data["x2"], data["n2"]))
    return {"estimate": found.value, "newcombe_method10": limits(found)}


@evidence(
    "logistic.maximum_likelihood, firth.penalised, standardise.ratio, funnel.conditional_flag",
    "prop.2x2.aspirin_mi", "prop.2x2.tea",
)  # fmt: skip
def two_by_two(data, frame: Frame, expected) -> Values:
    rows = pd.DataFrame({"side": ["a", "b"], "events": [data["a"], data["b"]], "n": [data["n1"], data["n2"]]})
    design = build(rows, [Category("side", "b")])
    fit = maximum_likelihood(design, rows["events"], trials=rows["n"])
    odds = fit.terms[0]
    ratio = standardised_risks(fit, [design.evaluate(rows.assign(side=s)) for s in "ab"], ["a", "b"]).ratio(0, 1)
    return {
        "odds_ratio": odds.value,
        "odds_ratio_woolf_ci": limits(odds),
        "se_log_or": fit.details["standard_error"][1],
        "risk_ratio": ratio.value,
        "risk_ratio_log_ci": limits(ratio),
        "se_log_rr": standard_error(ratio, logarithm=True),
        "odds_ratio_plus_half": penalised(design, rows["events"], trials=rows["n"]).terms[0].value,
        "mid_p": {"p_two_sided_doubled": _flag(data)},
    }


@evidence("firth.penalised, funnel.conditional_flag", "prop.2x2.zero_cell")
def two_by_two_with_a_zero(data, frame: Frame, expected) -> Values:
    rows = pd.DataFrame({"side": ["a", "b"], "events": [data["a"], data["b"]], "n": [data["n1"], data["n2"]]})
    fit = penalised(build(rows, [Category("side", "b")]), rows["events"], trials=rows["n"])
    return {"odds_ratio_plus_half": fit.terms[0].value, "mid_p": {"p_two_sided_doubled": _flag(data)}}


def _flag(data) -> float:
    return conditional_flag(data["a"], data["n1"], data["a"] + data["b"], data["n1"] + data["n2"])


@evidence("funnel.conditional_flag", "prop.midp.epitools")
def behaviour_type(data, frame: Frame, expected) -> Values:
    (a, b), (c, d) = data["tab"]
    return {"p_two_sided_doubled": conditional_flag(a, a + c, a + b, a + b + c + d)}


@evidence("binomial.exact_limits, funnel.exact_tail", "prop.binom.mendel")
def peas(data, frame: Frame, expected) -> Values:
    low, high = exact_limits(data["x"], data["n"])
    less, greater = exact_tail(data["x"], data["n"], data["p0"])
    return {"lower": low, "upper": high, "p_less": less, "p_greater": greater}


@evidence("overdispersion.overdispersion", "prop.k.smokers")
def smokers(data, frame: Frame, expected) -> Values:
    found = overdispersion(data["x"], data["n"])
    return {"chisq": found.chi_square, "p": found.p_value}


@evidence("funnel.exact_tail", "prop.mcnemar.approval")
def approval(data, frame: Frame, expected) -> Values:
    # the exact test of paired ratings: the changes one way among all changes against one half
    return {"exact_p": 2 * min(exact_tail(data["n12"], data["n12"] + data["n21"], 0.5))}


@evidence("mantel_haenszel.common_odds_ratio", "prop.mh.ucb")
def berkeley(data, frame: Frame, expected) -> Values:
    men, women = np.array(data["admitted_m"]), np.array(data["admitted_f"])
    found = common_odds_ratio(men, men + data["rejected_m"], women, women + data["rejected_f"])
    return {
        "common_odds_ratio": found.answer.value,
        **limits(found.answer),
        "chisq": found.chi_square,
        "p": found.answer.p_value,
    }


@evidence("rate.count_limits", "rate.poisson.ci.a", "rate.poisson.ci.99", "rate.poisson.ci.90")
def counts(data, frame: Frame, expected) -> Values:
    found: Values = {}
    for method in ("exact", "byar", "mid_p"):
        pairs = [count_limits(x, data["conf"], method) for x in data["x"]]
        found[f"{method}_lower"], found[f"{method}_upper"] = zip(*pairs, strict=True)
    one_sided = [count_limits(x, 2 * data["conf"] - 1)[1] for x in data["x"]]
    return {**found, "exact_one_sided_upper": one_sided}


def _ratio(observed: int, expected_count: float, level: float) -> Values:
    answers = {
        m: observed_expected(observed, expected_count, method=m, level=level) for m in ("exact", "byar", "mid_p")
    }
    lower, upper = poisson_tails(observed, expected_count)
    return {
        "smr": answers["exact"].value,
        **{method: limits(answer) for method, answer in answers.items()},
        "p_lower": lower,
        "p_upper": upper,
    }


@evidence("rate.observed_expected", "rate.smr.nickel_lung_manual", "rate.smr.zero", "rate.smr.zero.b")
def observed_over_expected(data, frame: Frame, expected) -> Values:
    return _ratio(data["O"], data["E"], data["conf"])


@evidence("rate.observed_expected", "rate.smr.nickel.lexis.lung", "rate.smr.nickel.lexis.nasal")
def nickel(data, frame: Frame, expected) -> Values:
    rows = frame("nickel_age_period")
    site = "nasal" if expected["observed"] == 56 else "lung"
    count = float((rows["person_years"] * rows[f"{site}_rate_per_million"]).sum() / 1e6)
    return {"expected": count, **_ratio(int(rows[site].sum()), count, 0.95)}


@evidence("rates_compared.direct_standardised", *(f"rate.direct.down.order{order}" for order in range(1, 6)))
def births(data, frame: Frame, expected) -> Values:
    answer = direct_standardised(data["cases"], data["births"], data["standard"], per=1e5)
    return {
        "dsr": {"rate": answer.value, "gamma": limits(answer)},
        "epitools": {"adj.rate": answer.value, "lci": answer.low, "uci": answer.high},
    }


@evidence(
    "rates_compared.direct_standardised, mantel_haenszel.common_rate_ratio, rate.observed_expected",
    "rate.doctors.direct",
)
def doctors(data, frame: Frame, expected) -> Values:
    rows = pd.DataFrame(data)
    smokers_, others = (rows[rows["smoke"] == s].reset_index(drop=True) for s in (1, 0))
    standard = smokers_["person_years"] + others["person_years"]
    found: Values = {}
    for name, side in (("smokers", smokers_), ("non_smokers", others)):
        answer = direct_standardised(side["deaths"], side["person_years"], standard, per=1e5)
        found[name] = {"rate": answer.value, "gamma": limits(answer)}
    ratio = common_rate_ratio(smokers_["deaths"], smokers_["person_years"], others["deaths"], others["person_years"])
    count = float((smokers_["person_years"] * others["deaths"] / others["person_years"]).sum())
    return {
        **found,
        "mh_rate_ratio": ratio.answer.value,
        "mh_se_log": ratio.log_standard_error,
        "mh_lower": ratio.answer.low,
        "mh_upper": ratio.answer.high,
        "smr_smokers_vs_non_smokers": observed_expected(int(smokers_["deaths"].sum()), count).value,
    }


@evidence("rates_compared.rate_ratio", "rate.ratio.breast_fluoroscopy")
def fluoroscopy(data, frame: Frame, expected) -> Values:
    answer = rate_ratio(data["x"][0], data["t"][0], data["x"][1], data["t"][1])
    return {"rate_ratio": answer.value, "exact_lower": answer.low, "exact_upper": answer.high}


@evidence("proportion.clustered_proportion, proportion.design_effect", "logit.icc.cbpp")
def herds(data, frame: Frame, expected) -> Values:
    events, size = data["events"], data["size"]
    labels = [str(i) for i in range(len(size))]
    effect = design_effect(events, labels, trials=size)
    share = clustered_proportion(events, labels, trials=size).value
    return {
        "p": share,
        "rao_scott_design_effect": effect,
        "rao_scott_variance": effect * share * (1 - share) / sum(size),
        "effective_n": sum(size) / effect,
        "effective_events": sum(events) / effect,
    }
