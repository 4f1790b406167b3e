"""Maximum-likelihood logistic regression against R, and against faults seen in the wild."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from outcomes.estimates.design import Category, Numeric, build
from outcomes.estimates.estimate import Estimate, Fit, NotEstimable
from outcomes.estimates.logistic import maximum_likelihood

# Ten zones at each of four energies, 1, 2, 4 and 6 with the complication (invented). R 4.2.2, glm(y ~ energy):
# intercept −5.73866, energy 0.44036, SE 0.18331, p 0.016295. A formula with a text or boolean outcome can return
# all signs reversed.
ENERGY = np.repeat([8.0, 10.0, 12.0, 14.0], 10)
COMPLICATION = np.concatenate([np.repeat([0, 1], [10 - k, k]) for k in (1, 2, 4, 6)])


def fitted(answer) -> Fit:
    assert isinstance(answer, Fit)
    return answer


def energy_fit(events, **options) -> Fit:
    return fitted(maximum_likelihood(build(pd.DataFrame({"energy": ENERGY}), [Numeric("energy")]), events, **options))


@pytest.mark.parametrize(
    "events",
    [
        COMPLICATION,
        COMPLICATION.astype(bool),
        COMPLICATION.tolist(),
        pd.Series(COMPLICATION).astype("boolean"),
        pd.Series(COMPLICATION).astype("Int64"),
        COMPLICATION.astype(object),
    ],
    ids=["integers", "booleans", "list", "nullable booleans", "nullable integers", "objects"],
)
def test_the_direction_does_not_depend_on_how_the_outcome_is_stored(events):
    fit = energy_fit(events)
    assert fit.coefficients == pytest.approx([-5.73866, 0.44036], abs=5e-6)
    assert fit.details["standard_error"][1] == pytest.approx(0.18331, abs=5e-6)
    assert fit.terms[0].p_value == pytest.approx(0.016295, rel=1e-4)
    assert fit.terms[0].value == pytest.approx(1.55327, abs=5e-6)


@pytest.mark.parametrize(
    ("events", "message"),
    [
        (np.where(COMPLICATION == 1, "yes", "no"), "must be numbers"),
        (pd.Series(np.where(COMPLICATION == 1, "yes", "no"), dtype="category"), "must be numbers"),
        (COMPLICATION + 1, "0 or 1"),
        (COMPLICATION - 1, "0 or 1"),
        (COMPLICATION * 0.5, "whole numbers"),
        (np.where(np.arange(40) == 3, np.nan, COMPLICATION), "missing"),
        (COMPLICATION[:39], "39 values for 40 rows"),
        (pd.Series(COMPLICATION, index=range(1, 41)), "row labels"),
    ],
)
def test_an_outcome_that_is_no_yes_or_no_is_refused(events, message):
    with pytest.raises(ValueError, match=message):
        energy_fit(events)


def test_counts_and_frequency_weights_agree_with_single_records():
    # Invented: k events of n zones at six energies. R 4.2.2: glm(cbind(k, n − k) ~ energy, binomial).
    rows = pd.DataFrame({"energy": [8.0, 9, 10, 11, 12, 13], "k": [0, 1, 3, 8, 4, 3], "n": [4, 9, 16, 25, 9, 4]})
    grouped = fitted(maximum_likelihood(build(rows, [Numeric("energy")]), rows["k"], trials=rows["n"]))
    assert grouped.coefficients == pytest.approx([-9.24547441477562, 0.77081614285644], rel=1e-10)
    assert grouped.details["standard_error"] == pytest.approx([3.11676178034408, 0.28283879040232], rel=1e-7)
    assert grouped.terms[0].p_value == pytest.approx(0.0064246120762284, rel=1e-6)
    # R: null deviance − deviance of the grouped model; the log-likelihood of the 67 single records.
    change = 2 * (grouped.log_likelihood - grouped.details["null_log_likelihood"])
    assert change == pytest.approx(9.97591051774 - 0.614935372064, rel=1e-10)
    assert grouped.log_likelihood == pytest.approx(-35.271928798613, rel=1e-12)
    single = pd.DataFrame({"energy": np.repeat(rows["energy"], 2), "y": np.tile([1, 0], 6)}).reset_index(drop=True)
    weight = np.column_stack([rows["k"], rows["n"] - rows["k"]]).ravel()
    kept = weight > 0
    single = single[kept].reset_index(drop=True)
    weighted = fitted(maximum_likelihood(build(single, [Numeric("energy")]), single["y"], weight=weight[kept]))
    assert weighted.coefficients == pytest.approx(grouped.coefficients, rel=1e-12)
    assert weighted.n == grouped.n == 67
    assert weighted.events == grouped.events == 19
    # R: sqrt(diag(vcovHC(g, type = "HC0"))) on the 67 single records; here each record is its own cluster.
    expanded = single.loc[np.repeat(single.index, weight[kept])].reset_index(drop=True)
    robust = fitted(
        maximum_likelihood(build(expanded, [Numeric("energy")]), expanded["y"], cluster=np.arange(len(expanded)))
    )
    uncorrected = np.sqrt(np.diag(robust.details["cluster_covariance"].uncorrected))
    assert uncorrected == pytest.approx([2.97854838612957, 0.26989579931281], rel=1e-7)


def test_weights_for_averages_are_refused():
    with pytest.raises(ValueError, match="whole numbers"):
        energy_fit(COMPLICATION, weight=np.full(40, 0.5))
    with pytest.raises(ValueError, match="start at 1"):
        energy_fit(COMPLICATION, weight=np.arange(40))


def test_a_fit_does_not_depend_on_what_was_fitted_before():
    # Invented. R 4.2.2 on the second data set: deviance 4.95597, null deviance 8.31777, LR p 0.066725. A family object
    # shared between fits kept the trials of the first.
    first = pd.DataFrame({"energy": [8.0, 9, 10, 11, 12, 13], "k": [0, 1, 3, 8, 4, 3], "n": [4, 9, 16, 25, 9, 4]})
    maximum_likelihood(build(first, [Numeric("energy")]), first["k"], trials=first["n"])
    second = build(pd.DataFrame({"energy": [8.0, 9, 10, 11, 12, 13]}), [Numeric("energy")])
    fit = fitted(maximum_likelihood(second, [0, 0, 1, 0, 1, 1], limits="profile"))
    assert -2 * fit.log_likelihood == pytest.approx(4.9559736701, rel=1e-10)
    assert -2 * fit.details["null_log_likelihood"] == pytest.approx(8.31776616672, rel=1e-10)
    assert fit.coefficients == pytest.approx([-12.7472896514, 1.21402758585], rel=1e-9)
    assert fit.terms[0].p_value == pytest.approx(0.0667254024277, rel=1e-9)


def test_levels_without_rows_are_no_cases_and_never_one():
    # Invented: 12 zones each of skin types I–III with 3, 6 and 4 events; IV–VI declared, without rows. R 4.2.2 glm:
    # II 3.0000 (0.5326–16.8970), III 1.5000 (0.2544–8.8435).
    levels = pd.CategoricalDtype(["I", "II", "III", "IV", "V", "VI"], ordered=True)
    rows = pd.DataFrame({"skin": pd.Series(np.repeat(["I", "II", "III"], 12), dtype=levels)})
    events = np.concatenate([np.repeat([1, 0], [k, 12 - k]) for k in (3, 6, 4)])
    fit = fitted(maximum_likelihood(build(rows, [Category("skin", "I", "skin type")]), events))
    second, third = fit.term("skin type II against I"), fit.term("skin type III against I")
    assert [second.value, second.low, second.high] == pytest.approx([3.0, 0.5326, 16.8970], rel=1e-4)
    assert [third.value, third.low, third.high] == pytest.approx([1.5, 0.2544, 8.8435], rel=1e-4)
    for level in ("IV", "V", "VI"):
        answer = fit.term(f"skin type {level} against I")
        assert isinstance(answer, NotEstimable)
        assert answer.reason == "no cases"


def test_separation_is_an_answer():
    # Invented: low density 0 of 12, high 4 of 10. Ordinary software says "converged", log odds ratio 22, p 0.999.
    rows = pd.DataFrame({"density": ["low"] * 12 + ["high"] * 10})
    answer = maximum_likelihood(build(rows, [Category("density", "low")]), [0] * 12 + [1] * 4 + [0] * 6)
    assert isinstance(answer, NotEstimable)
    assert "separation" in answer.reason
    assert "density high against low" in answer.reason
    assert "penalised" in answer.note
    assert (answer.n, answer.events) == (22, 4)


@pytest.mark.parametrize(
    ("events", "cluster", "reason"),
    [
        ([0] * 40, None, "no events"),
        ([1] * 40, None, "every record has the event"),
        (COMPLICATION, ["p1"] * 40, "one patient only"),
    ],
)
def test_data_that_cannot_answer_say_why(events, cluster, reason):
    answer = maximum_likelihood(build(pd.DataFrame({"energy": ENERGY}), [Numeric("energy")]), events, cluster=cluster)
    assert isinstance(answer, NotEstimable)
    assert answer.reason == reason


def test_no_rows_and_no_variation():
    empty = build(pd.DataFrame({"energy": np.array([], dtype=float)}), [Numeric("energy")])
    answer = maximum_likelihood(empty, [])
    assert isinstance(answer, NotEstimable)
    assert answer.reason == "no cases"
    constant = build(pd.DataFrame({"energy": np.full(40, 9.0)}), [Numeric("energy")])
    fit = fitted(maximum_likelihood(constant, COMPLICATION))
    assert isinstance(fit.term("energy"), NotEstimable)
    assert fit.term("energy").reason == "the same in every record"


def test_collinear_columns_are_named():
    rows = pd.DataFrame({"energy": ENERGY, "power": 2 * ENERGY + 1})
    answer = maximum_likelihood(build(rows, [Numeric("energy"), Numeric("power")]), COMPLICATION)
    assert isinstance(answer, NotEstimable)
    assert answer.reason == "collinear: power follows from the other columns"


def test_two_by_two_table_has_its_closed_form():
    # Woolf B (1955) Ann Hum Genet 19:251–253: cross product, and the root of the summed reciprocals as its log's SE.
    a, b, c, d = 11, 29, 5, 45
    rows = pd.DataFrame({"treated": [1, 0]})
    fit = fitted(maximum_likelihood(build(rows, [Numeric("treated")]), [a, c], trials=[a + b, c + d]))
    assert fit.terms[0].value == pytest.approx(a * d / (b * c), rel=1e-10)
    error = np.sqrt(1 / a + 1 / b + 1 / c + 1 / d)
    assert fit.details["standard_error"][1] == pytest.approx(error, rel=1e-8)


def test_units_origin_order_and_labels_do_not_matter(thirty_zones):
    shuffled = thirty_zones.sample(frac=1, random_state=4)
    renamed = shuffled["patient"].map({p: f"{31 * i % 97:03d}" for i, p in enumerate("abcdefghijkl")})
    plain = build(thirty_zones, [Numeric("density"), Numeric("dark")])
    other = build(
        shuffled.assign(density=1e6 + 1e3 * shuffled["density"]), [Numeric("dark"), Numeric("density", per=1e3)]
    )
    first = fitted(maximum_likelihood(plain, thirty_zones["event"], cluster=thirty_zones["patient"]))
    second = fitted(maximum_likelihood(other, shuffled["event"], cluster=renamed))
    for mine, theirs in ((first.terms[0], second.terms[1]), (first.terms[1], second.terms[0])):
        assert isinstance(mine, Estimate)
        numbers = [mine.value, mine.low, mine.high, mine.p_value]
        assert [theirs.value, theirs.low, theirs.high, theirs.p_value] == pytest.approx(numbers, rel=1e-7)
    again = fitted(maximum_likelihood(plain, thirty_zones["event"], cluster=thirty_zones["patient"]))
    assert again.terms == first.terms


def test_a_cluster_without_a_label_is_refused(thirty_zones):
    design = build(thirty_zones, [Numeric("density")])
    with pytest.raises(ValueError, match="1 rows have no cluster"):
        maximum_likelihood(design, thirty_zones["event"], cluster=thirty_zones["patient"].mask(thirty_zones.index == 4))
    with pytest.raises(ValueError, match="row labels"):
        maximum_likelihood(
            design, thirty_zones["event"], cluster=thirty_zones["patient"].sample(frac=1, random_state=1)
        )


# ---- open data, where the reference folder is present ----

BIRTHWT = {
    "logit.birthwt.hl22": [Numeric("age"), Numeric("lwt"), Category("race", "1"), Numeric("ftv")],
    "logit.birthwt.hl23": [Numeric("lwt"), Category("race", "1")],
    "logit.birthwt.smoke_crude": [Numeric("smoke")],
}


def check_against_glm(fits: list[Fit], expected: dict, tolerance: dict) -> None:
    wald, profile = fits
    names = ["(Intercept)" if n == "intercept" else n.replace("race[", "factor(race)").rstrip("]") for n in wald.names]
    assert wald.coefficients == pytest.approx([expected["coef"][n] for n in names], **tolerance)
    assert wald.details["standard_error"] == pytest.approx([expected["se"][n] for n in names], **tolerance)
    assert wald.log_likelihood == pytest.approx(expected["loglik"], **tolerance)
    assert -2 * wald.details["null_log_likelihood"] == pytest.approx(expected["null_deviance"], **tolerance)
    for fit, kind in ((wald, "wald"), (profile, "profile")):
        for name, term in zip(names[1:], fit.terms, strict=True):
            assert np.log(term.low) == pytest.approx(expected[f"{kind}_lower"][name], **tolerance)
            assert np.log(term.high) == pytest.approx(expected[f"{kind}_upper"][name], **tolerance)


@pytest.mark.parametrize("name", BIRTHWT)
def test_low_birth_weight(reference, name):
    rows = reference.frame("birthwt")
    design = build(rows, BIRTHWT[name])
    fits = [fitted(maximum_likelihood(design, rows["low"], limits=limits)) for limits in ("wald", "profile")]
    check_against_glm(fits, reference.item(name)["expected"], reference.tolerance(name))


def test_likelihood_ratio_between_the_two_birth_weight_models(reference):
    expected = reference.item("logit.birthwt.hl23")["expected"]
    rows = reference.frame("birthwt")
    large, small = (
        fitted(maximum_likelihood(build(rows, BIRTHWT[f"logit.birthwt.{n}"]), rows["low"])) for n in ("hl22", "hl23")
    )
    change = 2 * (large.log_likelihood - small.log_likelihood)
    assert change == pytest.approx(expected["lr_chisq_vs_full"], rel=1e-6)


def test_spector(reference):
    rows = reference.frame("spector")
    design = build(rows, [Numeric("GPA"), Numeric("TUCE"), Numeric("PSI")])
    fits = [fitted(maximum_likelihood(design, rows["GRADE"], limits=limits)) for limits in ("wald", "profile")]
    check_against_glm(fits, reference.item("logit.spector")["expected"]["logit"], reference.tolerance("logit.spector"))


def test_endometrial_separation_is_found(reference):
    rows = reference.frame("endometrial")
    answer = maximum_likelihood(build(rows, [Numeric("NV"), Numeric("PI"), Numeric("EH")]), rows["HG"])
    assert isinstance(answer, NotEstimable)
    assert answer.reason == "separation: no finite maximum-likelihood estimate for NV"
