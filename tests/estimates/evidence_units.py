"""Evidence: funnels, spread between units, charts, multiplicity, missing data, dose."""

from __future__ import annotations

import numpy as np
import pandas as pd
from evidence import Frame, Values, evidence, limits, standard_error

from outcomes.estimates.between import between_units, log_odds, risks_from_modes
from outcomes.estimates.charts import (
    cusum_scores,
    ewma,
    gaps_between_events,
    risk_adjusted_cusum,
    sequential_bounds,
)
from outcomes.estimates.design import build
from outcomes.estimates.funnel import binomial_limits, exact_tail, poisson_limits
from outcomes.estimates.mantel_haenszel import common_risk_ratio
from outcomes.estimates.mixed import random_intercept
from outcomes.estimates.multiplicity import benjamini_hochberg, holm
from outcomes.estimates.overdispersion import overdispersion
from outcomes.estimates.pooling import rubin
from outcomes.estimates.run_lengths import bernoulli_run_length
from outcomes.records.dose import (
    coverage_pct,
    fluence_j_cm2,
    grid_density_pct,
    pulse_rate_hz,
    spot_area_cm2,
    zones_per_cm2,
)


@evidence("funnel.binomial_limits", "inst.funnel.binomial.a")
def binomial_funnel(data, frame: Frame, expected) -> Values:
    found = [binomial_limits(target, data["n"], [tail])[:, 0] for tail in data["p"] for target in data["target"]]
    return {"limit_truncated_at_0": np.concatenate(found)}


@evidence("funnel.poisson_limits", "inst.funnel.poisson.a")
def poisson_funnel(data, frame: Frame, expected) -> Values:
    # lines are drawn from 0 upwards: limits below 0 are drawn at 0 and not compared
    found = poisson_limits(data["E"], data["p"]).T.ravel()
    return {"limit": {str(i): x for i, x in enumerate(found) if expected["limit"][i] > 0}}


def _overdispersed(events, sizes) -> Values:
    found = overdispersion(events, sizes)
    given = overdispersion(events, sizes, target=found.target)
    return {
        "z": found.z,
        "phi": found.phi_plain,
        "chisq": found.chi_square,
        "p_overdispersion": given.p_value,
        "phi_winsorised_type7": found.phi,
        "tau2_from_phi_winsorised_type7": found.between_variance,
    }


@evidence("funnel.*, mixed.random_intercept, between.risks_from_modes", "inst.surgical")
def heart_surgery(data, frame: Frame, expected) -> Values:
    deaths, n = data["deaths"], data["n"]
    target = overdispersion(deaths, n).target
    drawn = binomial_limits(target, n).T
    names = [str(i) for i in range(len(n))]
    fit = random_intercept(
        build(pd.DataFrame(index=range(len(n))), []), np.array(deaths), trials=np.array(n), group=names
    )
    modes = {h: (n[int(h)], deaths[int(h)]) for h in names}
    risks = risks_from_modes(float(fit.coefficients[0]), fit.details["modes"], modes)
    tails = [exact_tail(k, m, target, mid=True)[1] for k, m in zip(deaths, n, strict=True)]
    found: Values = {
        "target": target,
        "overdispersion": _overdispersed(deaths, n),
        "exact_mid_p_upper": tails,
        "chisq_homogeneity": overdispersion(deaths, n).chi_square,
    }
    for name, line in zip(("0.001", "0.025", "0.975", "0.999"), drawn, strict=True):
        found[f"limit_{name}"] = {str(i): x for i, x in enumerate(line) if expected[f"limit_{name}"][i] > 0}
    random = {"mu": float(fit.coefficients[0]), "sd": fit.details["between_sd"].value,
              "shrunken_risk": [risk.value for risk in risks]}  # fmt: skip
    return {**found, "random_effects_logit": random}


@evidence("overdispersion.overdispersion", "inst.overdispersion.toy")
def toy_units(data, frame: Frame, expected) -> Values:
    return {"target": overdispersion(data["y"], data["n"]).target, **_overdispersed(data["y"], data["n"])}


def _pooled(values, variances) -> Values:
    # Paule and Mandel's spread and the Q-profile limits of the items stop at 1e-4 (default root finding): they are
    # compared at 1e-9 with their formula solved tightly in R, in test_between.py, and left out here.
    units = between_units(values, variances, [str(i) for i in range(len(values))], estimator="dersimonian_laird")
    return {
        "DL": {
            "estimate": units.common.value,
            "se": standard_error(units.common),
            **limits(units.common),
            "Q": units.chi_square,
            "Q_p": units.p_value,
            "tau2": units.spread.value**2,
        },
        "blup_DL": {
            "pred": [s.value for s in units.shrunken],
            "se": [standard_error(s) for s in units.shrunken],
        },
    }


