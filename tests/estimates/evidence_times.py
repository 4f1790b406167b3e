"""Evidence: times to an event, exact and interval-censored."""

from __future__ import annotations

import numpy as np
import pandas as pd
from evidence import Frame, Values, evidence, limits, named, standard_error

from outcomes.estimates.accelerated import accelerated_failure_time
from outcomes.estimates.cox import TRANSFORMS, proportional_hazards, proportionality
from outcomes.estimates.design import Category, Numeric, build
from outcomes.estimates.estimate import Estimate
from outcomes.estimates.incidence import aalen_johansen, kaplan_meier
from outcomes.estimates.interval_tests import interval_rank_test
from outcomes.estimates.restricted_mean import compare_restricted_means
from outcomes.estimates.turnbull import turnbull

FAMILIES = ("weibull", "lognormal", "loglogistic")


@evidence("incidence.kaplan_meier", "surv.gehan.km")
def remissions(data, frame: Frame, expected) -> Values:
    rows, found = pd.DataFrame(data), {}
    for group, name in (("6-MP", "mp6"), ("control", "control")):
        side = rows[rows["treat"] == group]
        curve = kaplan_meier(side["time"], side["cens"])
        steps = curve.events[0] > 0
        found[name] = {
            "time": curve.days[steps],
            "n_risk": curve.at_risk[steps],
            "n_event": curve.events[0][steps],
            "survival": curve.survival[steps],
        }
        found[name]["greenwood_se"] = {
            str(i): error
            for i, error in enumerate(curve.survival_error[steps])
            if expected[name]["greenwood_se"][i] is not None
        }
        median = curve.median()
        found[f"median_{name if name == 'mp6' else 'control'}"] = median.value
        found[f"median_{name if name == 'mp6' else 'control'}_loglog"] = limits(median)
        if name == "mp6":
            low, high = curve.survival_band_at(curve.days[steps])
            found[name] |= {"loglog_lower": low, "loglog_upper": high}
    return found


@evidence("incidence.kaplan_meier", "surv.aml")
def maintenance(data, frame: Frame, expected) -> Values:
    rows, found = pd.DataFrame(data), {}
    for group in ("maintained", "nonmaintained"):
        side = rows[rows["x"] == group.capitalize()]
        curve = kaplan_meier(side["time"], side["status"])
        steps = curve.days[curve.events[0] > 0]
        low, high = curve.survival_band_at(steps)
        median = curve.median()
        found[f"{group}_log-log"] = {
            "time": steps,
            "survival": curve.survival_at(steps),
            "surv_lower": low,
            "surv_upper": high,
            "quantiles": {"1": median.value},
            "lower": {"1": median.low},
            "upper": {"1": median.high},
        }
    return found


@evidence("incidence.kaplan_meier", "surv.lung.km")
def lung(data, frame: Frame, expected) -> Values:
    rows, found = frame("lung"), {}
    for sex in (1, 2):
        side = rows[rows["sex"] == sex]
        curve, at = kaplan_meier(side["time"], side["status"]), expected[f"sex{sex}_log-log"]["time"]
        low, high = curve.survival_band_at(at)
        median = curve.median()
        place = np.searchsorted(curve.days, at, side="right") - 1
        found[f"sex{sex}_log-log"] = {
            "n_risk": curve.at_risk_at(at),
            "survival": curve.survival_at(at),
            "se": curve.survival_error[place],
            "lower": low,
            "upper": high,
            "median": median.value,
            "median_lower": median.low,
            "median_upper": median.high,
        }
    return found


@evidence("incidence.kaplan_meier", "surv.km.edges")
def edges(data, frame: Frame, expected) -> Values:
    found = {}
    for name, case in data["cases"].items():
        curve = kaplan_meier(np.atleast_1d(case["time"]), np.atleast_1d(case["status"]))
        low, high = curve.survival_band_at(curve.days)
        found[name] = {
            "time": curve.days,
            "n_risk": curve.at_risk,
            "survival": curve.survival,
            "loglog_lower": low,
            "loglog_upper": high,
        }
        median = curve.median()
        if isinstance(median, Estimate):
            found[name] |= {
                "median": median.value, "median_loglog_lower": median.low, "median_loglog_upper": median.high,
            }  # fmt: skip
    return found


