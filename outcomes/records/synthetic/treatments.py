"""What is treated in a session, and with which settings."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

from outcomes.records.synthetic import scenario
from outcomes.records.synthetic.draws import Stream
from outcomes.records.synthetic.people import Patient
from outcomes.records.vocabulary import region_of


@dataclass(frozen=True, slots=True)
class Settings:
    """What the device was set to. `density_shown` is what the device shows: per cent, or its index."""

    spot_class: str
    spot_um: int
    energy_mj: float
    density_pct: float
    density_shown: str
    passes: int
    stacks: int
    power_w: float
    pulse_us: int


@dataclass(frozen=True, slots=True)
class Treatment:
    """One zone treated in one session.

    Attributes
    ----------
    course_no : int
        1 for the first treatment of this zone and side, 2 for the second …
    second_layer : Settings or None
        The wide, shallow layer on top of a deep, narrow one.
    care : dict of str to bool
        Antiviral, antibiotic, antifungal, plume extraction, test patch.
    """

    zone: str
    side: str
    device: str
    indication: str
    course_no: int
    settings: Settings
    second_layer: Settings | None
    scan_shape: str
    scan_size_mm: int
    area_cm2: float
    eye_shield: str
    dressing: str
    care: dict[str, bool]

    @property
    def region(self) -> str:
        """The zone's region; a scar elsewhere heals like skin off the face."""
        return region_of(self.zone) or "off_face"


_FACE_POOL = (
    "forehead", "glabella", "temple", "crows_feet", "nose", "cheek", "upper_lip", "chin", "jawline", "lower_lid",
)  # fmt: skip
_PAIRED = ("temple", "upper_lid", "lower_lid", "crows_feet", "medial_cheek", "lateral_cheek", "cheek")
_AREA_CM2: dict[str, float] = {
    "forehead": 45, "glabella": 8, "temple": 16, "upper_lid": 8, "lower_lid": 10, "crows_feet": 12, "nose": 14,
    "medial_cheek": 30, "lateral_cheek": 36, "cheek": 60, "upper_lip": 9, "chin": 14, "perioral": 28, "jawline": 34,
    "full_face": 310, "neck": 130, "chest": 220, "hands": 150, "forearms": 240, "scar_other": 18,
}  # fmt: skip


def zones_for(draw: Stream, concern: str) -> tuple[str, ...]:
    """Which zones a patient with this concern has treated in one session: none overlaps another."""
    if concern == "neck":
        return ("neck", *_each(draw, {"chest": 0.3, "jawline": 0.25, "cheek": 0.2, "hands": 0.1}))
    if concern == "hands or chest":
        first = draw.pick({"hands": 0.45, "chest": 0.35, "forearms": 0.2})
        return (first, *_each(draw, {z: 0.2 for z in ("hands", "chest") if z != first}))
    if concern == "eyes":
        return ("lower_lid", *_each(draw, {"upper_lid": 0.45, "crows_feet": 0.55, "temple": 0.1}))
    if concern == "mouth":
        first_zones = ("perioral",) if draw.chance(0.5) else ("upper_lip", *_each(draw, {"chin": 0.5}))
        return (*first_zones, *_each(draw, {"cheek": 0.25, "jawline": 0.25, "lower_lid": 0.1}))
    if concern == "acne scar":
        cheeks = ("cheek",) if draw.chance(0.65) else ("medial_cheek", "lateral_cheek")
        return (*cheeks, *_each(draw, {"temple": 0.3, "chin": 0.25, "forehead": 0.2, "nose": 0.15}))
    if concern == "scar":
        return ("scar_other",)
    if concern == "lesion":
        return (draw.one_of(("nose", "cheek", "temple", "forehead")),)
    if draw.chance(0.14):
        return ("full_face", *_each(draw, {"neck": 0.12}))
    count = draw.pick({1: 0.22, 2: 0.29, 3: 0.26, 4: 0.15, 5: 0.08})
    chosen = draw.some_of(_FACE_POOL, count)
    if "cheek" in chosen and draw.chance(0.3):
        at = chosen.index("cheek")
        chosen[at : at + 1] = ["medial_cheek", "lateral_cheek"] if count < 5 else ["medial_cheek"]
    return tuple(chosen)


