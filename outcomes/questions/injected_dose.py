"""What was injected in a session, and what the protocol's limits for it are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.protocol import Anaesthesia
from outcomes.questions.blank_fields import names_something

MG_PER_ML_AND_PERCENT = 10.0  # 1 % is 10 mg in a millilitre
_ROUNDING_MG = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class InjectedDose:
    """Injected lidocaine of n sessions and its limits; NaN where a number is not recorded.

    Attributes
    ----------
    injected : bool array of shape (n,)
        Whether an injection is recorded: a block is named, or a volume is above 0.
    milligrams, milligrams_per_kg : float array of shape (n,)
    limit_mg : float array of shape (n,)
        The lower of the limit by body weight and the cap; where adrenaline is not recorded, that without it.
    highest_limit_mg : float array of shape (n,)
        The same, but where adrenaline is not recorded that with it, and where weight is not, the cap.
    """

    injected: NDArray[np.bool_]
    milligrams: NDArray[np.float64]
    milligrams_per_kg: NDArray[np.float64]
    limit_mg: NDArray[np.float64]
    highest_limit_mg: NDArray[np.float64]

    @property
    def within(self) -> NDArray[np.bool_]:
        """Within the limit whatever is not recorded; a missing dose or weight never is."""
        return np.asarray(self.milligrams <= self.limit_mg + _ROUNDING_MG)

    @property
    def above(self) -> NDArray[np.bool_]:
        """Above the limit whatever is not recorded; a missing dose never is."""
        return np.asarray(self.milligrams > self.highest_limit_mg + _ROUNDING_MG)


def injected_dose(sessions: pd.DataFrame, limits: Anaesthesia) -> InjectedDose:
    """What was injected in each session, in milligrams, and the limits that hold for it.

    Parameters
    ----------
    sessions : DataFrame
        With ``blocks``, ``injected_ml``, ``injected_pct``, ``weight_kg`` and ``with_adrenaline``.
    limits : Anaesthesia
        Those of the protocol.
    """
    volume, strength, weight = (
        sessions[name].to_numpy(dtype=float, na_value=np.nan) for name in ("injected_ml", "injected_pct", "weight_kg")
    )
    injected = names_something(sessions["blocks"]).to_numpy(dtype=bool) | (volume > 0)
    milligrams = np.where(injected, MG_PER_ML_AND_PERCENT * strength * volume, np.nan)
    unknown = sessions["with_adrenaline"].isna().to_numpy(dtype=bool)
    adrenaline = sessions["with_adrenaline"].fillna(False).to_numpy(dtype=bool)

    def by_weight(with_it: NDArray[np.bool_]) -> NDArray[np.float64]:
        return np.asarray(np.where(with_it, limits.mg_per_kg_with_adrenaline, limits.mg_per_kg) * weight)

    def cap(with_it: NDArray[np.bool_]) -> NDArray[np.float64]:
        return np.asarray(np.where(with_it, limits.cap_mg_with_adrenaline, limits.cap_mg))

    # np.minimum keeps a missing weight missing, np.fmin falls back on the cap
    possible = adrenaline | unknown
    return InjectedDose(
        injected=injected,
        milligrams=milligrams,
        milligrams_per_kg=milligrams / weight,
        limit_mg=np.minimum(by_weight(adrenaline), cap(adrenaline)),
        highest_limit_mg=np.fmin(by_weight(possible), cap(possible)),
    )
