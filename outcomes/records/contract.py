"""The record contract, column by column: what each table may hold, in which unit, with which codes and limits.

This is the one list that the mapping, the schema, the data dictionary and the drafted mapping are made from.
Limits are what a record can mean at all, not what is good practice: a pulse energy below 1 mJ is a unit that was
not declared, not a gentle treatment. They are common practice without a source unless said.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from outcomes.records.vocabulary import CONTACTS, OUTCOMES, SKIN_TYPES, ZONES

Table = Literal["zones", "sessions", "layers", "visits"]
Kind = Literal["id", "date", "time", "number", "integer", "boolean", "code", "text", "list"]

TABLES: tuple[Table, ...] = ("zones", "sessions", "layers", "visits")

LONGEST_FOLLOW_UP_DAYS = 7300


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the contract.

    Attributes
    ----------
    name : str
        Our name; the unit is in it where there is one.
    kind : str
        ``id`` (text, kept digit for digit), ``date`` (calendar day), ``time`` (time of day, HH:MM), ``number``,
        ``integer``, ``boolean``, ``code`` (one of `codes`), ``text`` (a short word of the clinic's own) or ``list``
        (several of `codes`, joined by semicolons).
    unit : str
        Unit of a number, empty where it has none.
    required : bool
        True when every row must have it.
    codes : tuple of str
        The codes allowed, in their fixed order; empty where any text or number will do.
    minimum, maximum : float or None
        Smallest and largest number that a record can mean, both allowed.
    describes : str
        What it is, in words for the data dictionary.
    """

    name: str
    kind: Kind
    unit: str = ""
    required: bool = False
    codes: tuple[str, ...] = ()
    minimum: float | None = None
    maximum: float | None = None
    describes: str = ""


def _need(column: Column) -> Column:
    return replace(column, required=True)


def _yes_no(*pairs: tuple[str, str]) -> tuple[Column, ...]:
    return tuple(Column(name, "boolean", describes=describes) for name, describes in pairs)


_RECORD = Column("record_id", "id", describes="one zone treated in one session; unique")
_SESSION = Column("session_id", "id", describes="one visit for treatment, in which one or more zones were treated")
_ZONE = Column("zone", "code", codes=tuple(ZONES), describes="which zone was treated")
_DEVICE = Column("device_id", "id", describes="which laser, by the clinic's own label; never a brand")

_ENERGY = Column(
    "pulse_energy_mj", "number", "mJ", minimum=1, maximum=1000, describes="energy of one pulse (one microbeam)"
)
_DENSITY = Column(
    "density_pct", "number", "%", minimum=1, maximum=100, describes="share of the skin covered in ONE pass"
)
_PASSES = Column("passes", "integer", minimum=1, maximum=20, describes="passes over the zone in this session")
_OTHER_SETTINGS: tuple[Column, ...] = (
    Column("mode", "code", codes=("fractional", "confluent"), describes="spared skin between the spots, or none"),
    Column("spot_um", "number", "µm", minimum=80, maximum=2000, describes="beam width on the skin"),
    Column("power_w", "number", "W", minimum=0.1, maximum=200, describes="average power"),
    Column("pulse_us", "number", "µs", minimum=1, maximum=1_000_000, describes="pulse width"),
    Column("stacks", "integer", minimum=1, maximum=20, describes="pulses on the same spot in one pass"),
    Column("scan_shape", "text", describes="shape of the scan, in the clinic's word"),
    Column("scan_size_mm", "number", "mm", minimum=0.5, maximum=100, describes="longest side of the scan"),
    Column("scan_interval_s", "number", "s", minimum=0, maximum=60, describes="pause between two scans"),
)