def _each(draw: Stream, chances: dict[str, float]) -> tuple[str, ...]:
    return tuple(zone for zone, chance in chances.items() if draw.chance(chance))


def side_of(draw: Stream, zone: str, concern: str) -> str:
    """L, R or both; empty for a zone in the midline."""
    if zone not in _PAIRED:
        return ""
    one_side = 1.0 if concern == "lesion" else 0.06
    return draw.one_of(("L", "R")) if draw.chance(one_side) else "both"


def treat(
    draw: Stream,
    person: Patient,
    day: date,
    device: str,
    zone: str,
    side: str,
    course_no: int,
    *,
    gentler: bool,
) -> Treatment:
    """Choose settings and care for one zone. Settings follow risk; `gentler` after earlier trouble."""
    indication = _indication(draw, person.concern)
    region = region_of(zone) or "off_face"
    spot = _spot_class(draw, device, zone, indication)
    settings = _settings(draw, person, day, device, region, zone, indication, spot, gentler)
    layered = device == "M1" and spot == "narrow" and zone in ("scar_other", "perioral", "cheek")
    second = _wide(draw, person, device) if layered and draw.chance(0.12) else None
    area = _AREA_CM2[zone] * math.exp(draw.normal(0.0, 0.18)) * (0.5 if side in ("L", "R") else 1.0)
    if person.concern == "lesion":
        area = 1.5 * math.exp(draw.normal(0.0, 0.4))
    mouth = zone in ("perioral", "full_face")
    cover = 0.95 if mouth or "herpes_history" in person.history else 0.22
    return Treatment(
        zone=zone,
        side=side,
        device=device,
        indication=indication,
        course_no=course_no,
        settings=settings,
        second_layer=second,
        scan_shape=draw.pick({"square": 0.5, "hexagon": 0.3, "circle": 0.2}),
        scan_size_mm=draw.one_of((5, 8, 10, 12)) if region == "eyelid" else draw.one_of((10, 12, 15, 18, 20)),
        area_cm2=round(area, 1),
        eye_shield=_eye_shield(draw, region),
        dressing=draw.pick({"ointment": 0.62, "sheet": 0.2, "open": 0.18}),
        care={
            "antiviral": draw.chance(cover),
            "antibiotic": draw.chance(0.12),
            "antifungal": draw.chance(0.04),
            "plume_extraction": draw.chance(0.985),
            "test_patch": draw.chance(0.6 if scenario.SKIN_STEPS[person.skin_type] >= 2 else 0.15),
        },
    )


def _indication(draw: Stream, concern: str) -> str:
    if concern in ("acne scar", "lesion"):
        return concern.replace(" ", "_")
    if concern == "scar":
        return "other_scar"
    if concern in ("hands or chest", "neck"):
        return draw.pick({"photoageing": 0.85, "pigment": 0.1, "other": 0.05})
    return draw.pick({"photoageing": 0.5, "wrinkles": 0.44, "pigment": 0.05, "other": 0.01})


def _eye_shield(draw: Stream, region: str) -> str:
    if region == "eyelid":
        return "metal_corneal" if draw.chance(0.97) else "external"
    if region == "face":
        return draw.pick({"external": 0.78, "metal_corneal": 0.2, "none": 0.02})
    return draw.pick({"external": 0.9, "none": 0.1})


def _spot_class(draw: Stream, device: str, zone: str, indication: str) -> str:
    beams = scenario.DEVICES[device][1]
    if "medium" in beams and draw.chance(0.6 if indication == "lesion" else 0.08):
        return "medium"
    if "wide" in beams and zone in ("full_face", "perioral") and draw.chance(0.2):
        return "wide"
    return "narrow"


