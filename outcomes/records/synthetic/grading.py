"""What was written down of the benefit: severity before and after, the grade of improvement, satisfaction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from outcomes.records.synthetic.draws import Stream
from outcomes.records.synthetic.follow_up import Visit
from outcomes.records.synthetic.outcomes_model import Result

GRADED_FROM_DAY = 60
"""Benefit is graded at the first contact from this day on that can see the skin."""

_GAIN = {0: 0, 1: 0, 2: 1, 3: 1, 4: 2}


@dataclass(frozen=True, slots=True)
class Grades:
    """Benefit of one zone as recorded; None where it was not."""

    severity_before: int | None
    severity_after: int | None
    improvement: int | None
    satisfaction: int | None
    graded_by: str


def grades(draw: Stream, result: Result, visits: Sequence[Visit], zone: int) -> Grades:
    """Draw what was graded of one zone (by its position in the session)."""
    before = draw.pick({1: 0.14, 2: 0.38, 3: 0.36, 4: 0.12})
    recorded, extra, by = draw.chance(0.93), draw.chance(0.35), draw.uniform()
    seen = any(visit.day >= GRADED_FROM_DAY and visit.contact != "phone" and zone in visit.answers for visit in visits)
    if not (seen and recorded):
        return Grades(before, None, None, None, "")
    after = max(before - _GAIN[result.improvement] - (1 if extra and result.improvement > 0 else 0), 0)
    who = "treating" if by < 0.72 else "other" if by < 0.95 else "blinded"
    return Grades(before, after, result.improvement, result.satisfaction, who)