@evidence("incidence.aalen_johansen", "surv.aj.mgus2")
def gammopathy(data, frame: Frame, expected) -> Values:
    rows, found = frame("mgus2"), {}
    for group, side in (("overall", rows), ("female", rows[rows["sex"] == "F"]), ("male", rows[rows["sex"] == "M"])):
        curve, at = aalen_johansen(side["etime"], side["event"]), expected[group]["time"]
        place = np.searchsorted(curve.days, at, side="right") - 1
        found[group] = {
            "n_risk": curve.at_risk_at(at),
            "event_free": curve.survival_at(at),
            **{f"cause{k}": curve.incidence_at(at, k) for k in (1, 2)},
            **{f"ij_se_cause{k}": curve.incidence_error[k - 1, place] for k in (1, 2)},
        }
    naive = kaplan_meier(rows["etime"], rows["event"] == 1)
    return {**found, "kaplan_meier_complement_cause1_at_240": 1 - naive.survival_at([240])[0]}


@evidence("restricted_mean.compare_restricted_means", "surv.pbc.rmst")
def cirrhosis(data, frame: Frame, expected) -> Values:
    rows = frame("pbc312")
    return _restricted(rows["time"] / 365.25, rows["death"], (rows["trt"] == 1).to_numpy(), 10)


@evidence("restricted_mean.compare_restricted_means", "surv.lung.rmst")
def lung_means(data, frame: Frame, expected) -> Values:
    rows = frame("lung")
    first = (rows["sex"] == 2).to_numpy()
    return {f"tau{h}": _restricted(rows["time"], rows["status"], first, h) for h in (365, 700)}


def _restricted(time, event, first, horizon) -> Values:
    found = compare_restricted_means(time, event, first, horizon)
    sides = {
        name: {"rmst": side.answer.value, "se": side.standard_error}
        for name, side in (("arm1", found.first), ("arm0", found.second))
    }
    return {
        **sides,
        "difference": found.difference.value,
        "se_difference": standard_error(found.difference),
        **limits(found.difference),
        "p": found.difference.p_value,
        "ratio": found.ratio.value,
        "ratio_lower": found.ratio.low,
        "ratio_upper": found.ratio.high,
    }


def _cox(rows, terms, time, event, expected, ties="efron", cluster=None):
    fit = proportional_hazards(build(rows, terms), time, event, ties=ties, cluster=cluster)
    names = list(expected["coef"])
    plain = np.sqrt(np.diag(fit.details["information_covariance"]))
    robust = plain if cluster is None else np.sqrt(np.diag(fit.details["sandwich_covariance"]))
    values = {
        "coef": named(names, fit.coefficients),
        "se": named(names, robust),
        "naive_se": named(names, plain),
        "loglik_null": fit.details["null_log_likelihood"],
        "loglik": fit.log_likelihood,
        "lr_chisq": 2 * (fit.log_likelihood - fit.details["null_log_likelihood"]),
        "score_chisq": fit.details["score_chi_square"],
        "wald_chisq": fit.details["wald_chi_square"],
        "n": fit.n,
        "events": fit.events,
    }
    return fit, values


def _drift(fit, expected) -> Values:
    found = {}
    for transform in TRANSFORMS:
        tests = proportionality(fit, transform=transform)
        names = list(expected[f"zph_{transform}"]["chisq"])
        found[f"zph_{transform}"] = {
            "chisq": named(names, [t.chi_square for t in tests]),
            "df": named(names, [t.degrees_of_freedom for t in tests]),
            "p": named(names, [t.p_value for t in tests]),
        }
    return found


@evidence("cox.proportional_hazards", "surv.gehan.cox")
def remission_hazards(data, frame: Frame, expected) -> Values:
    rows = pd.DataFrame(data).assign(g=lambda f: (f["treat"] == "control").astype(int))
    return {
        ties: _cox(rows, [Numeric("g")], rows["time"], rows["cens"], expected[ties], ties)[1]
        for ties in ("efron", "breslow")
    }


COX = {
    "surv.lung.cox": ("lung", ["age", "sex", "ph_ecog"], "time", "status"),
    "surv.rossi.cox": ("rossi", ["fin", "age", "race", "wexp", "mar", "paro", "prio"], "week", "arrest"),
    "surv.veteran.cox": ("veteran", ["trt", "celltype", "karno", "diagtime", "age", "prior"], "time", "status"),
}


