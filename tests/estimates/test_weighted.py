"""Weighted logistic regression: values of R's survey package, and what weights mean."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from outcomes.estimates.design import Category, Numeric, build
from outcomes.estimates.estimate import NotEstimable
from outcomes.estimates.logistic import maximum_likelihood
from outcomes.estimates.weighted import predicted_chance, weighted_logistic


def _rows():
    """216 records of 108 patients, drawn with Lehmer's generator (multiplier 16807) from 7."""
    state = 7

    def uniform():
        nonlocal state
        state = state * 16807 % 2147483647
        return state / 2147483647

    rows = []
    for person, base in (("A", 8), ("B", 10), ("C", 13)):
        for zone, more in (("cheek", 0), ("forehead", 2), ("nose", -1)):
            for k in range(24):
                density = base + more + round(8 * uniform()) - 4
                energy, passes = 12 + round(20 * uniform()), 1 + (uniform() < 0.4)
                event = uniform() < 0.15 + 0.04 * (density - base - more) + 0.15 * (person == "C")
                rows.append((zone, f"{person}{zone[0]}{k // 2}", density, energy, passes, int(event)))
    frame = pd.DataFrame(rows, columns=["zone", "patient", "density", "energy", "passes", "event"])
    return frame.assign(weight=1 + (np.arange(1, 217) * 7 % 5) / 2)


TERMS = [Numeric("density", per=5), Numeric("energy", per=10), Numeric("passes"), Category("zone", "cheek")]


def test_coefficients_and_errors_are_those_of_r_survey():
    """R 4.2.2, survey 4.1.1, svydesign(ids = ~patient, weights = ~w) and svyglm(quasibinomial,
    control = glm.control(epsilon = 1e-14)), the same rows."""
    frame = _rows()
    fit = weighted_logistic(build(frame, TERMS), frame["event"], weight=frame["weight"], cluster=frame["patient"])
    assert fit.coefficients == pytest.approx(
        [-5.4176402857, 1.2828302478, 0.3664985003, 0.2526025444, -0.8403173999, 0.5184019930], abs=1e-8
    )
    assert fit.details["standard_error"] == pytest.approx(
        [1.2174732195, 0.3604933096, 0.3247174770, 0.4035775628, 0.5045940753, 0.4307265870], rel=1e-8
    )


def test_only_proportions_of_weights_matter_and_whole_ones_are_repeats():
    frame = _rows()
    design = build(frame, TERMS)
    once = weighted_logistic(design, frame["event"], weight=frame["weight"], cluster=frame["patient"])
    again = weighted_logistic(design, frame["event"], weight=frame["weight"] * 17.3, cluster=frame["patient"])
    assert again.coefficients == pytest.approx(once.coefficients, abs=1e-10)
    assert again.covariance == pytest.approx(once.covariance, rel=1e-8)
    repeats = (2 * frame["weight"]).astype(int)
    counted = maximum_likelihood(design, frame["event"], weight=repeats)
    assert once.coefficients == pytest.approx(counted.coefficients, abs=1e-6)


def test_weights_make_up_for_who_was_left_out():
    """A full table, and the same table with half the events of one cell gone and the rest weighted by two."""
    full = pd.DataFrame({"dense": [0] * 20 + [1] * 20, "event": [1] * 5 + [0] * 15 + [1] * 10 + [0] * 10})
    full["patient"] = range(40)
    kept = full.drop(index=range(20, 25))
    weight = np.where((kept["dense"] == 1) & (kept["event"] == 1), 2.0, 1.0)
    fit = weighted_logistic(build(kept, [Numeric("dense")]), kept["event"], weight=weight, cluster=kept["patient"])
    assert fit.term("dense").value == pytest.approx(3.0, rel=1e-9)  # (10 / 10) / (5 / 15)


def test_separation_and_weights_of_nought_are_refused():
    frame = pd.DataFrame({"dense": [0, 0, 1, 1], "event": [0, 0, 1, 1], "patient": [1, 2, 3, 4]})
    design = build(frame, [Numeric("dense")])
    found = weighted_logistic(design, frame["event"], weight=np.ones(4), cluster=frame["patient"])
    assert isinstance(found, NotEstimable)
    assert "separation" in found.reason
    with pytest.raises(ValueError, match="above zero"):
        weighted_logistic(design, [0, 1, 0, 1], weight=[1, 0, 1, 1], cluster=frame["patient"])


def test_predicted_chances_are_those_of_a_saturated_model_and_add_up():
    """Two groups, 3 of 10 and 0 of 10: Firth adds half an event and half a non-event to each; the total stays 3."""
    frame = pd.DataFrame({"group": [0] * 10 + [1] * 10, "seen": [1] * 3 + [0] * 17})
    chance = predicted_chance(build(frame, [Numeric("group")]), frame["seen"])
    assert chance.sum() == pytest.approx(3.0, rel=1e-9)
    odds = chance / (1 - chance)
    assert odds[0] / odds[-1] == pytest.approx((3.5 / 7.5) / (0.5 / 10.5), rel=1e-6)
