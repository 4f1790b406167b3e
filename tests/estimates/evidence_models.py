"""Evidence: logistic, penalised, clustered and mixed models; prediction."""

from __future__ import annotations

import numpy as np
import pandas as pd
from evidence import Frame, Values, evidence, limits, named, standard_error
from scipy.special import expit

from outcomes.estimates.design import Category, Numeric, build
from outcomes.estimates.discrimination import brier, c_statistic, calibration
from outcomes.estimates.firth import penalised
from outcomes.estimates.goodness import explained, risk_groups
from outcomes.estimates.logistic import maximum_likelihood
from outcomes.estimates.marginal import estimating_equations
from outcomes.estimates.mixed import random_intercept
from outcomes.estimates.standardise import standardised_risks
from outcomes.estimates.validation import cross_validated, optimism


def _logit(design, events, expected) -> Values:
    """Coefficients, errors and both kinds of limits under R's names, in the order of the columns."""
    wald, profile = (maximum_likelihood(design, events, limits=kind) for kind in ("wald", "profile"))
    names = list(expected["coef"])
    found: Values = {
        "coef": named(names, wald.coefficients),
        "se": named(names, wald.details["standard_error"]),
        "loglik": wald.log_likelihood,
        "deviance": -2 * wald.log_likelihood,
        "null_deviance": -2 * wald.details["null_log_likelihood"],
    }
    for fit, kind in ((wald, "wald"), (profile, "profile")):
        found[f"{kind}_lower"] = named(names[1:], np.log([t.low for t in fit.terms]))
        found[f"{kind}_upper"] = named(names[1:], np.log([t.high for t in fit.terms]))
    return found


BIRTHWT = {
    6: [Numeric("age"), Numeric("lwt"), Category("race", "1"), Numeric("ftv")],
    4: [Numeric("lwt"), Category("race", "1")],
    2: [Numeric("smoke")],
}


@evidence(
    "logistic.maximum_likelihood", "logit.birthwt.hl22", "logit.birthwt.hl23", "logit.birthwt.smoke_crude"
)  # fmt: skip
def birth_weight(data, frame: Frame, expected) -> Values:
    rows = frame("birthwt")
    found = _logit(build(rows, BIRTHWT[len(expected["coef"])]), rows["low"], expected)
    if "lr_chisq_vs_full" in expected:
        large = maximum_likelihood(build(rows, BIRTHWT[6]), rows["low"])
        found["lr_chisq_vs_full"] = 2 * large.log_likelihood - 2 * found["loglik"]
    return found


@evidence("logistic.maximum_likelihood", "logit.spector")
def grades(data, frame: Frame, expected) -> Values:
    rows = frame("spector")
    design = build(rows, [Numeric("GPA"), Numeric("TUCE"), Numeric("PSI")])
    return {"logit": _logit(design, rows["GRADE"], expected["logit"])}


@evidence("standardise.standardised_risks", "logit.birthwt.gcomp")
def smoking(data, frame: Frame, expected) -> Values:
    rows = frame("birthwt")
    terms = [Numeric("smoke"), Numeric("age"), Numeric("lwt"), Category("race", "1"), Numeric("ht"), Numeric("ui")]
    design = build(rows, terms)
    fit = maximum_likelihood(design, rows["low"])
    risks = standardised_risks(fit, [design.evaluate(rows.assign(smoke=v)) for v in (1, 0)], ["yes", "no"])
    gap, ratio = risks.difference(0, 1), risks.ratio(0, 1)
    return {
        "coef": named(expected["coef"], fit.coefficients),
        "risk_exposed": risks.values[0],
        "risk_unexposed": risks.values[1],
        "risk_difference": gap.value,
        "se_risk_difference": standard_error(gap),
        "risk_ratio": ratio.value,
        "log_risk_ratio": float(np.log(ratio.value)),
        "se_log_risk_ratio": standard_error(ratio, logarithm=True),
    }


