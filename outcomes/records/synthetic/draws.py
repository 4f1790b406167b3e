"""Random draws that give the same value everywhere: uniform numbers from PCG64, everything else by hand."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TypeVar

import numpy as np

Item = TypeVar("Item")


class Stream:
    """A stream of draws of its own for one patient and one purpose.

    Only uniform draws of the PCG64 bit generator are used, whose output numpy keeps the same between
    versions; every other distribution is made from them here.

    Parameters
    ----------
    seed, *key : int
        The same key gives the same stream, whatever was drawn elsewhere.

    Examples
    --------
    >>> Stream(1, 2).uniform() == Stream(1, 2).uniform()
    True
    """

    def __init__(self, seed: int, *key: int) -> None:
        generator = np.random.Generator(np.random.PCG64([seed, *key]))
        self._draw = generator.random

    def uniform(self, low: float = 0.0, high: float = 1.0) -> float:
        """Draw from (low, high), ends left out."""
        return low + (high - low) * min(max(float(self._draw()), 1e-12), 1.0 - 1e-12)

    def chance(self, probability: float) -> bool:
        """True with this probability."""
        return self.uniform() < probability

    def whole(self, low: int, high: int) -> int:
        """Draw a whole number from low to high, both included, all alike likely."""
        return low + int(self.uniform() * (high - low + 1))

    def normal(self, mean: float = 0.0, sd: float = 1.0) -> float:
        """Draw from a normal distribution (Box and Muller 1958)."""
        radius = math.sqrt(-2.0 * math.log(self.uniform()))
        return mean + sd * radius * math.cos(2.0 * math.pi * self.uniform())

    def logistic(self) -> float:
        """Draw from the standard logistic distribution."""
        u = self.uniform()
        return math.log(u / (1.0 - u))

    def pick(self, shares: Mapping[Item, float]) -> Item:
        """Draw a key, each as likely as its share."""
        left = self.uniform() * sum(shares.values())
        for item, share in shares.items():
            left -= share
            if left < 0:
                return item
        return next(reversed(list(shares)))

    def one_of(self, items: Sequence[Item]) -> Item:
        """Draw an item, all alike likely."""
        return items[self.whole(0, len(items) - 1)]

    def some_of(self, items: Sequence[Item], count: int) -> list[Item]:
        """Draw up to `count` different items, in the order given."""
        left = list(range(len(items)))
        taken = sorted(left.pop(self.whole(0, len(left) - 1)) for _ in range(min(count, len(items))))
        return [items[k] for k in taken]
