"""By how many points does the adjusted risk differ over one step of a setting, where the setting is used?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.standardise import standardised_risks
from outcomes.protocol import Protocol, Setting
from outcomes.questions.settings_model import Modelled
from outcomes.questions.settings_support import Overlap
from outcomes.records.vocabulary import REGIONS
from outcomes.wording import count, listing, plural, quantity


@dataclass(frozen=True, slots=True)
class Step:
    """Adjusted risk at the upper end of one step against that at its lower end.

    Attributes
    ----------
    difference, ratio : Estimate or NotEstimable
    where : str
        From what to what the step goes, region by region.
    zones : int
        Zones that it is standardised over.
    """

    difference: Answer
    ratio: Answer
    where: str = ""
    zones: int = 0


def adjusted_step(
    modelled: Modelled, setting: Setting, places: Mapping[str, Overlap], protocol: Protocol
) -> Step | None:
    """Adjusted risks at both ends of a step, over the zones whose skin type and practitioner use both.

    None where the outcome's model or the setting cannot say.
    """
    effect = modelled.effects.get(setting.column)
    if modelled.fit is None or modelled.design is None or isinstance(effect, NotEstimable):
        return None
    frame = modelled.population.frame
    used = {region: place for region, place in places.items() if place.low is not None and place.zones.any()}
    speaking = np.any([place.zones for place in used.values()], axis=0) if used else np.zeros(len(frame), dtype=bool)
    what = f"{modelled.outcome.label}: adjusted risk {{}}, {setting.step_label}"
    patients = int(frame.loc[speaking, "patient_id"].nunique())
    if patients < 2 * protocol.fewest_patients_beside:
        reason = f"{plural(patients, 'patient')} belong to groups in which both ends of the step are used"
        refusal = NotEstimable(
            "",
            reason,
            n=int(speaking.sum()),
            patients=patients,
            unit="difference in proportion",
            method=modelled.fit.method,
        )
        return Step(
            refusal.named(what.format("difference")), replace(refusal, unit="risk ratio").named(what.format("ratio"))
        )
    rows = frame.loc[speaking]
    region = rows["region"].astype(str)
    low = region.map({name: place.low for name, place in used.items()}).astype("float64")
    designs = [modelled.design.evaluate(rows.assign(**{setting.column: low + shift})) for shift in (0.0, setting.step)]
    risks = standardised_risks(modelled.fit, designs, ("lower end", "upper end"), level=protocol.level)
    where = listing(
        [
            f"{quantity(place.low)} to {quantity(place.low + setting.step, setting.unit)} ({REGIONS[name]})"
            for name, place in used.items()
            if place.low is not None
        ]
    )
    note = f"from {where}; over {count(len(rows))} zones whose skin type and practitioner use both"

    def noted(answer: Answer, word: str) -> Answer:
        named = answer.named(what.format(word))
        return replace(named, note=note) if isinstance(named, Estimate) else named

    return Step(noted(risks.difference(1, 0), "difference"), noted(risks.ratio(1, 0), "ratio"), where, len(rows))