def _settings(
    draw: Stream,
    person: Patient,
    day: date,
    device: str,
    region: str,
    zone: str,
    indication: str,
    spot: str,
    gentler: bool,
) -> Settings:
    who = person.practitioner
    darker = scenario.SKIN_STEPS[person.skin_type]
    years = (day - scenario.FIRST_DAY).days / 365.25
    if spot == "wide":
        return _wide(draw, person, device)
    scar = indication in ("acne_scar", "other_scar")
    if region == "face" or zone == "scar_other":
        energy = draw.normal(17.5 + who.energy_style - 0.6 * darker, 5.0) + (7.0 if scar else 0.0)
        density = draw.normal(12.2 + who.density_style - who.caution * darker - 0.3 * years, 3.8)
        second_pass = who.second_pass + (0.15 if scar else 0.0)
        limits = (10.0, 60.0 if scar else 30.0), (5.0, 20.0)
    elif region == "eyelid":
        energy = draw.normal(9.0 + 0.3 * who.energy_style, 2.4)
        density = draw.normal(7.2 + 0.3 * who.density_style - 0.4 * who.caution * darker, 1.7)
        second_pass, limits = 0.04, ((5.0, 15.0), (5.0, 10.0))
    else:
        energy = draw.normal(9.5 + 0.3 * who.energy_style, 2.6)
        density = draw.normal(5.6 + 0.3 * who.density_style - 0.3 * who.caution * darker, 1.6)
        second_pass, limits = 0.03, ((5.0, 15.0), (3.0, 8.0))
    if spot == "medium":
        energy, density = energy * 1.4, density * 1.25
        limits = (limits[0][0], 40.0), (limits[1][0], 25.0 if region == "face" else 12.0)
    if gentler:
        energy, density, second_pass = energy - 2.0, density - 1.5, 0.5 * second_pass
    shown, percent = _dial_density(device, min(max(density, limits[1][0]), limits[1][1]))
    step = scenario.DEVICES[device][3]
    energy = step * round(min(max(energy, limits[0][0]), limits[0][1]) / step)
    return Settings(
        spot_class=spot,
        spot_um=scenario.DEVICES[device][1][spot],
        energy_mj=energy,
        density_pct=percent,
        density_shown=shown,
        passes=2 if draw.chance(second_pass) else 1,
        stacks=2 if scar and draw.chance(0.1) else 1,
        power_w=draw.one_of((10.0, 12.0, 15.0, 18.0, 20.0)),
        pulse_us=int(round(energy * 1000.0 / 60.0, -1)),
    )


def _wide(draw: Stream, person: Patient, device: str) -> Settings:
    darker = scenario.SKIN_STEPS[person.skin_type]
    density = 2.0 * round(min(max(draw.normal(58.0 - 4.0 * darker, 9.0), 40.0), 80.0) / 2.0)
    energy = 5.0 * round(min(max(draw.normal(90.0, 14.0), 60.0), 125.0) / 5.0)
    return Settings(
        spot_class="wide",
        spot_um=scenario.DEVICES[device][1]["wide"],
        energy_mj=energy,
        density_pct=density,
        density_shown=f"{density:g}",
        passes=1,
        stacks=1,
        power_w=draw.one_of((20.0, 25.0, 30.0)),
        pulse_us=int(round(energy * 1000.0 / 120.0, -1)),
    )


def _dial_density(device: str, wanted: float) -> tuple[str, float]:
    """Nearest density the device can be set to: as the device shows it, and in per cent."""
    step = scenario.DEVICES[device][2]
    if step is not None:
        percent = step * round(wanted / step)
        return f"{percent:g}", percent
    table = scenario.DENSITY_INDEX
    index = min(table, key=lambda i: (abs(table[i] - wanted), i))
    return str(index), table[index]
