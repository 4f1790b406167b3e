"""Small data that several tests of estimators share."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest


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