_SESSION_FIELDS: tuple[Column, ...] = (
    Column("site_id", "id", describes="which site of the clinic"),
    Column("weight_kg", "number", "kg", minimum=20, maximum=350, describes="body weight"),
    Column("topical_agent", "text", describes="topical anaesthetic, by substance"),
    Column("topical_pct", "number", "%", minimum=0, maximum=100, describes="strength of the topical anaesthetic"),
    Column("topical_g", "number", "g", minimum=0, maximum=500, describes="amount of topical anaesthetic"),
    Column("topical_min", "number", "min", minimum=0, maximum=600, describes="its contact time"),
    Column(
        "blocks",
        "list",
        codes=(
            "none",
            "infraorbital",
            "mental",
            "supraorbital",
            "supratrochlear",
            "zygomaticotemporal",
            "auriculotemporal",
            "infiltration",
        ),
        describes="nerve blocks given; none where it was recorded that there was none",
    ),
    Column("injected_pct", "number", "%", minimum=0, maximum=10, describes="strength of the injected anaesthetic"),
    Column("injected_ml", "number", "mL", minimum=0, maximum=200, describes="volume of injected anaesthetic"),
    Column("with_adrenaline", "boolean", describes="adrenaline in the injected anaesthetic"),
    Column("injected_at", "time", describes="time of day of the last injection"),
    Column("laser_start", "time", describes="time of day of the first pulse"),
    Column(
        "sedation",
        "code",
        codes=("none", "oral", "inhaled", "intravenous", "general"),
        describes="sedation or general anaesthesia",
    ),
    Column("pain_score", "number", minimum=0, maximum=10, describes="worst pain during treatment, 0 none to 10"),
    Column("consent_on", "date", describes="day on which consent was signed"),
    Column("photos_before", "boolean", describes="baseline photographs taken"),
    Column("written_advice", "boolean", describes="written advice for aftercare handed over"),
)


def _day(name: str, describes: str, kind: Kind = "number") -> Column:
    return Column(name, kind, "days", minimum=0, maximum=LONGEST_FOLLOW_UP_DAYS, describes=describes)


_SEVERITY_WORDS = "1 self-limited, 2 topical treatment, 3 oral treatment or procedure, 4 hospital or permanent"


def _complications(*, with_day: bool) -> tuple[Column, ...]:
    columns: list[Column] = []
    for outcome in OUTCOMES:
        if outcome.derived_from is not None:
            continue
        columns.append(
            Column(outcome.name, "boolean", describes=f"{outcome.label}: yes, no, or blank where not looked for")
        )
        if with_day:
            columns.append(_day(f"{outcome.name}_day", f"{outcome.label}: first day recorded", "integer"))
        columns.append(
            Column(
                f"{outcome.name}_severity",
                "integer",
                minimum=1,
                maximum=4,
                describes=f"{outcome.label}: {_SEVERITY_WORDS}",
            )
        )
    return tuple(columns)


_ZONE_FIELDS: tuple[Column, ...] = (
    _need(_RECORD),
    Column("patient_id", "id", required=True, describes="the patient, by a pseudonym; never a name"),
    _need(_SESSION),
    Column("treated_on", "date", required=True, describes="day of treatment"),
    Column("practitioner_id", "id", required=True, describes="who treated, by a code"),
    _need(_ZONE),
    Column("skin_type", "code", required=True, codes=SKIN_TYPES, describes="Fitzpatrick skin type"),
    _need(_ENERGY),
    _need(_DENSITY),
    _need(_PASSES),
    *_OTHER_SETTINGS,
    Column("area_cm2", "number", "cm²", minimum=0.1, maximum=5000, describes="area treated"),
    Column("side", "code", codes=("L", "R", "both"), describes="side of the body"),
    _DEVICE,
    Column("age_years", "number", "years", minimum=0, maximum=120, describes="age on the day of treatment"),
    Column("sex", "code", codes=("female", "male", "other"), describes="sex"),
    Column(
        "indication",
        "code",
        codes=("photoageing", "wrinkles", "acne_scar", "other_scar", "pigment", "lesion", "striae", "other"),
        describes="why the zone was treated",
    ),
    Column("smoking", "code", codes=("never", "ex", "current"), describes="smoking"),
    *_yes_no(
        ("herpes_history", "herpes simplex before"),
        ("keloid_history", "keloid or hypertrophic scar before"),
        ("pih_history", "hyperpigmentation after inflammation before"),
        ("melasma", "melasma"),
        ("tan_4w", "tanned within four weeks before treatment"),
        ("diabetes", "diabetes"),
        ("immunosuppressed", "immunosuppressed"),
        ("radiotherapy", "radiotherapy to the zone before"),
    ),
    Column(
        "isotretinoin_months_since",
        "number",
        "months",
        minimum=0,
        maximum=1200,
        describes="months since the last isotretinoin",
    ),
    Column("course_no", "integer", minimum=1, maximum=50, describes="first, second … treatment of this zone"),
    Column(
        "eye_shield",
        "code",
        codes=("none", "external", "metal_corneal"),
        describes="eye protection of the patient",
    ),
    *_yes_no(
        ("antiviral", "antiviral cover"),
        ("antibiotic", "antibiotic cover"),
        ("antifungal", "antifungal cover"),
    ),
    Column("dressing", "text", describes="dressing, in the clinic's word"),
    *_yes_no(
        ("plume_extraction", "smoke extraction used"),
        ("test_patch", "test patch done before"),
    ),
    Column("severity_before", "integer", minimum=0, maximum=4, describes="severity before treatment, 0 to 4"),
    Column("severity_after", "integer", minimum=0, maximum=4, describes="severity after, 0 to 4"),
    Column(
        "improvement_grade",
        "integer",
        minimum=0,
        maximum=4,
        describes="improvement: 0 none, 1 below 25 %, 2 25 to 49 %, 3 50 to 74 %, 4 75 % or more",
    ),
    Column("graded_by", "code", codes=("treating", "other", "blinded"), describes="who graded the result"),
    Column("satisfaction", "integer", minimum=1, maximum=5, describes="the patient's satisfaction, 1 to 5"),
)