@evidence("firth.penalised", "logit.firth.endometrial")
def endometrial(data, frame: Frame, expected) -> Values:
    rows = frame("endometrial")
    fit = penalised(build(rows, [Numeric("NV"), Numeric("PI"), Numeric("EH")]), rows["HG"])
    names = list(expected["coef"])
    return {
        "coef": named(names, fit.coefficients),
        "brglm2_coef": named(names, fit.coefficients),
        "se": named(names, fit.details["standard_error"]),
        "brglm2_se": named(names, fit.details["standard_error"]),
        "penalised_loglik": fit.log_likelihood,
        "profile_lower": named(names[1:], np.log([t.low for t in fit.terms])),
        "profile_upper": named(names[1:], np.log([t.high for t in fit.terms])),
        "plr_p": named(names[1:], [t.p_value for t in fit.terms]),
    }


def _respiratory(frame: Frame):
    rows = frame("respiratory")
    terms = [Category("treat", "A"), Category("sex", "F"), Numeric("age"), Numeric("baseline"), Category("center", "1")]
    return rows, build(rows, terms)


@evidence("marginal.estimating_equations", *(f"logit.gee.respiratory.{kind}" for kind in
                                             ("independence", "exchangeable", "ar1")))  # fmt: skip
def respiratory(data, frame: Frame, expected) -> Values:
    rows, design = _respiratory(frame)
    alpha = expected["alpha"]
    kind = "independence" if alpha is None else "ar1" if alpha > 0.4 else "exchangeable"
    fit = estimating_equations(design, rows["outcome"], cluster=rows["cluster"], visit=rows["visit"], correlation=kind)
    found: Values = {
        "coef": named(expected["coef"], fit.coefficients),
        "robust_se": named(expected["coef"], np.sqrt(np.diag(fit.details["sandwich_covariance"]))),
        "n_clusters": fit.patients,
    }
    if kind != "independence":
        found["naive_se"] = np.sqrt(np.diag(fit.details["model_covariance"]))
        found["alpha"] = fit.details["alpha"]
    return found


@evidence("logistic.maximum_likelihood, cluster.cluster_covariance", "logit.cluster_robust.respiratory")
def respiratory_clusters(data, frame: Frame, expected) -> Values:
    rows, design = _respiratory(frame)
    fit = maximum_likelihood(design, rows["outcome"], cluster=rows["cluster"])
    names, groups = list(expected["coef"]), fit.patients
    plain = np.sqrt(np.diag(fit.details["cluster_covariance"].uncorrected))
    return {
        "coef": named(names, fit.coefficients),
        "model_se": named(names, np.sqrt(np.diag(fit.details["information_covariance"]))),
        "cluster_se_no_correction": named(names, plain),
        "cluster_se_G_over_Gm1": named(names, plain * np.sqrt(groups / (groups - 1))),
        "cluster_se_CR2": named(names, fit.details["standard_error"]),
        "n": fit.n,
        "n_clusters": groups,
    }


@evidence("mixed.random_intercept", "logit.glmm.cbpp")
def pleuropneumonia(data, frame: Frame, expected) -> Values:
    rows = pd.DataFrame(data)
    fit = random_intercept(
        build(rows, [Category("period", "1")]), rows["incidence"], trials=rows["size"], group=rows["herd"]
    )
    names = list(expected["agq25"]["coef"])
    modes = {str(herd): mode for herd, (mode, _) in fit.details["modes"].items()}
    return {
        "agq25": {
            "coef": named(names, fit.coefficients),
            "se": named(names, fit.details["standard_error"]),
            "sd_herd": fit.details["between_sd"].value,
            "blup": modes,
        }
    }


@evidence("discrimination.c_statistic", "pred.auc.asah")
def aneurysms(data, frame: Frame, expected) -> Values:
    rows = frame("asah")
    plain = {m: c_statistic(rows["poor"], rows[m], limits="plain") for m in ("wfns", "s100b", "ndka")}
    inside = [c_statistic(rows["poor"], rows[m]) for m in ("wfns", "s100b")]
    pair = [plain["wfns"], plain["s100b"]]
    return {
        "auc": [a.value for a in pair],
        "se": [standard_error(a) for a in pair],
        "lower": [a.low for a in pair],
        "upper": [a.high for a in pair],
        "logit_lower": [a.low for a in inside],
        "logit_upper": [a.high for a in inside],
        "pROC": {f"ci_{m}": [a.low, a.value, a.high] for m, a in plain.items()},
    }


