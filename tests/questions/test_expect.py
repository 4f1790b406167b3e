"""What the records show at given settings: the truth of the invented clinic, an outside model, and refusals."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from small_clinic import small_clinic

from outcomes.errors import ProtocolError
from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.questions.expect import CAUTION, Asked, expect, expect_text, similar
from outcomes.questions.follow_up import follow_up
from outcomes.questions.settings_model import settings_population
from outcomes.records.scope import Scope

LIP = Asked("upper_lip", "IV", 18, 11, 1)


@pytest.fixture(scope="module")
def lip(clinic, scope, protocol):
    return expect(clinic, scope, protocol, LIP)


def _risk(finding, start):
    return next(a for a in finding.estimates if a.term.startswith(start))


@pytest.mark.parametrize(
    ("zone", "region"), [("forehead", "face"), ("upper_lip", "face"), ("lower_lid", "eyelid"), ("hands", "off_face")]
)
def test_true_median_days_lie_inside(clinic, scope, protocol, truth, zone, region):
    healing = truth["times"]["healing"]
    at = healing["median_days_at"][region]
    asked = Asked(zone, "III", at["pulse_energy_mj"], at["density_pct"], at["passes"])
    answer = _risk(expect(clinic, scope, protocol, asked), "median days")
    assert answer.low <= healing["median_days"][zone] <= answer.high


def test_an_outside_model_gives_nearly_the_same_risk(clinic, scope, protocol, lip):
    """Plain maximum likelihood of statsmodels on dummy columns made here, averaged over the zones of the face.

    With 250 events the penalty moves a risk by far less than a tenth of itself.
    """
    outcome = protocol.outcome("hyperpigmentation")
    frame = settings_population(clinic, scope.end, scope.as_of, outcome, protocol).frame
    event = follow_up(frame, outcome).event.astype(int)

    def columns(part):
        dummies = pd.get_dummies(part[["region", "skin_group", "age_group", "indication_group"]].astype(str)).astype(
            float
        )
        numbers = part[["pulse_energy_mj", "density_pct", "passes", "months"]].astype(float)
        return pd.concat([numbers, dummies], axis=1)

    x = columns(frame)
    kept = [
        c
        for c in x
        if x[c].nunique() > 1 and not c.endswith(("_face", "_I–II", "_40 to 54", "_photoageing or wrinkles"))
    ]
    kept += ["region_off_face"]
    fit = sm.GLM(event, sm.add_constant(x[kept]), family=sm.families.Binomial()).fit()
    face = frame.loc[(frame["region"] == "face").to_numpy(dtype=bool)].assign(
        pulse_energy_mj=18.0, density_pct=11.0, passes=1.0, skin_group="IV"
    )
    there = columns(face).reindex(columns=kept, fill_value=0.0)
    expected = float(np.mean(fit.predict(sm.add_constant(there, has_constant="add"))))
    assert _risk(lip, "hyperpigmentation").value == pytest.approx(expected, rel=0.05)


def test_more_density_means_more_of_it_as_the_clinic_was_made(clinic, scope, protocol, truth):
    low, high = (
        _risk(expect(clinic, scope, protocol, Asked("cheek", "IV", 18, density, 1)), "hyperpigmentation")
        for density in (9, 14)
    )
    odds = [a.value / (1 - a.value) for a in (low, high)]
    true = truth["settings"]["hyperpigmentation"]["density_pct"]["odds_ratio"]
    assert 1 < odds[1] / odds[0] < true**2
    assert odds[1] / odds[0] == pytest.approx(true, rel=0.25)


def test_each_answer_says_how_many_were_treated_similarly(clinic, scope, protocol, lip):
    outcome = protocol.outcome("hyperpigmentation")
    frame = settings_population(clinic, scope.end, scope.as_of, outcome, protocol).frame
    near = frame.loc[similar(frame, LIP)]
    assert near["pulse_energy_mj"].between(13, 23).all()
    assert near["density_pct"].between(8.5, 13.5).all()
    assert (near["passes"] == 1).all()
    assert (near["region"] == "face").all()
    words = f"similar settings: {len(near)} zones of {near['patient_id'].nunique()} patients"
    assert _risk(lip, "hyperpigmentation").note == words


def test_the_caution_stands_in_the_same_sentence_and_on_the_screen(lip):
    assert lip.says[0].endswith(CAUTION)
    text = expect_text(lip)
    assert "recommends no settings for a patient" in " ".join(text.split())
    assert max(len(line) for line in text.splitlines()) <= 100
    for row in lip.exhibits[0].rows:
        assert row.label in text


@pytest.mark.parametrize(
    ("asked", "reason"),
    [
        (Asked("upper_lip", "IV", 60, 11, 1), "fewer than 10 patients were treated with similar settings, face"),
        (Asked("upper_lip", "IV", 18, 11, 4), "fewer than 10 patients were treated with similar settings, face"),
        # each setting alone is common on the lids, but not all of them together
        (Asked("lower_lid", "II", 9, 6, 3), "fewer than 10 patients were treated with similar settings, eyelids"),
        (Asked("scar_other", "II", 18, 11, 1), "a scar elsewhere has no region, and no model is about it"),
        (Asked("cheek", "II", 18, 11, 1, spot_um=1000), "the models are about a narrow beam, and this one is wide"),
    ],
)
def test_outside_the_support_it_refuses(clinic, scope, protocol, asked, reason):
    finding = expect(clinic, scope, protocol, asked)
    assert {type(a) for a in finding.estimates} == {NotEstimable}
    assert {a.reason for a in finding.estimates} == {reason}
    assert CAUTION in finding.says


def test_an_age_moves_only_the_group_that_is_averaged_over(clinic, scope, protocol, lip):
    older = expect(clinic, scope, protocol, Asked("upper_lip", "IV", 18, 11, 1, age_years=60))
    assert isinstance(_risk(older, "hyperpigmentation"), Estimate)
    assert _risk(older, "hyperpigmentation").value != _risk(lip, "hyperpigmentation").value


def test_a_skin_type_hardly_treated_in_the_region_is_refused(clinic, scope, protocol):
    pale = clinic.where(lambda z: ~z["skin_type"].isin(["V", "VI"]), "none of V and VI")
    finding = expect(pale, scope, protocol, Asked("cheek", "V", 18, 11, 1))
    assert {a.reason for a in finding.estimates} == {"fewer than 5 patients of this skin type, face"}


def test_a_handful_of_records_cannot_say(tmp_path, protocol):
    cases = small_clinic(tmp_path, [{}, {"zone": "neck"}])
    finding = expect(cases, Scope.quarter("2026Q3", cases.last_date), protocol, Asked("cheek", "II", 15, 10, 1))
    assert all(isinstance(a, NotEstimable) for a in finding.estimates)


@pytest.mark.parametrize(
    "wrong",
    [
        {"zone": "left_ear"},
        {"skin_type": "not_recorded"},
        {"pulse_energy_mj": 0},
        {"density_pct": 101},
        {"passes": float("nan")},
    ],
)
def test_what_cannot_be_asked_is_an_error_of_two_sentences(wrong):
    fields = {"zone": "cheek", "skin_type": "II", "pulse_energy_mj": 15, "density_pct": 10, "passes": 1, **wrong}
    with pytest.raises(ProtocolError) as caught:
        Asked(**fields)
    assert caught.value.remedy.endswith(".")
    assert "left_ear" not in str(caught.value)
