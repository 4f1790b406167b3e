"""Calls of every public estimator on small random records; what comes back is judged in test_never_a_lie.py."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
from hypothesis import strategies as st

from outcomes.estimates import (
    accelerated,
    aggregated,
    ascertainment,
    between,
    charts,
    clustered,
    cox,
    difference,
    discrimination,
    few_groups,
    firth,
    funnel,
    goodness,
    impute,
    incidence,
    interval_censored,
    interval_tests,
    linear,
    logistic,
    mantel_haenszel,
    marginal,
    mean,
    mixed,
    multiplicity,
    needed,
    none_seen,
    overdispersion,
    pooling,
    proportion,
    rate,
    rates_compared,
    restricted_mean,
    run_lengths,
    scaled_profile,
    sensitivity,
    shrunken,
    standardise,
    turnbull,
    validation,
    weighted,
)
from outcomes.estimates.design import Category, Design, Numeric, Spline, build
from outcomes.estimates.estimate import Estimate, Fit, NotEstimable, tidy
from outcomes.estimates.splines import knots_at_quantiles

LEVELS = ("I", "II", "III", "IV", "V")

SEARCHED: dict[str, Callable[[pd.DataFrame, float], Any]] = {}


def searched(*names: str) -> Callable[[Callable[[pd.DataFrame, float], Any]], Callable[[pd.DataFrame, float], Any]]:
    """Register a call as the search of these functions."""

    def register(call: Callable[[pd.DataFrame, float], Any]) -> Callable[[pd.DataFrame, float], Any]:
        for name in names:
            assert name not in SEARCHED
        SEARCHED[names[0]] = call
        for name in names[1:]:
            SEARCHED[name] = lambda rows, level: None
        return call

    return register


@st.composite
def clinics(draw) -> pd.DataFrame:
    """Up to 24 records of a few patients and practitioners."""
    rows = draw(st.integers(0, 24))

    def column(values: st.SearchStrategy) -> list:
        return draw(st.lists(values, min_size=rows, max_size=rows))

    rare = draw(st.sampled_from([(0,), (1,), (0, 0, 0, 1), (0, 1)]))
    frame = pd.DataFrame(
        {
            "patient": [f"p{i}" for i in column(st.integers(0, draw(st.sampled_from([0, 2, 20]))))],
            "practitioner": [f"d{i}" for i in column(st.integers(0, draw(st.sampled_from([0, 1, 4]))))],
            "event": column(st.sampled_from(rare)),
            "side": column(st.booleans()),
            "energy": column(st.sampled_from((5.0, 10.0, 10.0, 20.0, 1e6))),
            "days": column(st.integers(0, 9)),
            "wait": column(st.integers(0, 6)),
            "open": column(st.booleans()),
            "risk": column(st.sampled_from((0.01, 0.2, 0.2, 0.6, 0.999))),
            "cause": column(st.integers(0, 2)),
        }
    ).astype({"event": int, "energy": float, "days": float, "wait": float, "risk": float, "cause": int,
              "side": bool, "open": bool})  # fmt: skip
    skin = column(st.sampled_from(LEVELS[: draw(st.integers(1, 4))]))
    frame["skin"] = pd.Series(skin, dtype=pd.CategoricalDtype(LEVELS, ordered=True))
    frame["by"] = (frame["days"] + frame["wait"]).where(~frame["open"])
    return frame


def design_of(rows: pd.DataFrame) -> Design:
    return build(rows, [Category("skin", "II"), Numeric("energy", per=5), Numeric("side")])


def counts(rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, list[str]]:
    by = rows.groupby("practitioner")["event"]
    return by.sum().to_numpy(), by.size().to_numpy(), [str(name) for name in by.size().index]


def standardised(fit: Fit | NotEstimable, design: Design, rows: pd.DataFrame) -> Any:
    if isinstance(fit, NotEstimable):
        return fit
    found = standardise.standardised_risks(fit, [design.matrix, design.evaluate(rows.assign(energy=10.0))], ["a", "b"])
    return [fit, found.risks, found.difference(0, 1), found.ratio(0, 1)]


@searched("logistic.maximum_likelihood", "standardise.standardised_risks")
def by_maximum_likelihood(rows: pd.DataFrame, level: float) -> Any:
    design = design_of(rows)
    alone = logistic.maximum_likelihood(design, rows["event"], level=level, limits="profile")
    fit = logistic.maximum_likelihood(design, rows["event"], cluster=rows["patient"], level=level)
    return [alone, standardised(fit, design, rows)]


@searched("firth.penalised", "firth.ladder", "firth.flac", "scaled_profile.few_patients")
def by_firth(rows: pd.DataFrame, level: float) -> Any:
    design = design_of(rows)
    fit = firth.penalised(design, rows["event"], cluster=rows["patient"], level=level)
    with_events = rows.loc[rows["event"] == 1, "patient"].nunique()
    firth.ladder(len(design.names) - 1, with_events, int(rows["event"].sum()))
    wider = [scaled_profile.few_patients(size, 1 + with_events, level) for size in (1.0, 1.0 + len(rows))]
    return [standardised(fit, design, rows), firth.flac(design, rows["event"]), wider]


@searched("standardise.risk_curve")
def by_curve(rows: pd.DataFrame, level: float) -> Any:
    knots = knots_at_quantiles(rows["risk"], 3) if rows["risk"].nunique() > 2 else []
    term = Spline("risk", knots) if len(knots) > 2 else Numeric("risk")
    design = build(rows, [term])
    fit = firth.penalised(design, rows["event"], cluster=rows["patient"], level=level)
    if isinstance(fit, NotEstimable) or design.constant:
        return fit
    return standardise.risk_curve(fit, design, rows, "risk", [0.1, 0.3, 0.6], level=level)


@searched("mixed.random_intercept", "between.risks_from_modes", "few_groups.on_few_groups",
          "shrunken.between_groups")  # fmt: skip
def by_practitioner(rows: pd.DataFrame, level: float) -> Any:
    design, group = build(rows, [Numeric("side")]), rows["practitioner"]
    apart = shrunken.between_groups(design, rows["event"], group=group, design_effect=1.7, level=level)
    fit = mixed.random_intercept(design, rows["event"], group=group, level=level)
    if isinstance(fit, NotEstimable):
        return [fit, apart]
    events, sizes, names = counts(rows)
    held = {name: (int(n), int(k)) for name, n, k in zip(names, sizes, events, strict=True)}
    modes = {name: mode for name, mode in fit.details["modes"].items() if mode[1] > 0}
    few = [few_groups.on_few_groups(term, groups, 1) for term in fit.terms for groups in (2, 3, 4)]
    return [
        fit,
        apart,
        few,
        fit.details["between_sd"],
        between.risks_from_modes(float(fit.coefficients[0]), modes, held),
    ]


@searched("marginal.estimating_equations")
def by_estimating_equations(rows: pd.DataFrame, level: float) -> Any:
    visit = rows.groupby("patient").cumcount()
    return [
        marginal.estimating_equations(
            design_of(rows), rows["event"], cluster=rows["patient"], visit=visit, correlation=kind, level=level
        )
        for kind in marginal.CORRELATIONS
    ]


@searched("linear.linear_regression", "aggregated.line_through_means")
def by_line(rows: pd.DataFrame, level: float) -> Any:
    means = aggregated.line_through_means(rows["days"], rows["wait"], rows["energy"], level=level)
    line = linear.linear_regression(design_of(rows), rows["wait"], cluster=rows["patient"], level=level, unit="days")
    return [means, line]


@searched("weighted.weighted_logistic", "weighted.predicted_chance")
def by_weights(rows: pd.DataFrame, level: float) -> Any:
    design, weight = design_of(rows), rows["wait"] + 0.5
    fit = weighted.weighted_logistic(design, rows["event"], weight=weight, cluster=rows["patient"], level=level)
    return [fit, weighted.predicted_chance(design, rows["event"])]


@searched("cox.proportional_hazards", "cox.proportionality")
def by_hazards(rows: pd.DataFrame, level: float) -> Any:
    fit = cox.proportional_hazards(design_of(rows), rows["days"], rows["event"], cluster=rows["patient"], level=level)
    return fit if isinstance(fit, NotEstimable) else [fit, cox.proportionality(fit)]


@searched("accelerated.accelerated_failure_time", "accelerated.adjusted_median")
def by_time_ratio(rows: pd.DataFrame, level: float) -> Any:
    design, found = design_of(rows), []
    for family in ("loglogistic", "weibull", "lognormal"):
        fit = accelerated.accelerated_failure_time(
            design, rows["days"], rows["by"], family=family, cluster=rows["patient"], level=level
        )
        found.append(fit)
        if isinstance(fit, Fit):
            found += accelerated.adjusted_median(fit, [design.matrix], ["as they are"], level=level)
    return found


@searched("turnbull.turnbull", "turnbull.under_observation", "interval_censored.interval_curve",
          "interval_censored.median")  # fmt: skip
def by_interval_curve(rows: pd.DataFrame, level: float) -> Any:
    after, by, patient = rows["days"], rows["by"], rows["patient"]
    middle = interval_censored.median(after, by, patient, replicates=40, level=level)
    if not len(rows):
        return middle
    curve = interval_censored.interval_curve(
        after, by, patient, [0, 3, 7], replicates=40, level=level, fewest_patients=3
    )
    turnbull.under_observation(after, by, [0, 3, 7])
    return [middle, curve, turnbull.turnbull(after, by)]


@searched("interval_tests.interval_rank_test")
def by_rank_test(rows: pd.DataFrame, level: float) -> Any:
    return [
        interval_tests.interval_rank_test(rows["days"], rows["by"], rows["skin"], cluster=cluster, scores=scores)
        for scores in interval_tests.SCORES
        for cluster in (None, rows["patient"])
    ]


@searched("incidence.kaplan_meier", "incidence.aalen_johansen")
def by_incidence(rows: pd.DataFrame, level: float) -> Any:
    curve = incidence.kaplan_meier(rows["days"], rows["event"], cluster=rows["patient"], level=level)
    causes = incidence.aalen_johansen(rows["days"], rows["cause"], causes=[1, 2], level=level)
    band = curve.survival_band_at([0, 4, 9]), causes.survival_band_at([0, 4, 9])
    risks = [c.risk_by(day, cause) for c, cause in ((curve, 1), (causes, 1), (causes, 2)) for day in (0, 4, 9)]
    return [curve, causes, band, risks, curve.median()]


@searched("restricted_mean.restricted_mean", "restricted_mean.compare_restricted_means")
def by_restricted_mean(rows: pd.DataFrame, level: float) -> Any:
    first = rows["side"].to_numpy(dtype=bool)
    return [
        restricted_mean.restricted_mean(rows["days"], rows["event"], 6, cluster=rows["patient"], level=level),
        restricted_mean.compare_restricted_means(rows["days"], rows["event"], first, 6, level=level),
    ]


@searched("proportion.proportion", "proportion.clustered_proportion", "none_seen.upper_bound_if_none",
          "clustered.design_effect", "proportion.proportion_from_variance", "none_seen.cases_to_exclude",
          "difference.difference", "difference.ratio", "needed.more_to_settle", "needed.cases_for_verdict",
          "needed.cases_to_show_difference", "multiplicity.with_adjusted")  # fmt: skip
def by_proportion(rows: pd.DataFrame, level: float) -> Any:
    n, k = len(rows), int(rows["event"].sum())
    plain = [proportion.proportion(k, n, method=method, level=level) for method in proportion.METHODS]
    sides = [
        proportion.clustered_proportion(part["event"], part["patient"], level=level)
        for part in (rows[rows["side"]], rows[~rows["side"]])
    ]
    gap = [difference.difference(*sides, correlation=0.3), difference.ratio(*sides), difference.ratio(*sides[::-1])]
    more = [needed.more_to_settle(a, 0.1, design_effect=1.3) for a in plain if isinstance(a, Estimate)]
    bound = none_seen.upper_bound_if_none(n, level=level)
    effect = clustered.design_effect(rows["event"], rows["patient"]) if n else 1.0
    by_design = (
        proportion.proportion_from_variance(k / n, 0.01, n, patients=n, events=k, degrees_of_freedom=2) if n else 0
    )
    sizes = [needed.cases_for_verdict(r, 0.3) for r in (0.0, 0.2, 1.0)]
    sizes += [needed.cases_to_show_difference(0.1, 0.4), none_seen.cases_to_exclude(0.05)]
    return [plain, sides, gap, more, bound, effect, by_design, sizes, multiplicity.with_adjusted(plain, "holm")]


@searched("rate.poisson_rate", "rate.observed_expected", "rate.poisson_tails", "rates_compared.direct_standardised",
          "rates_compared.rate_ratio", "mantel_haenszel.common_odds_ratio", "mantel_haenszel.common_risk_ratio",
          "mantel_haenszel.common_rate_ratio", "multiplicity.holm", "multiplicity.benjamini_hochberg")  # fmt: skip
def by_rate(rows: pd.DataFrame, level: float) -> Any:
    n, k, expected = len(rows), int(rows["event"].sum()), float(rows["risk"].sum())
    found: list[Any] = [rate.observed_expected(k, expected, design_effect=1.5, method=m, level=level)
                        for m in rate.METHODS]  # fmt: skip
    found += [rate.poisson_rate(k, float(n), method=m, level=level) for m in rate.METHODS] if n or not k else []
    if expected > 0:
        found.append(rate.poisson_tails(k, expected, mid=True))
    if not n:
        return found
    cells = rows.groupby(["skin", "side"], observed=False)["event"].agg(["sum", "size"]).unstack("side", fill_value=0)
    yes, no = ((cells["sum"].get(s), cells["size"].get(s)) for s in (True, False))
    if yes[0] is not None and no[0] is not None:
        for ratio in (mantel_haenszel.common_odds_ratio, mantel_haenszel.common_risk_ratio,
                      mantel_haenszel.common_rate_ratio):  # fmt: skip
            found.append(ratio(*yes, *no, level=level))
        found.append(rates_compared.direct_standardised(yes[0], yes[1], yes[1] + no[1], level=level))
        if yes[1].sum() and no[1].sum():
            found.append(
                rates_compared.rate_ratio(int(yes[0].sum()), yes[1].sum(), int(no[0].sum()), no[1].sum(), level=level)
            )
    p = [a.p_value for a in found if isinstance(a, Estimate)]
    return [found, multiplicity.holm(p), multiplicity.benjamini_hochberg(p)]


@searched("between.between_units", "between.log_odds", "between.shrunken_risks", "overdispersion.overdispersion",
          "funnel.binomial_limits", "funnel.poisson_limits", "funnel.exact_tail", "funnel.conditional_z",
          "funnel.conditional_flag", "funnel.detectable_odds_ratio")  # fmt: skip
def by_unit(rows: pd.DataFrame, level: float) -> Any:
    events, sizes, names = counts(rows)
    if not len(names):
        return None
    total, n = int(events.sum()), int(sizes.sum())
    found: list[Any] = [between.shrunken_risks(events, sizes, names, design_effect=1.4, level=level)]
    found.append(between.between_units(*between.log_odds(events, sizes), names, level=level))
    for k, m in zip(events.tolist(), sizes.tolist(), strict=True):
        found += [funnel.conditional_flag(k, m, total, n, 1.4), funnel.conditional_z(k, m, total, n)]
        found += [*funnel.exact_tail(k, m, total / n, mid=True), funnel.detectable_odds_ratio(m, n, 0.1)]
    found.append(funnel.poisson_limits(sizes))
    if 0 < total < n:
        found.append(funnel.binomial_limits(total / n, sizes, design_effect=1.4))
        if len(names) > 1:
            found.append(overdispersion.overdispersion(events, sizes))
    return found


@searched("mean.clustered_mean", "mean.clustered_mean_difference")
def by_mean(rows: pd.DataFrame, level: float) -> Any:
    return [
        mean.clustered_mean(rows["energy"], rows["patient"], level=level),
        mean.clustered_mean_difference(rows["energy"], rows["patient"], rows["side"], level=level),
    ]


@searched("discrimination.c_statistic", "discrimination.calibration", "discrimination.brier", "validation.optimism",
          "validation.cross_validated", "goodness.explained", "goodness.risk_groups")  # fmt: skip
def by_prediction(rows: pd.DataFrame, level: float) -> Any:
    y, p, patient = rows["event"], rows["risk"], rows["patient"]
    found = [discrimination.c_statistic(y, p, level, limits=kind, cluster=c) for kind in ("logit", "plain")
             for c in (None, patient)]  # fmt: skip
    found += [f(y, p, level, cluster=c) for f in (discrimination.calibration, discrimination.brier)
              for c in ((None, patient) if len(rows) else ())]  # fmt: skip
    design = build(rows, [Numeric("side")])
    if len(rows) and patient.nunique() > 2:
        found.append(validation.optimism(design, y, cluster=patient, resamples=5, penalty=0.5))
        found.append(validation.cross_validated(design, y, cluster=patient, folds=2, penalty=0.5))
    if 0 < y.sum() < len(rows):
        found.append(goodness.explained(y, np.clip(p.to_numpy(), 0.02, 0.98), 1))
    if p.nunique() > 3:
        found.append(goodness.risk_groups(y, p.to_numpy(), groups=4, fitted=False))
    return found


@searched("ascertainment.risk_among_all", "sensitivity.tipping_risk")
def by_reach(rows: pd.DataFrame, level: float) -> Any:
    if not len(rows):
        return None
    early, seen = rows["event"].to_numpy(dtype=bool), rows["side"].to_numpy()
    late = rows["open"].to_numpy() & seen
    covariates = np.column_stack([np.ones(len(rows)), rows["energy"]])
    found = ascertainment.risk_among_all(early, seen, late, covariates, rows["patient"], fewest_seen=2, level=level)
    return [found, sensitivity.tipping_risk(int(early.sum()), len(rows), len(rows) + 3, 0.2)]


@searched("charts.risk_adjusted_cusum", "charts.sequential_bounds", "charts.ewma", "charts.gaps_between_events")
def by_chart(rows: pd.DataFrame, level: float) -> Any:
    found: list[Any] = [charts.risk_adjusted_cusum(rows["event"], rows["risk"], limit=1.5)]
    found += [charts.ewma(rows["event"], 0.2, 0.4), charts.sequential_bounds(1 - level, 0.2)]
    if rows["event"].sum() > 2:
        found.append(charts.gaps_between_events(rows["event"]))
    return found


@searched("run_lengths.run_length", "run_lengths.run_length_quantiles", "run_lengths.limit_for_run_length",
          "run_lengths.bernoulli_run_length", "run_lengths.bernoulli_run_length_quantiles")  # fmt: skip
def by_run_length(rows: pd.DataFrame, level: float) -> Any:
    exact = run_lengths.bernoulli_run_length(0.1, 3, 5), run_lengths.bernoulli_run_length_quantiles(0.1, 3, 5)
    assert sorted(exact[1]) == list(exact[1])
    if not len(rows):
        return exact
    limit = run_lengths.limit_for_run_length(rows["risk"], 60, odds_ratio=0.5, cells=30)
    shorter = run_lengths.run_length_quantiles(rows["risk"], limit=1.0, cells=30)
    assert 1 <= shorter[0] <= shorter[1] <= shorter[2]
    return [exact, limit, shorter, run_lengths.run_length(rows["risk"], limit=1.0, cells=30)]


@searched("pooling.rubin", "sensitivity.e_value", "estimate.tidy")
def by_pooling(rows: pd.DataFrame, level: float) -> Any:
    if len(rows) < 2:
        return None
    pooled = pooling.rubin(rows["days"].tolist(), (rows["wait"] + 0.5).tolist(), level=level, exponentiate=True)
    ratio = dataclasses.replace(pooled.answer, unit="odds ratio")
    tidy([ratio])
    return [pooled, sensitivity.e_value(ratio) if isinstance(ratio, Estimate) else ratio]


@searched("impute.imputed", "pooling.pooled_answers", "pooling.pooled_fits")
def by_imputation(rows: pd.DataFrame, level: float) -> Any:
    gaps = rows.assign(risk=rows["risk"].where(~rows["open"]), skin=rows["skin"].where(rows["wait"] > 1))
    if any(gaps.loc[gaps[c].notna(), "patient"].nunique() < 5 for c in ("risk", "skin")):
        return None
    sets = impute.imputed(gaps, ["risk", "skin"], ["event", "side"], cluster=rows["patient"], imputations=3)
    assert all(bool(one[["risk", "skin"]].notna().all(axis=None)) for one in sets)
    shares = [proportion.proportion(int((one["risk"] > 0.1).sum()), len(one), level=level) for one in sets]
    fits = [firth.penalised(design_of(one), one["event"], cluster=one["patient"], level=level) for one in sets]
    return [pooling.pooled_answers(shares), pooling.pooled_fits(fits)]