@evidence("discrimination.calibration, discrimination.brier, goodness.risk_groups", "pred.validation.trace")
def infarctions(data, frame: Frame, expected) -> Values:
    rows = frame("trace_validation")
    found, score, auc = (
        calibration(rows["y"], rows["p"]),
        brier(rows["y"], rows["p"]),
        c_statistic(rows["y"], rows["p"]),
    )
    plain = c_statistic(rows["y"], rows["p"], limits="plain")
    groups = risk_groups(rows["y"], rows["p"].to_numpy(), fitted=False)
    return {
        "val": {
            "n": auc.n, "events": auc.events, "auc": auc.value, "brier": score.score.value,
            "brier_max_at_prevalence": score.reference, "scaled_brier": score.scaled,
            "calibration_slope": found.slope.value, "se_slope": standard_error(found.slope),
            "intercept_joint_with_slope": found.intercept_with_slope,
            "calibration_in_the_large": found.intercept.value,
            "se_calibration_in_the_large": standard_error(found.intercept),
            "observed_over_expected": found.observed_over_expected,
        },
        "delong": {
            "auc": auc.value, "se": standard_error(plain), **limits(plain), "logit_lower": auc.low,
            "logit_upper": auc.high,
        },
        "rms_val_prob": {
            "Brier": score.score.value, "Intercept": found.intercept_with_slope, "Slope": found.slope.value,
        },
        "hosmer_lemeshow_external": _groups(groups),
    }  # fmt: skip


def _groups(groups) -> Values:
    return {
        "groups": len(groups.n),
        "n": groups.n,
        "observed": groups.observed,
        "expected": groups.expected,
        "chisq": groups.chi_square,
        "df": groups.degrees_of_freedom,
        "p": groups.p_value,
    }


def _model(frame: Frame):
    rows = frame("birthwt_model")
    return rows, build(rows, [Numeric(c) for c in rows.columns if c != "low"])


@evidence("goodness.explained, validation.cross_validated, goodness.risk_groups", "pred.internal.birthwt")
def internal(data, frame: Frame, expected) -> Values:
    rows, design = _model(frame)
    fit = maximum_likelihood(design, rows["low"])
    predicted = expit(design.matrix @ fit.coefficients)
    found = explained(rows["low"], predicted, 7)
    left_out = cross_validated(design, rows["low"], folds=len(rows))
    return {
        "apparent_auc": c_statistic(rows["low"], predicted).value,
        "apparent_brier": brier(rows["low"], predicted).score.value,
        "lr_chisq": found.likelihood_ratio,
        "heuristic_shrinkage": found.shrinkage,
        "nagelkerke_r2": found.nagelkerke,
        "cox_snell_r2": found.cox_snell,
        "tjur_r2": found.tjur,
        "loo_auc": c_statistic(rows["low"], left_out).value,
        "loo_brier": brier(rows["low"], left_out).score.value,
        "loo_predictions_first10": left_out[:10],
        "hosmer_lemeshow": _groups(risk_groups(rows["low"], predicted)),
    }


@evidence("validation.optimism", "pred.optimism.birthwt")
def resampled(data, frame: Frame, expected) -> Values:
    rows, design = _model(frame)
    draws = [column.to_numpy() - 1 for _, column in frame("birthwt_boot20").items()]
    found = optimism(design, rows["low"], draws=draws)
    return {
        "apparent_auc": found.apparent_c,
        "boot_auc": named(expected["boot_auc"], found.resampled_c),
        "test_auc": named(expected["test_auc"], found.original_c),
        "test_slope": named(expected["test_slope"], found.original_slope),
        "optimism_auc": found.apparent_c - found.corrected_c,
        "corrected_auc": found.corrected_c,
        "apparent_brier": found.apparent_brier,
        "optimism_brier": found.apparent_brier - found.corrected_brier,
        "corrected_brier": found.corrected_brier,
        "corrected_slope": found.corrected_slope,
    }
