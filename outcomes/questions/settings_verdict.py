"""When a setting is called associated with an outcome, and what the call rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from outcomes.estimates.estimate import Estimate, NotEstimable
from outcomes.estimates.multiplicity import benjamini_hochberg
from outcomes.protocol import SETTINGS, Setting
from outcomes.questions.settings_model import Modelled

ASSOCIATED_BELOW = 0.05


@dataclass(frozen=True, slots=True)
class Judged:
    """A verdict word and what it rests on.

    Attributes
    ----------
    word : str
        ``associated``, ``not shown`` or ``cannot say``.
    basis : str
        What the parts within and between practitioners say about it, as a clause; empty where the whole decides.
    """

    word: str
    basis: str = ""


def adjusted_for_multiplicity(models: Sequence[Modelled]) -> list[Modelled]:
    """The models with Benjamini–Hochberg p values over all their settings."""
    tested = [
        (i, s.column) for i, m in enumerate(models) for s in SETTINGS if isinstance(m.effects[s.column], Estimate)
    ]
    raw = [getattr(models[i].effects[column], "p_value", None) for i, column in tested]
    adjusted = benjamini_hochberg(raw)
    changed = [dict(m.effects) for m in models]
    for (i, column), p in zip(tested, adjusted, strict=True):
        effect = changed[i][column]
        if isinstance(effect, Estimate):
            changed[i][column] = replace(effect, p_adjusted=p)
    return [replace(m, effects=effects) for m, effects in zip(models, changed, strict=True)]


def stands_out(effect: Estimate) -> bool:
    """Whether the adjusted p and the interval of a ratio say that it is not 1."""
    if effect.p_adjusted is None or effect.p_adjusted >= ASSOCIATED_BELOW:
        return False
    return not ((effect.low is None or effect.low <= 1) and (effect.high is None or effect.high >= 1))


def judge(modelled: Modelled, setting: Setting) -> Judged:
    """What may be said of a setting: the whole first, then whether its two parts point the same way.

    Associated needs the interval and the adjusted p of the whole, the part within practitioners in the same
    direction, and the part between them too, where it can be estimated. Without the part within, setting and
    practitioner cannot be told apart, and nothing is said.
    """
    effect = modelled.effects[setting.column]
    if isinstance(effect, NotEstimable):
        return Judged("cannot say")
    if not stands_out(effect):
        return Judged("not shown")
    split = modelled.split[setting.column]
    if isinstance(split.within, NotEstimable):
        return Judged("cannot say", f"the part within practitioners cannot be estimated: {split.within.reason}")
    if not split.agrees(effect):
        return Judged("not shown", "the parts within and between practitioners point in different directions")
    if isinstance(split.between, NotEstimable):
        return Judged(
            "associated", f"within practitioners alone; between them it cannot be estimated: {split.between.reason}"
        )
    return Judged("associated", "within and between practitioners alike")