_ZONE_FOLLOW_UP: tuple[Column, ...] = (
    _day("last_seen_day", "last day on which the patient was seen", "integer"),
    _day("healed_after_day", "last day on which the zone was seen not yet healed"),
    _day("healed_by_day", "first day on which the zone was seen healed"),
    _day("red_after_day", "last day on which the zone was seen still red"),
    _day("red_by_day", "first day on which the redness was seen gone"),
    *_complications(with_day=True),
    Column("infection_assessed", "boolean", describes="looked for infection because redness went on"),
)

CONTRACT: dict[Table, tuple[Column, ...]] = {
    "zones": (*_ZONE_FIELDS, *_ZONE_FOLLOW_UP, *_SESSION_FIELDS),
    "sessions": (_need(_SESSION), *_SESSION_FIELDS),
    "layers": (
        _need(_RECORD),
        Column(
            "layer_no",
            "integer",
            required=True,
            minimum=1,
            maximum=20,
            describes="order in which the settings were used in the zone; 1 is the one on the zone row",
        ),
        _need(_ENERGY),
        _need(_DENSITY),
        _need(_PASSES),
        *_OTHER_SETTINGS,
        _DEVICE,
    ),
    "visits": (
        _RECORD,
        _SESSION,
        _ZONE,
        Column("seen_on", "date", describes="day of the contact"),
        Column(
            "day",
            "integer",
            "days",
            minimum=0,
            maximum=LONGEST_FOLLOW_UP_DAYS,
            describes="day of the contact, counted from treatment (treatment is day 0)",
        ),
        Column("contact", "code", codes=CONTACTS, describes="kind of contact"),
        Column("scheduled", "boolean", describes="a contact that was planned, not one asked for by the patient"),
        Column("healed", "boolean", describes="skin closed and free of crusts"),
        Column("redness", "boolean", describes="still red"),
        *_complications(with_day=False),
        Column("infection_assessed", "boolean", describes="looked for infection because redness went on"),
        Column("photos", "boolean", describes="photographs taken"),
    ),
}

COLUMN: dict[Table, dict[str, Column]] = {
    table: {column.name: column for column in columns} for table, columns in CONTRACT.items()
}

SESSION_COLUMNS_ON_ZONES: tuple[str, ...] = tuple(column.name for column in _SESSION_FIELDS)
"""Columns of sessions that a flat export may carry on its zone rows; they must agree within a session."""

FOLLOW_UP_COLUMNS_ON_ZONES: tuple[str, ...] = tuple(column.name for column in _ZONE_FOLLOW_UP)
"""Columns of outcomes that a flat export may carry on its zone rows; visits hold the same, contact by contact."""