@evidence("between.between_units, mantel_haenszel.common_risk_ratio", "inst.meta.bcg")
def vaccine(data, frame: Frame, expected) -> Values:
    treated, control = np.array(data["tpos"]), np.array(data["cpos"])
    ratio = common_risk_ratio(treated, treated + data["tneg"], control, control + data["cneg"])
    found = _pooled(expected["yi"], expected["vi"])
    common = {"log_rr": float(np.log(ratio.answer.value)), "se": ratio.log_standard_error}
    return {**found, "mantel_haenszel_rr": common}


@evidence("between.log_odds, between.between_units", "inst.meta.surgical_logit")
def surgical_logits(data, frame: Frame, expected) -> Values:
    values, variances = log_odds(data["xi"], data["ni"])
    return {"yi": values, "vi": variances, **_pooled(values, variances)}


@evidence("charts.cusum_scores", "chart.steiner.scores.parsonnet")
def parsonnet(data, frame: Frame, expected) -> Values:
    event, none = cusum_scores(expected["p"], data["RA"])
    return {"death": event, "survival": none}


@evidence("charts.cusum_scores", "chart.steiner.scores.a")
def scores(data, frame: Frame, expected) -> Values:
    found = {}
    for _, ratio in data["pairs"]:
        event, none = cusum_scores(data["p"], ratio)
        found[f"RA{ratio:g}"] = {"event": event, "no_event": none}
    return found


@evidence("charts.sequential_bounds", "chart.sprt.bounds", "chart.sprt.bounds.b")
def wald(data, frame: Frame, expected) -> Values:
    pairs = [sequential_bounds(a, b) for a, b in zip(data["alpha"], data["beta"], strict=True)]
    lower, upper = zip(*pairs, strict=True)
    return {"upper": upper, "lower": lower}


@evidence("charts.risk_adjusted_cusum", "chart.ra_cusum.births")
def preterm(data, frame: Frame, expected) -> Values:
    rows = frame("births_seq")
    up, down = (
        risk_adjusted_cusum(rows["preterm"], rows["risk"], odds_ratio=r, limit=3, reset=False) for r in (2.0, 0.5)
    )
    first = [chart.signals[0] + 1 if chart.signals else None for chart in (up, down)]
    return {
        "expected_minus_observed": up.expected_minus_observed,
        "upper": up.path,
        "lower": down.path,
        "first_signal_upper": first[0],
        "first_signal_lower": first[1],
        "max_upper": float(up.path.max()),
    }


