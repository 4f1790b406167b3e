"""The clinic's words: zones and their regions, skin types, and the outcomes with their windows.

Windows and seen-from days are common practice without a source and can be changed in audit.toml.
"""

from __future__ import annotations

from dataclasses import dataclass

ZONES: dict[str, tuple[str, str | None]] = {
    # zone: (label, region)
    "forehead": ("forehead", "face"),
    "glabella": ("glabella", "face"),
    "temple": ("temple", "face"),
    "upper_lid": ("upper lid", "eyelid"),
    "lower_lid": ("lower lid", "eyelid"),
    "crows_feet": ("crow's feet", "face"),
    "nose": ("nose", "face"),
    "medial_cheek": ("medial cheek", "face"),
    "lateral_cheek": ("lateral cheek", "face"),
    "cheek": ("cheek", "face"),
    "upper_lip": ("upper lip", "face"),
    "chin": ("chin", "face"),
    "perioral": ("around the mouth", "face"),
    "jawline": ("jawline", "face"),
    "full_face": ("full face", "face"),
    "neck": ("neck", "off_face"),
    "chest": ("chest", "off_face"),
    "hands": ("backs of hands", "off_face"),
    "forearms": ("forearms", "off_face"),
    "scar_other": ("scar, elsewhere", None),
}

REGIONS: dict[str, str] = {"face": "face", "eyelid": "eyelids", "off_face": "off the face"}

SKIN_TYPES: tuple[str, ...] = ("I", "II", "III", "IV", "V", "VI", "not_recorded")

SKIN_GROUPS: dict[str, str] = {
    "I": "I–II", "II": "I–II", "III": "III", "IV": "IV", "V": "V–VI", "VI": "V–VI",
    "not_recorded": "not recorded",
}  # fmt: skip

SPOT_CLASSES: tuple[tuple[str, float, float], ...] = (
    # name, from µm (inclusive), to µm (exclusive, but 600 itself is medium)
    ("narrow", 0.0, 250.0),
    ("medium", 250.0, 600.000001),
    ("wide", 600.000001, float("inf")),
)

CONTACTS: tuple[str, ...] = ("in_person", "video", "photo", "phone")

SEVERITY: dict[int, str] = {
    1: "self-limited",
    2: "topical treatment",
    3: "oral treatment or procedure",
    4: "hospital or permanent",
}


@dataclass(frozen=True, slots=True)
class Outcome:
    """One complication: when it counts, and when its absence can be believed.

    Attributes
    ----------
    name : str
        Column name of the yes / no answer; ``<name>_day`` and ``<name>_severity`` go with it.
    label : str
        What the report calls it.
    kind : str
        ``zone`` (belongs to the treated zone) or ``session`` (to the visit for treatment).
    window_days : int or None
        An event counts up to this day after treatment; None counts any day.
    seen_from_day : int
        A zone counts as free of it only if seen on or after this day by a contact that can tell.
    contacts : tuple of str
        The kinds of contact that can rule it out.
    regions : tuple of str or None
        Regions where it can occur; None for all.
    derived_from : str or None
        ``healing`` or ``redness`` when the answer follows from that interval and has no column of its own
        in an export.
    """

    name: str
    label: str
    kind: str
    window_days: int | None
    seen_from_day: int
    contacts: tuple[str, ...]
    regions: tuple[str, ...] | None = None
    derived_from: str | None = None


_EYES = ("in_person", "video", "photo")
_ANY = CONTACTS

OUTCOMES: tuple[Outcome, ...] = (
    Outcome("bacterial_infection", "bacterial infection", "zone", 30, 14, _ANY),
    Outcome("viral_infection", "viral infection", "zone", 30, 14, _ANY),
    Outcome("fungal_infection", "fungal infection", "zone", 30, 14, _EYES),
    Outcome("blister_burn", "blistering or burn", "zone", 14, 7, _ANY),
    Outcome("contact_dermatitis", "contact dermatitis", "zone", 30, 14, _EYES),
    Outcome("acne_milia", "acne or milia", "zone", 60, 30, _EYES),
    Outcome("delayed_healing", "delayed healing", "zone", 60, 14, _ANY, derived_from="healing"),
    Outcome("prolonged_redness", "redness beyond day 90", "zone", None, 90, _EYES, derived_from="redness"),
    Outcome("hyperpigmentation", "hyperpigmentation", "zone", 180, 60, _EYES),
    Outcome("hypopigmentation", "hypopigmentation", "zone", 730, 365, _EYES),
    Outcome("scarring", "scarring", "zone", 365, 90, _EYES),
    Outcome("ectropion", "ectropion", "zone", 180, 30, _EYES, regions=("eyelid",)),
    Outcome("synechia", "synechia", "zone", 180, 30, _EYES),
    Outcome("corneal_injury", "corneal injury", "session", 2, 0, _ANY),
    Outcome("block_complication", "block complication", "session", 2, 0, _ANY),
    Outcome("anaesthetic_toxicity", "anaesthetic toxicity", "session", 2, 0, _ANY),
    Outcome("faint", "faint", "session", 2, 0, _ANY),
    # recorded on any day; counted up to day 90 so that quarters are compared at equal follow-up
    Outcome("unplanned_contact", "unplanned contact", "zone", 90, 14, _ANY),
    Outcome("complaint", "complaint", "zone", 90, 14, _ANY),
)

OUTCOME: dict[str, Outcome] = {outcome.name: outcome for outcome in OUTCOMES}

DELAYED_HEALING_DAYS: dict[str, int] = {"face": 14, "eyelid": 14, "off_face": 21}
PROLONGED_REDNESS_DAY = 90


def region_of(zone: str) -> str | None:
    """Which region a zone belongs to; None for a scar elsewhere.

    Raises
    ------
    KeyError
        If the zone is not in the vocabulary.

    Examples
    --------
    >>> region_of("lower_lid"), region_of("neck"), region_of("scar_other")
    ('eyelid', 'off_face', None)
    """
    return ZONES[zone][1]


def spot_class(spot_um: float) -> str:
    """Which spot class a beam width falls in: narrow < 250 µm, medium, wide > 600 µm.

    Examples
    --------
    >>> spot_class(120), spot_class(600), spot_class(1000)
    ('narrow', 'medium', 'wide')
    """
    return next(name for name, start, stop in SPOT_CLASSES if start <= spot_um < stop)
