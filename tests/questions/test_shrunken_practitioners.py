"""Shrunken estimates of practitioners: always answered with limits, and zones of a patient not counted as if independent."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from outcomes.estimates.estimate import Estimate
from outcomes.protocol import Protocol
from outcomes.questions.population import Population
from outcomes.questions.practitioner_model import Comparison, compare
from outcomes.records.vocabulary import OUTCOME, REGIONS


def _compared(events: list[int], zones: int, each: int = 1) -> Comparison:
    """Practitioners with this many events among as many patients, every patient with `each` zones alike."""
    who = np.repeat(np.arange(len(events)), zones)
    event = np.concatenate([np.arange(zones) < k for k in events])
    who, event, patient = (np.repeat(values, each) for values in (who, event, np.arange(len(who))))
    n, name = len(who), "hyperpigmentation"
    frame = pd.DataFrame(
        {
            "patient_id": pd.array(patient.astype(str), dtype="string"),
            "practitioner_id": pd.array([f"P{i}" for i in who], dtype="string"),
            "region": pd.Categorical(["face"] * n, categories=list(REGIONS)),
            "skin_group": pd.Categorical(["III"] * n, categories=["I–II", "III"], ordered=True),
            name: pd.array(event, dtype="boolean"),
            f"{name}_day": pd.array(np.where(event, 90, 0), dtype="Int64"),
            f"{name}_free_day": pd.array(np.full(n, 180), dtype="Int64"),
            "last_seen_day": pd.array(np.full(n, 180), dtype="Int64"),
        }
    )
    frame.loc[~event, f"{name}_day"] = pd.NA
    frame.loc[event, f"{name}_free_day"] = pd.NA
    return compare(Population(frame), OUTCOME[name], None, Protocol())


def _log(answer) -> np.ndarray:
    assert isinstance(answer, Estimate)
    return np.log([answer.value, answer.low, answer.high])


def test_practitioners_alike_are_answered_near_one():
    found = _compared([12] * 5, 150)
    assert isinstance(found.spread, Estimate)
    assert (found.spread.value, found.spread.low) == (0, 0)
    assert sorted(found.shrunken) == [f"P{i}" for i in range(5)]
    for who, answer in found.shrunken.items():
        value, low, high = _log(answer)
        assert value == pytest.approx(0, abs=0.01)
        assert low < -0.2 < 0.2 < high
        assert (answer.n, answer.events) == (150, 12)
        assert 0 < found.reliability[who] < 0.5


def test_one_who_differs_is_drawn_towards_the_rest():
    found = _compared([8, 9, 10, 11, 40], 150)
    value, low, _ = _log(found.shrunken["P4"])
    raw = np.log(40 / 110) - np.log(38 / 562)
    assert 0 < low < value < raw
    assert _log(found.shrunken["P0"])[0] < 0
    assert found.reliability["P4"] > 0.8


def test_zones_of_a_patient_that_are_all_alike_tell_no_more_than_one():
    one, three = _compared([8, 9, 12, 20], 150), _compared([8, 9, 12, 20], 150, each=3)
    assert three.design_effect == pytest.approx(3, rel=0.01)
    for who, answer in one.shrunken.items():
        assert _log(three.shrunken[who]) == pytest.approx(_log(answer), abs=0.01)
        assert three.shrunken[who].n == 3 * answer.n
        assert three.reliability[who] == pytest.approx(one.reliability[who], abs=0.01)
    assert three.spread.high == pytest.approx(one.spread.high, rel=0.02)
