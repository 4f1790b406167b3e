"""Case-mix that is not recorded, imputed: nothing is lost, nothing invented where there is nothing to draw from."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from outcomes.estimates.estimate import Estimate
from outcomes.estimates.pooling import rubin
from outcomes.protocol import SETTINGS
from outcomes.questions.population import NOT_RECORDED, Population
from outcomes.questions.sensitivity_imputed import DATA_SETS, _completed, imputed_again
from outcomes.questions.settings_model import model_outcome, settings_population

STEPS = [s.step_label for s in SETTINGS]


@pytest.fixture(scope="module")
def recorded(clinic, scope, protocol):
    """Zones whose case-mix is recorded in full, and what the model says of them."""
    outcome = protocol.outcome("hyperpigmentation")
    population = settings_population(clinic, scope.end, scope.as_of, outcome, protocol)
    for column in ("skin_group", "age_group", "indication_group"):
        known = population.frame[column].astype(str) != NOT_RECORDED
        population = population.keep(known, "zones with case-mix not recorded")
    return model_outcome(population, outcome, protocol, split=False, profile=STEPS)


def _forgotten(recorded, protocol, share, *, seed=1):
    """The same zones with the skin type of some patients not recorded, more often where they had the event."""
    frame = recorded.population.frame
    ill = set(frame.loc[recorded.event, "patient_id"])
    patients = np.array(sorted(set(frame["patient_id"])))
    chance = np.where([p in ill for p in patients], min(1.0, 1.5 * share), share)
    gone = set(patients[np.random.default_rng(seed).random(len(patients)) < chance])
    skin = frame["skin_group"].where(~frame["patient_id"].isin(gone), NOT_RECORDED)
    blanked = frame.assign(skin_group=pd.Categorical(skin, categories=frame["skin_group"].cat.categories, ordered=True))
    population = Population(blanked, recorded.population.left_out)
    return model_outcome(population, recorded.outcome, protocol, event=recorded.event, split=False, profile=STEPS)


def test_nothing_missing_leaves_nothing_to_read_again(recorded, protocol):
    assert imputed_again(recorded, protocol) == (None, None)


def test_odds_ratios_come_back_near_those_of_the_full_records(recorded, protocol):
    """Skin type forgotten for about four patients in ten, more often after the event: known because nothing was, really."""
    main = _forgotten(recorded, protocol, 0.35)
    again, gaps = imputed_again(main, protocol)
    assert len(again.population) == len(recorded.population)
    assert gaps.zones == {"skin_group": int((main.population.frame["skin_group"] == NOT_RECORDED).sum())}
    assert 0 < gaps.missing_information < 0.6
    for s in SETTINGS:
        full, pooled = recorded.effects[s.column], again.effects[s.column]
        error = math.log(full.high / full.low) / (2 * 1.96)
        assert abs(math.log(pooled.value / full.value)) < 0.5 * error
    # skin type itself: dark skin's coefficient, which the model with a level "not recorded" has only from those recorded
    name = "skin_group[IV]"
    j = recorded.fit.names.index(name)
    error = math.sqrt(recorded.fit.covariance[j, j])
    assert abs(again.fit.coefficients[again.fit.names.index(name)] - recorded.fit.coefficients[j]) < error


def test_the_pooled_estimate_is_the_mean_of_the_completed_ones_and_no_narrower(recorded, protocol):
    """The width is near that of Rubin's rules on symmetric intervals, which are held against print elsewhere."""
    main = _forgotten(recorded, protocol, 0.2)
    again, _ = imputed_again(main, protocol)
    completed = [
        model_outcome(Population(frame), main.outcome, protocol, event=main.event, split=False, profile=STEPS)
        for frame in _completed(main, ["skin_group"], protocol)
    ]
    assert len(completed) == DATA_SETS
    for s in SETTINGS:
        logs = [math.log(m.effects[s.column].value) for m in completed]
        pooled = again.effects[s.column]
        assert isinstance(pooled, Estimate)
        assert math.log(pooled.value) == pytest.approx(np.mean(logs), abs=1e-9)
        widths = [math.log(m.effects[s.column].high / m.effects[s.column].low) for m in completed]
        assert math.log(pooled.high / pooled.low) > min(widths)
        by_hand = rubin(logs, [(w / (2 * 1.959964)) ** 2 for w in widths], exponentiate=True).answer
        assert math.log(pooled.high / pooled.low) == pytest.approx(math.log(by_hand.high / by_hand.low), rel=0.02)


def test_completed_records_keep_what_was_recorded_and_hold_no_gap(recorded, protocol):
    main = _forgotten(recorded, protocol, 0.3)
    before = main.population.frame["skin_group"].astype(str)
    for frame in _completed(main, ["skin_group"], protocol):
        after = frame["skin_group"].astype(str)
        assert (after[before != NOT_RECORDED] == before[before != NOT_RECORDED]).all()
        assert not (after == NOT_RECORDED).any()
        assert frame.groupby("patient_id")["skin_group"].nunique().max() == 1
        assert frame.drop(columns="skin_group").equals(main.population.frame.drop(columns="skin_group"))


def test_the_same_records_give_the_same_numbers(recorded, protocol):
    main = _forgotten(recorded, protocol, 0.2)
    first, second = (imputed_again(main, protocol)[0] for _ in range(2))
    assert first.effects == second.effects


def test_a_column_that_hardly_anybody_recorded_is_not_drawn(recorded, protocol):
    frame = recorded.population.frame
    nine = set(sorted(set(frame["patient_id"]))[: protocol.fewest_patients_beside - 1])
    skin = frame["skin_group"].where(frame["patient_id"].isin(nine), NOT_RECORDED)
    frame = frame.assign(skin_group=pd.Categorical(skin, categories=frame["skin_group"].cat.categories, ordered=True))
    main = replace(recorded, population=Population(frame))
    assert imputed_again(main, protocol) == (None, None)


def test_without_a_model_there_is_nothing_to_impute_for(recorded, protocol):
    silent = replace(recorded, fit=None)
    assert imputed_again(silent, protocol) == (silent, None)