@evidence("run_lengths.bernoulli_run_length", "chart.bernoulli_cusum.arl.a")
def run_lengths(data, frame: Frame, expected) -> Values:
    designs = list(zip(data["p0"], expected["p1"], data["m"], data["H"], strict=True))
    return {
        "arl_p0": [bernoulli_run_length(p, m, h) for p, _, m, h in designs],
        "arl_p1": [bernoulli_run_length(p, m, h) for _, p, m, h in designs],
        "arl_p0_head_start_half": [bernoulli_run_length(p, m, h, start=h // 2) for p, _, m, h in designs],
        "arl_p1_head_start_half": [bernoulli_run_length(p, m, h, start=h // 2) for _, p, m, h in designs],
    }


@evidence("run_lengths.bernoulli_run_length", "chart.bernoulli_cusum.arl.tiny")
def tiny_run_length(data, frame: Frame, expected) -> Values:
    return {f"arl_from_{s}": bernoulli_run_length(data["p"], data["m"], data["H"], start=s) for s in range(4)}


@evidence("charts.ewma", "chart.ewma.nist")
def handbook(data, frame: Frame, expected) -> Values:
    chart = ewma(data["x"], data["mu0"], data["sigma"], weight=data["lambda"], width=data["L"])
    return {"z": chart.path, "ucl_exact": chart.high, "lcl_exact": chart.low}


@evidence("charts.gaps_between_events", "chart.g.births")
def small_babies(data, frame: Frame, expected) -> Values:
    found = gaps_between_events(frame("births_seq")["lowbw"])
    return {
        "gaps": found.gaps,
        "n_gaps": len(found.gaps),
        "center": found.centre,
        "p_hat_bias_corrected": found.risk,
        "geometric_quantile_0.5": found.median,
        "geometric_quantile_0.99865": found.longest,
        "prob_le": found.tail,
    }


@evidence("multiplicity.holm, multiplicity.benjamini_hochberg", "mult.bh1995", "mult.order_ties")
def adjusted(data, frame: Frame, expected) -> Values:
    found = {"holm": holm(data["p"]), "BH": benjamini_hochberg(data["p"])}
    if "rejected_at_0.05" in expected:
        counts_ = {name: sum(p <= 0.05 for p in values) for name, values in found.items()}
        return {**found, "rejected_at_0.05": counts_}
    return found


@evidence("pooling.rubin", "mi.rubin.scalar")
def scalar(data, frame: Frame, expected) -> Values:
    pooled = rubin(data["Q"], data["U"], complete_df=data["dfcom"])
    large = rubin(data["Q"], data["U"])
    return {
        "estimate": pooled.answer.value,
        "within": pooled.within,
        "between": pooled.between,
        "total": pooled.total,
        "se": pooled.total**0.5,
        "lambda": pooled.missing_share,
        "riv": pooled.relative_increase,
        "df_rubin_1987": large.degrees_of_freedom,
        "df_barnard_rubin": pooled.degrees_of_freedom,
        "fmi_rubin": large.missing_information,
        "fmi_barnard_rubin": pooled.missing_information,
    }


@evidence("pooling.rubin", "mi.rubin.nhanes")
def cholesterol(data, frame: Frame, expected) -> Values:
    estimates, variances = [], []
    for _, rows in frame("nhanes_completed").groupby(".imp"):
        x = np.column_stack([np.ones(len(rows)), rows["age"], rows["bmi"]])
        y = rows["chl"].to_numpy(dtype=float)
        slopes = np.linalg.solve(x.T @ x, x.T @ y)
        estimates.append(slopes)
        variances.append(float(((y - x @ slopes) ** 2).sum()) / (len(y) - 3) * np.diag(np.linalg.inv(x.T @ x)))
    found: Values = {}
    for j, name in enumerate(("(Intercept)", "age", "bmi")):
        pooled = rubin([e[j] for e in estimates], [v[j] for v in variances], complete_df=22)
        large = rubin([e[j] for e in estimates], [v[j] for v in variances])
        for key, value in {
            "estimate": pooled.answer.value, "ubar": pooled.within, "b": pooled.between, "t": pooled.total,
            "se": pooled.total**0.5, "riv": pooled.relative_increase, "lambda": pooled.missing_share,
            "df_rubin_1987": large.degrees_of_freedom, "df_barnard_rubin": pooled.degrees_of_freedom,
            "fmi": pooled.missing_information, **limits(pooled.answer), "p": pooled.answer.p_value,
        }.items():  # fmt: skip
            found.setdefault(key, {})[name] = value
    return found


@evidence("records.dose.spot_area_cm2, records.dose.fluence_j_cm2", "laser.fluence.a")
def fluence(data, frame: Frame, expected) -> Values:
    spot = np.array(data["diameter_mm"]) * 1000
    return {"area_cm2": spot_area_cm2(spot), "fluence_J_cm2": fluence_j_cm2(np.array(data["energy_mJ"]), spot)}


@evidence("records.dose.pulse_rate_hz", "laser.power_to_energy")
def energy_of_mean_power(data, frame: Frame, expected) -> Values:
    # pulse rate = power / energy, solved for the energy: the same arithmetic with rate and energy exchanged
    rate = np.array(data["rate_hz"], dtype=float)
    return {"energy_mJ_from_mean_power": pulse_rate_hz(np.array(data["duty_power_W"], dtype=float), rate)}


@evidence("records.dose.coverage_pct", "laser.coverage.a")
def coverage(data, frame: Frame, expected) -> Values:
    return {"coverage": [[coverage_pct(100 * c, float(p)) / 100 for p in data["p"]] for c in data["c"]]}


@evidence("records.dose.grid_density_pct, records.dose.zones_per_cm2", "laser.density_grid")
def grid(data, frame: Frame, expected) -> Values:
    spot, pitch = (np.array(data[key], dtype=float) for key in ("spot_um", "pitch_um"))
    density = grid_density_pct(spot, pitch)
    return {"density_percent": density, "spots_per_cm2": zones_per_cm2(density, spot)}
