"""Small data that several tests of estimators share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq
from scipy.special import expit


@pytest.fixture
def thirty_zones() -> pd.DataFrame:
    """Thirty invented zones of twelve patients, handed to R in the tests that name it."""
    sizes = [3, 2, 4, 1, 3, 2, 3, 2, 4, 1, 3, 2]
    return pd.DataFrame(
        {
            "patient": pd.array(np.repeat(list("abcdefghijkl"), sizes), dtype="string"),
            "event": [1, 0, 0, 0, 1, 0, 0, 0, 1, 0, 1, 1, 0, 0, 0, 1, 0, 0, 1, 1, 0, 0, 1, 0, 1, 0, 0, 0, 1, 0],
            "density": [
                5, 10, 10, 15, 15, 5, 5, 10, 10, 20, 15, 20, 20, 5, 10,
                10, 10, 5, 20, 15, 5, 10, 15, 5, 20, 5, 5, 10, 15, 10,
            ],
            "dark": np.repeat([0, 1, 0, 1, 1, 0, 0, 1, 0, 0, 1, 0], sizes),
        }
    )  # fmt: skip


@dataclass(frozen=True)
class RareEvents:
    """One simulated clinic: its zones, their events and patients, and the marginal log odds of each zone."""

    rows: pd.DataFrame
    events: np.ndarray
    patient: np.ndarray
    log_odds: np.ndarray
    log_odds_ratio: float


@pytest.fixture(scope="session")
def rare_events() -> Callable[..., RareEvents]:
    """Draw zones of patients who are alike, two or three each, whose marginal odds ratios are known exactly.

    Random intercepts follow the bridge distribution (Wang Z, Louis TA 2003, Biometrika 90:765–775), under which a
    logistic model holds within patients and, with the ratios stated here, on average over them.
    """

    def draw(
        rng: np.random.Generator, patients: int, rate: float, on_patient: bool, log_odds_ratio: float
    ) -> RareEvents:
        phi = 0.7
        patient = np.repeat(np.arange(patients), rng.integers(2, 4, patients))
        exposed = (rng.random(patients) < 0.3)[patient] if on_patient else rng.random(len(patient)) < 0.3
        rows = pd.DataFrame({"exposed": exposed, "age": rng.normal(size=patients)[patient].round(1)})
        linear = (log_odds_ratio * rows["exposed"] + 0.3 * rows["age"]).to_numpy()
        log_odds = linear + brentq(lambda a: expit(linear + a).mean() - rate, -12, 3)
        u = rng.random(patients)
        bridge = np.log(np.sin(phi * np.pi * u) / np.sin(phi * np.pi * (1 - u))) / phi
        events = rng.random(len(rows)) < expit(log_odds / phi + bridge[patient])
        return RareEvents(rows, events, patient, log_odds, log_odds_ratio)

    return draw
