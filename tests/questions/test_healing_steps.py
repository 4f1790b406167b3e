"""Days to heal one step of a setting away from what is usual: against the invented clinic's truth, and where nothing is said."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize

from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.protocol import SETTINGS
from outcomes.questions.healing import healing, healing_model, healing_population
from outcomes.questions.healing_steps import patients_beyond, region_medians
from outcomes.records.vocabulary import REGIONS


@pytest.fixture(scope="module")
def model(clinic, scope, protocol):
    return healing_model(healing_population(clinic, scope.end), protocol)


@pytest.fixture(scope="module")
def regions(model, protocol):
    return region_medians(model.population.frame, model.design, model.fit, model.zones, protocol)


def _true_median(frame, usual, at, truth, worse):
    """Median of the mixture of the zones' true log-logistic times at the usual settings.

    One practitioner's odds of slow healing in one zone are higher: on the scale of log days, σ times the log odds ratio.
    """
    own = frame["zone"].astype(str).map(truth["median_days"]).to_numpy(dtype=float)
    shift = sum(
        truth["log_time_ratios"][s.column] * (usual[s.column] - at[s.column]) / truth["steps"][s.column]
        for s in SETTINGS
    )
    smokes = (frame["smoking"].astype("string") == "current").fillna(False).to_numpy(dtype=float)
    badly = (frame["zone"].astype(str) == worse["zone"]) & (frame["practitioner_id"] == worse["practitioner"])
    slower = truth["scale"] * math.log(worse["odds_ratios"]["delayed_healing"]) * badly.to_numpy(dtype=float)
    medians = own * np.exp(shift + truth["log_time_ratios"]["smoking_current"] * smokes + slower)

    def share_left(day):
        return float(np.mean(1 / (1 + (day / medians) ** (1 / truth["scale"])))) - 0.5

    return optimize.brentq(share_left, 0.1, 100)


def test_the_true_medians_at_the_usual_settings_lie_inside_their_intervals(model, regions, truth):
    healing_truth = truth["times"]["healing"]
    frame = model.population.frame
    for r in regions:
        own = frame.loc[(frame["region"].astype(str) == r.region).to_numpy(dtype=bool)]
        at = healing_truth["median_days_at"][r.region]
        true = _true_median(own, r.usual, at, healing_truth, truth["worse_practitioner"])
        assert isinstance(r.at_usual, Estimate)
        assert r.at_usual.low <= true <= r.at_usual.high, REGIONS[r.region]


def test_a_step_multiplies_the_median_by_the_time_ratio(model, regions):
    """All times of a region are stretched alike, so that the median of their mixture is stretched by the same."""
    stated = 0
    for r in regions:
        for s in SETTINGS:
            times = model.fit.term(s.step_label).value
            for word, power in (("less", -1), ("more", 1)):
                answer = r.steps[s.column, word]
                if isinstance(answer, Estimate):
                    stated += 1
                    assert answer.value == pytest.approx(r.at_usual.value * times**power, rel=1e-6)
    assert stated >= 5


def test_nothing_is_said_where_few_patients_were_treated_so(model, regions, protocol):
    frame = model.population.frame
    refused = 0
    for r in regions:
        own = frame.loc[(frame["region"].astype(str) == r.region).to_numpy(dtype=bool)]
        for s in SETTINGS:
            for word, sign in (("less", -1), ("more", 1)):
                reached = r.usual[s.column] + sign * s.step
                values = own[s.column].astype(float)
                beyond = own.loc[(values >= reached - 1e-9) if sign > 0 else (values <= reached + 1e-9), "patient_id"]
                assert patients_beyond(own, s, reached, sign) == beyond.nunique()
                answer = r.steps[s.column, word]
                assert isinstance(answer, NotEstimable) == (beyond.nunique() < protocol.fewest_patients_beside)
                refused += isinstance(answer, NotEstimable)
    assert refused >= 1


def test_the_table_has_a_row_for_each_setting_of_each_region(clinic, scope, protocol, regions):
    finding = healing(clinic, scope, protocol)
    table = next(e for e in finding.exhibits if "one step of a setting away" in e.title)
    assert len(table.rows) == len(SETTINGS) * len(regions)
    printed = {answer.term for answer in finding.estimates}
    assert {answer.term for r in regions for answer in r.answers} <= printed
    assert not any(math.isnan(answer.value) for r in regions for answer in r.answers if isinstance(answer, Estimate))


def test_a_clinic_with_one_setting_says_nothing_of_a_step(model, protocol):
    frame = model.population.frame
    same = frame.assign(density_pct=float(frame["density_pct"].astype(float).median()))
    found = region_medians(same, model.design, model.fit, model.zones, replace(protocol))
    assert all(isinstance(r.steps["density_pct", word], NotEstimable) for r in found for word in ("less", "more"))
