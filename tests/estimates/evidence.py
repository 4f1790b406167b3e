"""What the package computes of each outside check value: item → the values at paths into its ``expected``.

Each function takes the item's data and a reader of open data files, calls public functions only, and returns its
values by path (``newcombe/lower``, list positions as numbers). `compare` sets them beside the expected ones.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

Frame = Callable[[str], pd.DataFrame]
Values = dict[str, Any]
Compute = Callable[[Any, Frame, Any], Values]


@dataclass(frozen=True, slots=True)
class Registered:
    """How an item is computed.

    Attributes
    ----------
    estimator : str
        Public functions that are checked, as ``module.function``.
    compute : callable
    """

    estimator: str
    compute: Compute


@dataclass(frozen=True, slots=True)
class Compared:
    """One item's outcome.

    Attributes
    ----------
    values : int
        Numbers that were compared.
    of : int
        Numbers that the item holds.
    worst : float
        Largest relative difference, over expected values other than 0.
    faults : tuple of str
        Paths whose difference exceeds the tolerance, or that are missing on one side only.
    """

    values: int
    of: int
    worst: float
    faults: tuple[str, ...]


REGISTRY: dict[str, Registered] = {}

# Where an item's notes state another tolerance for some of its values: lme4 stops early on this model.
STATED = {("inst.surgical", "random_effects_logit"): 1e-3}


def evidence(estimator: str, *items: str) -> Callable[[Compute], Compute]:
    """Register a function as what computes these items."""

    def register(compute: Compute) -> Compute:
        for item in items:
            if item in REGISTRY:
                raise ValueError(f"{item} is registered twice")
            REGISTRY[item] = Registered(estimator, compute)
        return compute

    return register


def flat(values: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Leaves of nested mappings and lists with their paths."""
    if isinstance(values, Mapping):
        for key, inner in values.items():
            yield from flat(inner, f"{path}/{key}" if path else str(key))
    elif isinstance(values, (list, tuple, np.ndarray, pd.Series)):
        for position, inner in enumerate(values):
            yield from flat(inner, f"{path}/{position}" if path else str(position))
    else:
        yield path, values


def _number(value: Any) -> float | None:
    if value is None or value is pd.NA or isinstance(value, str):
        return None
    return None if math.isnan(float(value)) else float(value)


def compare(item: Mapping[str, Any], computed: Values) -> Compared:
    """Set computed values beside expected ones at the item's tolerance, ``|x − e| ≤ abs + rel·|e|``."""
    expected = dict(flat(item["expected"]))
    found = dict(flat(computed))
    relative, absolute = item["tolerance"]["rel"], item["tolerance"]["abs"]
    worst, faults, values = 0.0, [], 0
    for path, value in found.items():
        if path not in expected:
            faults.append(f"{path} is not in the item")
            continue
        ours, theirs = _number(value), _number(expected[path])
        if ours is None or theirs is None:
            if (ours is None) != (theirs is None):
                faults.append(f"{path}: one side is missing")
            continue
        values += 1
        gap = abs(ours - theirs)
        if theirs != 0:
            worst = max(worst, gap / abs(theirs))
        allowed = STATED.get((item["id"], path.split("/")[0]), relative)
        if not gap <= absolute + allowed * abs(theirs):
            faults.append(f"{path}: {ours!r} against {theirs!r}")
    known = sum(_number(value) is not None for value in expected.values())
    return Compared(values, known, worst, tuple(faults))


def standard_error(answer: Any, *, logarithm: bool = False) -> float:
    """The standard error that a symmetric normal 95 % interval was made from."""
    width = math.log(answer.high / answer.low) if logarithm else answer.high - answer.low
    return width / (2 * 1.959963984540054)


def limits(answer: Any) -> dict[str, float | None]:
    """Limits under the names that the items use."""
    return {"lower": answer.low, "upper": answer.high}


def named(names: Iterable[str], values: Iterable[Any]) -> dict[str, float]:
    """Values under names, as plain numbers."""
    return dict(zip(names, (float(value) for value in values), strict=True))
