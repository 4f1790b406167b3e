"""Imputation: against closed forms, against an exactly known truth, and by what must not change."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.special import expit, softmax
from sklearn.linear_model import LogisticRegression

from outcomes.estimates.design import Category, Numeric, build
from outcomes.estimates.estimate import Estimate, Fit
from outcomes.estimates.impute import imputed
from outcomes.estimates.logistic import maximum_likelihood
from outcomes.estimates.pooling import pooled_fits, rubin
from outcomes.estimates.posterior_draws import level_regression, matched

TRUTH = {"dark": np.log(3), "age": -0.3}


def clinic(seed: int, patients: int = 300) -> pd.DataFrame:
    """Zones whose marginal odds ratios are `TRUTH` exactly; skin unrecorded where nothing happened to the older.

    Random intercepts follow the bridge distribution (Wang Z, Louis TA 2003, Biometrika 90:765–775).
    """
    random = np.random.default_rng(seed)
    patient = np.repeat(np.arange(patients), random.integers(1, 6, patients))
    age = random.normal(size=patients).round(2)
    dark = random.random(patients) < expit(-0.8 + 0.5 * age)
    linear = (TRUTH["dark"] * dark + TRUTH["age"] * age)[patient]
    linear += brentq(lambda a: expit(a + linear).mean() - 0.1, -12, 3)
    phi, u = 0.7, random.random(patients)
    bridge = np.log(np.sin(phi * np.pi * u) / np.sin(phi * np.pi * (1 - u))) / phi
    event = random.random(len(patient)) < expit(linear / phi + bridge[patient])
    none = np.bincount(patient, event) == 0
    unrecorded = random.random(patients) < expit(-1 + 2 * none * (age > 0))
    rows = pd.DataFrame({"patient": patient, "event": event, "age": age[patient]})
    rows["dark"] = pd.array(np.where(unrecorded, None, dark)[patient], dtype="boolean")
    return rows


def slopes(rows: pd.DataFrame) -> Fit:
    return maximum_likelihood(build(rows, [Numeric("dark"), Numeric("age")]), rows["event"], cluster=rows["patient"])


def logs(fit: Fit, name: str) -> tuple[float, float, float]:
    term = fit.term(name)
    return np.log(term.value), np.log(term.low), np.log(term.high)


def test_unbiased_where_complete_cases_are_not():
    rows = clinic(11, patients=6000)
    sets = imputed(rows, ["dark"], ["age", "event"], cluster=rows["patient"], imputations=10)
    pooled = pooled_fits([slopes(one) for one in sets])
    complete = slopes(rows.dropna().reset_index(drop=True))
    for j, name in enumerate(["dark", "age"], 1):
        error = float(np.sqrt(pooled.covariance[j, j]))
        assert abs(pooled.coefficients[j] - TRUTH[name]) < 2.5 * error
        assert pooled.terms[j - 1].events == rows["event"].sum()
        assert pooled.patients == 6000
    assert logs(complete, "age")[1] > TRUTH["age"] + 0.1, "complete cases are off by far more than chance"


@pytest.mark.slow
def test_pooled_limits_hold_as_often_as_they_say():
    hits: dict[str, list[bool]] = {"dark": [], "age": [], "complete cases": []}
    errors = []
    for seed in range(600):
        rows = clinic(seed)
        sets = imputed(rows, ["dark"], ["age", "event"], cluster=rows["patient"], imputations=10, seed=seed)
        pooled = pooled_fits([slopes(one) for one in sets])
        for name in TRUTH:
            _, low, high = logs(pooled, name)
            hits[name].append(low < TRUTH[name] < high)
        errors.append([logs(pooled, name)[0] - TRUTH[name] for name in TRUTH])
        _, low, high = logs(slopes(rows.dropna().reset_index(drop=True)), "age")
        hits["complete cases"].append(low < TRUTH["age"] < high)
    for name in TRUTH:
        assert 0.95 - 3 * np.sqrt(0.95 * 0.05 / 600) < np.mean(hits[name]) < 0.985
    assert np.mean(hits["complete cases"]) < 0.8
    # the estimate of an odds ratio with 80 events is itself biased by about 0.01 away from none
    assert np.all(np.abs(np.mean(errors, axis=0)) < 0.015 + 3 * np.std(errors, axis=0) / np.sqrt(600))


def test_share_and_its_variance_by_formula():
    # One yes/no column missing completely at random within two groups: as imputations become many, the pooled share is
    # Σ w_g p_g and its total variance Σ w_g² p_g (1 − p_g) / n_g over recorded values, with w_g the group's weight
    # (Rubin DB 1987, Multiple Imputation for Nonresponse in Surveys, Wiley, section 3.3, for a group mean).
    group = np.repeat([0, 1], [200, 300])
    kept = np.concatenate([np.repeat([1, 0], [80, 120]), np.repeat([1, 0], [150, 150])]).astype(bool)
    yes = np.zeros(500, dtype=bool)
    yes[:20], yes[200:300] = True, True  # 20 of 80 and 100 of 150 recorded
    rows = pd.DataFrame({"group": group, "yes": pd.array(np.where(kept, yes, None), dtype="boolean")})
    sets = imputed(rows, ["yes"], ["group"], cluster=np.arange(500), imputations=400)
    shares = np.array([one["yes"].astype(float).mean() for one in sets])
    pooled = rubin(shares.tolist(), (shares * (1 - shares) / 500).tolist())
    weight, p, n = np.array([0.4, 0.6]), np.array([20 / 80, 100 / 150]), np.array([80, 150])
    # (1 + 1/m) B estimates what the formula holds beyond the sampling of the full records
    assert pooled.answer.value == pytest.approx(float(weight @ p), abs=4 * shares.std() / 20)
    between = float((weight**2 * p * (1 - p) * (1 / n - 1 / np.array([200, 300]))).sum())
    assert pooled.between == pytest.approx(between, rel=4 * np.sqrt(2 / 400))


def test_level_regression_against_scikit_learn():
    # An independent fit of the same penalised likelihood: scikit-learn, prior variance C.
    random = np.random.default_rng(2)
    x = random.normal(size=(300, 4))
    codes = (x @ random.normal(size=(4, 3)) + random.gumbel(size=(300, 3))).argmax(axis=1)
    weight = random.exponential(size=300)
    found = level_regression(x, codes, weight)
    other = LogisticRegression(C=2.5**2, tol=1e-9, max_iter=10_000).fit(x, codes, sample_weight=weight)
    assert softmax(found[0] + x @ found[1:], axis=1) == pytest.approx(other.predict_proba(x), abs=1e-5)


def test_matching_follows_slope_and_spread():
    random = np.random.default_rng(3)
    x, at = random.normal(size=(2, 4000, 1))
    y = 2 * x[:, 0] + random.normal(size=4000)
    drawn = y[matched(x, y, np.ones(4000), at, random)]
    slope = float(np.cov(drawn, at[:, 0])[0, 1] / at.var())
    # 4,000 draws: standard errors 0.016 of the slope and 0.011 of the spread; donors at the edge pull inwards a little
    assert slope == pytest.approx(2, abs=0.06)
    assert np.std(drawn - slope * at[:, 0]) == pytest.approx(1, abs=0.05)


def mixed_rows() -> pd.DataFrame:
    random = np.random.default_rng(4)
    patient = np.repeat(np.arange(60), 3)
    rows = pd.DataFrame({"patient": patient, "event": random.random(180) < 0.3}, index=np.arange(180) % 90)
    rows["skin"] = pd.Categorical.from_codes(random.integers(0, 3, 60)[patient], ["I", "II", "III", "IV"], ordered=True)
    rows["age"] = pd.array(random.integers(20, 80, 60)[patient], dtype="Int64")
    rows["herpes"] = pd.array(random.random(60)[patient] < 0.4, dtype="boolean")
    rows["place"] = pd.array(random.choice(["face", "neck"], 180), dtype="string")
    rows["energy"] = random.choice([10.0, 12.5, 15.0], 180)
    for column, chance in (("skin", 0.2), ("age", 0.2), ("herpes", 0.1)):
        gap = (random.random(60) < chance)[patient]
        rows[column] = rows[column].where(~gap)
    for column in ("place", "energy"):
        rows[column] = rows[column].where(random.random(180) > 0.15)
    return rows


COLUMNS = ["skin", "age", "herpes", "place", "energy"]


def test_what_was_recorded_stays_and_types_stay():
    rows = mixed_rows()
    before = rows.copy()
    sets = imputed(rows, COLUMNS, ["event"], cluster=rows["patient"], imputations=3)
    pd.testing.assert_frame_equal(rows, before)
    for one in sets:
        assert one.dtypes.equals(rows.dtypes)
        assert one.index.equals(rows.index)
        assert not one[COLUMNS].isna().any(axis=None)
        for column in COLUMNS:
            known = rows[column].notna().to_numpy()
            assert one[column][known].tolist() == rows[column][known].tolist()
            assert set(one[column]) == set(rows[column].dropna()), "only recorded values are drawn"
        by_patient = one.groupby("patient")[["skin", "age", "herpes"]].nunique()
        assert (by_patient == 1).all(axis=None), "a patient has one skin type, one age, one history"
    assert not sets[0].equals(sets[1])


def test_a_value_recorded_at_one_visit_holds_at_the_others():
    rows = pd.DataFrame({"patient": [*"aabbccddeeff"], "event": [0, 1] * 6})
    rows["age"] = [30, None, 41, None, 52, 52, 63, 63, None, 24, None, None]
    for one in imputed(rows, ["age"], ["event"], cluster=rows["patient"], imputations=4):
        assert one["age"].tolist()[:10] == [30, 30, 41, 41, 52, 52, 63, 63, 24, 24]
        assert one["age"].iloc[10] == one["age"].iloc[11]
    rows.loc[0, "age"] = 31
    rows.loc[1, "age"] = 30
    with pytest.raises(ValueError, match="differ within a patient"):
        imputed(rows, ["age"], ["event"], cluster=rows["patient"], per_patient=["age"])


@settings(max_examples=10, deadline=None)
@given(st.randoms(use_true_random=False))
def test_neither_row_order_nor_how_many_sets_matter(random):
    rows = mixed_rows().reset_index(drop=True)
    rows["row"] = np.arange(len(rows))
    rows["energy"] = rows["energy"] + rows["row"] / 1000  # no two rows alike where all is recorded
    straight = imputed(rows, ["skin", "age", "place"], ["event", "row"], cluster=rows["patient"], imputations=2)
    order = random.sample(range(len(rows)), len(rows))
    turned = rows.iloc[order]
    shuffled = imputed(turned, ["skin", "age", "place"], ["event", "row"], cluster=turned["patient"], imputations=3)
    for one, other in zip(straight, shuffled, strict=False):
        pd.testing.assert_frame_equal(one, other.sort_index())


def test_nothing_missing_is_left_alone():
    rows = mixed_rows().dropna()
    for one in imputed(rows, COLUMNS, ["event"], cluster=rows["patient"], imputations=2):
        pd.testing.assert_frame_equal(one, rows)
    alone = rows[rows["patient"] == rows["patient"].iloc[0]]
    pd.testing.assert_frame_equal(imputed(alone, COLUMNS, ["event"], cluster=alone["patient"])[0], alone)
    none = rows.iloc[:0]
    assert len(imputed(none, COLUMNS, ["event"], cluster=none["patient"], imputations=1)[0]) == 0


def test_too_little_to_impute_from():
    rows = mixed_rows().reset_index(drop=True)
    rows["skin"] = rows["skin"].where(rows["patient"] < 0)
    with pytest.raises(ValueError, match=r"^skin: 0 patients have it recorded, and 5 are needed .*\. Leave it out"):
        imputed(rows, ["skin"], ["event"], cluster=rows["patient"])
    one_patient = pd.DataFrame({"energy": [5.0, 7.0, None], "event": [0, 1, 0]})
    with pytest.raises(ValueError, match="1 patients have it recorded"):
        imputed(one_patient, ["energy"], ["event"], cluster=["a", "a", "a"])


def test_separation_leaves_chances_finite():
    rows = pd.DataFrame({"dark": [True] * 20 + [False] * 20 + [None] * 20, "event": [1] * 20 + [0] * 20 + [1, 0] * 10})
    rows["dark"] = rows["dark"].astype("boolean")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        sets = imputed(rows, ["dark"], ["event"], cluster=np.arange(60), imputations=50)
    drawn = np.array([one["dark"].to_numpy(dtype=bool)[40:] for one in sets])
    assert drawn[:, ::2].mean() > 0.9
    assert drawn[:, 1::2].mean() < 0.1


def test_a_rare_level_is_drawn_as_rarely_as_it_was_recorded():
    skin = pd.Categorical(["VI"] + ["II"] * 99 + ["III"] * 100 + [None] * 200, ["I", "II", "III", "VI"], ordered=True)
    rows = pd.DataFrame({"skin": skin, "event": [0, 1] * 200})
    sets = imputed(rows, ["skin"], ["event"], cluster=np.arange(400), imputations=60)
    drawn = pd.concat([one["skin"].iloc[200:] for one in sets])
    share = (drawn == "VI").mean()
    assert 0.001 < share < 0.015, "1 of 200 recorded"
    assert not (drawn == "I").any()


def test_what_cannot_be_imputed_is_refused():
    rows = mixed_rows().reset_index(drop=True)
    cluster = rows["patient"]
    with pytest.raises(ValueError, match=r"energy: \d+ predictors are missing"):
        imputed(rows, ["skin"], ["event", "energy"], cluster=cluster)
    with pytest.raises(ValueError, match="named twice"):
        imputed(rows, ["skin"], ["event", "skin"], cluster=cluster)
    with pytest.raises(ValueError, match="no such column"):
        imputed(rows, ["depth"], ["event"], cluster=cluster)
    with pytest.raises(ValueError, match="start at 1"):
        imputed(rows, ["skin"], ["event"], cluster=cluster, imputations=0)
    with pytest.raises(ValueError, match="neither a number nor a category"):
        imputed(rows.assign(day=pd.Timestamp("2024-01-01")), ["skin"], ["event", "day"], cluster=cluster)
    with pytest.raises(ValueError, match="infinite"):
        imputed(rows.assign(far=[np.inf, 1.0, 2.0] * 60), ["skin"],
                ["event", "far"], cluster=cluster)  # fmt: skip
    with pytest.raises(ValueError, match="no cluster"):
        imputed(rows, ["skin"], ["event"], cluster=cluster.where(cluster > 0))


def test_a_category_model_is_pooled_over_completed_records():
    rows = mixed_rows().reset_index(drop=True)
    fits = []
    for one in imputed(rows, ["skin", "age"], ["event"], cluster=rows["patient"], imputations=6):
        design = build(one, [Category("skin", "I"), Numeric("age", per=10)])
        fits.append(maximum_likelihood(design, one["event"], cluster=one["patient"]))
    pooled = pooled_fits(fits)
    assert [term.term for term in pooled.terms] == [term.term for term in fits[0].terms]
    known = [term for term in pooled.terms if isinstance(term, Estimate)]
    assert len(known) == 3
    assert all(term.low < term.value < term.high for term in known)