def _hazards(item: str):
    name, columns, time, event = COX[item]

    def compute(data, frame: Frame, expected) -> Values:
        rows = frame(name)
        rows = rows.dropna(subset=columns).reset_index(drop=True)
        cells = ("squamous", "smallcell", "adeno", "large")
        terms = [Category(c, "squamous", levels=cells) if c == "celltype" else Numeric(c) for c in columns]
        fit, efron = _cox(rows, terms, rows[time], rows[event], expected["efron"])
        breslow = _cox(rows, terms, rows[time], rows[event], expected["breslow"], "breslow")[1]
        return {"efron": efron, "breslow": breslow, **_drift(fit, expected)}

    return compute


for _item in COX:
    evidence("cox.proportional_hazards, cox.proportionality", _item)(_hazards(_item))


@evidence("cox.proportional_hazards", "surv.cluster.diabetic")
def eyes(data, frame: Frame, expected) -> Values:
    rows = frame("diabetic_eyes").assign(both=lambda f: f["trt"] * f["juvenile"])
    terms = [Numeric("trt"), Numeric("juvenile")]
    asked = {"additive_efron": (terms, "efron"), "interaction_breslow": ([*terms, Numeric("both")], "breslow")}
    return {
        name: _cox(rows, columns, rows["time"], rows["status"], expected[name], ties, rows["id"])[1]
        for name, (columns, ties) in asked.items()
    }


def _accelerated(fit, expected) -> Values:
    names = list(expected["coef"])
    errors = np.sqrt(np.diag(fit.details["covariance_with_log_scale"]))
    return {
        "coef": named(names, fit.coefficients),
        "se": named(names, errors[:-1]),
        "log_scale": float(np.log(fit.details["scale"])),
        "se_log_scale": errors[-1],
        "scale": fit.details["scale"],
        "loglik": fit.log_likelihood,
    }


@evidence("accelerated.accelerated_failure_time, cox.proportional_hazards", "surv.aft.ovarian")
def ovarian(data, frame: Frame, expected) -> Values:
    rows = pd.DataFrame(data)
    terms = [Numeric("ecog.ps"), Numeric("rx"), Numeric("age")]
    by = rows["futime"].where(rows["fustat"] == 1)
    found = {
        family: _accelerated(
            accelerated_failure_time(build(rows, terms), rows["futime"], by, family=family), expected[family]
        )
        for family in FAMILIES
    }
    return {**found, "cox_efron": _cox(rows, terms, rows["futime"], rows["fustat"], expected["cox_efron"])[1]}


@evidence("accelerated.accelerated_failure_time", "surv.interval.bcos.aft")
def cosmesis_times(data, frame: Frame, expected) -> Values:
    rows = frame("bcos").assign(radchem=lambda f: (f["treatment"] == "RadChem").astype(float))
    design = build(rows, [Numeric("radchem")])
    return {
        family: _accelerated(
            accelerated_failure_time(design, rows["left"], rows["right"], family=family), expected[family]
        )
        for family in FAMILIES
    }


def _curve(left, right, expected) -> Values:
    found = turnbull(left, right)
    return {
        "left": found.left,
        "right": found.right,
        "mass": found.mass,
        "survival_after": found.survival_at(expected["right"]),
        "loglik": found.log_likelihood,
    }


@evidence("turnbull.turnbull", "surv.interval.bcos.turnbull")
def cosmesis_curves(data, frame: Frame, expected) -> Values:
    rows = frame("bcos")
    sides = {"rad": rows[rows["treatment"] == "Rad"], "radchem": rows[rows["treatment"] == "RadChem"]}
    return {name: _curve(side["left"], side["right"], expected[name]) for name, side in sides.items()}


@evidence("turnbull.turnbull", "surv.interval.tiny")
def tiny_curve(data, frame: Frame, expected) -> Values:
    return _curve(data["L"], [np.nan if r is None else r for r in data["R"]], expected)


@evidence("interval_tests.interval_rank_test", "surv.interval.bcos.tests")
def cosmesis_tests(data, frame: Frame, expected) -> Values:
    rows, found = frame("bcos"), {}
    for scores, name in (("sun", "sun_logrank"), ("finkelstein", "finkelstein_logrank"), ("wilcoxon", "wmw")):
        test = interval_rank_test(rows["left"], rows["right"], rows["treatment"], scores=scores)
        found[name] = {"score": test.score[0], "z": test.z, "p_two_sided": test.p_value}
    return found
