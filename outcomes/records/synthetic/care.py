"""Anaesthesia, consent and comfort of a session."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta

from outcomes.records.synthetic.draws import Stream
from outcomes.records.synthetic.people import Patient
from outcomes.records.synthetic.treatments import Treatment


@dataclass(frozen=True, slots=True)
class Care:
    """What belongs to the session as a whole. None or empty where it was not done or not recorded."""

    weight_kg: float | None
    topical_agent: str
    topical_pct: float | None
    topical_g: float | None
    topical_min: int | None
    blocks: tuple[str, ...]
    injected_pct: float | None
    injected_ml: float | None
    with_adrenaline: bool | None
    injected_at_minute: int | None
    laser_start_minute: int
    sedation: str
    pain_score: int | None
    consent_on: date | None
    photos_before: bool
    written_advice: bool
    events: frozenset[str]


_BLOCKS: dict[str, tuple[str, ...]] = {
    "forehead": ("supraorbital", "supratrochlear"),
    "glabella": ("supratrochlear",),
    "temple": ("zygomaticotemporal",),
    "crows_feet": ("zygomaticotemporal",),
    "lower_lid": ("infraorbital",),
    "upper_lid": ("supraorbital",),
    "nose": ("infraorbital",),
    "medial_cheek": ("infraorbital",),
    "cheek": ("infraorbital",),
    "upper_lip": ("infraorbital",),
    "chin": ("mental",),
    "perioral": ("infraorbital", "mental"),
    "jawline": ("mental",),
    "full_face": ("infraorbital", "mental", "supraorbital", "supratrochlear", "auriculotemporal"),
    "scar_other": ("infiltration",),
}
_AGENTS: dict[str, float] = {"lidocaine and prilocaine": 5.0, "lidocaine": 4.0, "lidocaine and tetracaine": 14.0}


def care_for(draw: Stream, person: Patient, day: date, treatments: list[Treatment]) -> Care:
    """Draw how a session was numbed, consented and borne."""
    agent = draw.pick({"lidocaine and prilocaine": 0.5, "lidocaine": 0.3, "lidocaine and tetracaine": 0.12, "": 0.08})
    area = sum(t.area_cm2 for t in treatments)
    strong = max(t.settings.energy_mj for t in treatments)
    wanted = {block for t in treatments for block in _BLOCKS.get(t.zone, ())}
    chance = 0.75 if any(t.zone in ("perioral", "upper_lip", "full_face", "scar_other") for t in treatments) else 0.3
    blocks = tuple(sorted(wanted)) if draw.chance(chance) else ()
    start = draw.whole(9 * 60, 17 * 60)
    volume, strength, adrenaline, injected_at = None, None, None, None
    if blocks:
        volume = round(max(0.6, sum(draw.normal(1.3, 0.4) for _ in blocks)), 1)
        strength = draw.pick({2.0: 0.7, 1.0: 0.3})
        adrenaline = draw.chance(0.6)
        injected_at = start - (draw.whole(6, 35) if draw.chance(0.94) else draw.whole(60, 110))
    pain = draw.normal(4.4, 1.9) + 0.05 * (strong - 15.0) - (1.0 if blocks else 0.0) - (0.5 if agent else -0.8)
    grams = round(min(max(draw.normal(0.12, 0.03) * area, 1.0), 40.0), 1)
    events = {"faint"} if draw.chance(0.012) else set()
    if draw.chance(0.012) and blocks:
        events.add("block_complication")
    if draw.chance(0.0006) and (blocks or agent):
        events.add("anaesthetic_toxicity")
    if draw.chance(0.0008) and any(t.region == "eyelid" for t in treatments):
        events.add("corneal_injury")
    return Care(
        weight_kg=round(person.weight_kg, 1) if draw.chance(0.97 if blocks else 0.88) else None,
        topical_agent=agent,
        topical_pct=_AGENTS.get(agent),
        topical_g=grams if agent else None,
        topical_min=(draw.whole(45, 75) if draw.chance(0.9) else draw.whole(15, 40)) if agent else None,
        blocks=blocks,
        injected_pct=strength,
        injected_ml=volume,
        with_adrenaline=adrenaline,
        injected_at_minute=injected_at,
        laser_start_minute=start,
        sedation=draw.pick({"none": 0.93, "oral": 0.07}),
        pain_score=int(min(max(math.floor(pain + 0.5), 0), 10)) if draw.chance(0.985) else None,
        consent_on=_consent(draw, day),
        photos_before=draw.chance(0.985),
        written_advice=draw.chance(0.97),
        events=frozenset(events),
    )


def _consent(draw: Stream, day: date) -> date | None:
    u, before = draw.uniform(), draw.whole(2, 28)
    if u < 0.004:
        return None
    return day if u < 0.02 else day - timedelta(days=before)
