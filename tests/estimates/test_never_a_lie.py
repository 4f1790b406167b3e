"""A search through every public estimator for a number that must never be printed.

Small random records, with all that small records bring: no rows, one patient, empty levels, columns that do not vary,
no events, nothing but events, ties, equal and open bounds. Whatever comes, an estimator answers with a finite number
inside an interval with width, or says why it cannot; a p value lies above 0; a level without rows has no ratio; and
nothing raises.
"""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import math
import pkgutil
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from lie_search import LEVELS, SEARCHED, clinics

import outcomes.estimates as package
from outcomes.estimates.estimate import Estimate, Fit, NotEstimable

# Infinite on purpose, and said so where they are defined: the end of an interval that is open, and the degrees of
# freedom of a normal reference.
OPEN = {"right", "degrees_of_freedom"}

# Parts of estimators, searched through them: arrays in, arrays out.
INNER = {
    "aft_likelihood": ("maximise_likelihood", "sandwich"),
    "arrays": ("positions", "numbers", "weights", "cluster_codes"),
    "binary": ("observe", "cluster_codes", "patterns", "whole_numbers"),
    "binomial": ("check_counts", "wilson_limits", "exact_limits", "mid_p_limits", "jeffreys_limits"),
    "charts": ("cusum_scores", "checked_risks"),
    "cluster": ("cluster_covariance",),
    "discrimination": ("placements",),
    "firth": ("flic_intercept",),
    "hidden": ("possible_range",),  # infinite on purpose: where sums set no bound
    "incidence": ("log_log_limits",),
    "intercept_likelihood": ("grouped",),
    "npmle": ("maximise", "maximise_many"),
    "partial_likelihood": ("maximise",),
    "posterior_draws": ("drawn_levels", "level_regression", "matched"),
    "proportion": ("effective_number",),
    "rate": ("count_limits",),
    "ratios": ("floored", "odds_ratio", "cannot_say", "left_out", "nothing_to_fit", "robust_fit"),
    "scaled_profile": ("working_correlation",),
    "separation": ("standardised", "collinear_columns", "find_separation"),
    "splines": ("knots_at_quantiles", "restricted_cubic"),
    "standardise": ("fitted_risks",),
    "turnbull": ("counted_at", "spread_at", "brackets", "quantiles", "interval_bounds", "last_day"),
    "validation": ("coefficients_of",),
}


def leaves(found: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Every answer and every number in what came back; what `Fit.details` holds is searched by name above."""
    if isinstance(found, (Estimate, NotEstimable)):
        yield path, found
    elif isinstance(found, Fit):
        yield from ((f"{path}/{answer.term}", answer) for answer in found.terms)
        yield from leaves((found.coefficients, found.covariance), f"{path}/fit")
    elif dataclasses.is_dataclass(found) and not isinstance(found, type):
        for field in dataclasses.fields(found):
            if field.name not in OPEN:
                yield from leaves(getattr(found, field.name), f"{path}/{field.name}")
    elif isinstance(found, (list, tuple, dict)):
        for part in found.values() if isinstance(found, dict) else found:
            yield from leaves(part, path)
    elif isinstance(found, np.ndarray):
        yield from ((path, float(number)) for number in found.ravel())
    elif isinstance(found, (bool, int, float, np.generic)):
        yield path, float(found)


def check(path: str, leaf: Any) -> None:
    if isinstance(leaf, NotEstimable):
        assert leaf.reason, path
    elif isinstance(leaf, float):
        assert math.isfinite(leaf), path
    else:
        limits = [limit for limit in (leaf.low, leaf.high) if limit is not None]
        assert limits, path
        assert all(math.isfinite(number) for number in (leaf.value, *limits)), path
        assert len(limits) == 1 or limits[0] < limits[1], path
        assert leaf.p_value is None or 0 < leaf.p_value <= 1, path


@pytest.mark.parametrize("name", [name for name, call in SEARCHED.items() if call.__name__ != "<lambda>"])
@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(rows=clinics(), level=st.sampled_from([0.95, 0.998]))
def test_no_answer_is_a_lie(name, rows, level):
    found = SEARCHED[name](rows, level)
    present = set(rows["skin"].astype(str))
    for path, leaf in leaves(found):
        check(path, leaf)
        for skin in LEVELS:
            if isinstance(leaf, Estimate) and f"skin {skin} against" in leaf.term:
                assert skin in present, "a level without rows has a ratio"


def test_every_public_function_is_searched():
    public = set()
    for module in pkgutil.iter_modules(package.__path__):
        found = importlib.import_module(f"{package.__name__}.{module.name}")
        public |= {
            f"{module.name}.{name}"
            for name, value in vars(found).items()
            if inspect.isfunction(value) and value.__module__ == found.__name__ and not name.startswith("_")
        }
    inner = {f"{module}.{name}" for module, names in INNER.items() for name in names}
    assert public == set(SEARCHED) | inner | {"design.build"}
    assert not set(SEARCHED) & inner
