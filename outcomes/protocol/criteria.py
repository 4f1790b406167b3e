"""The standards that a clinic holds itself to: what each criterion measures, on whom, against which target.

The default criteria are common practice, without a source; every one can be changed, switched off or added to in
audit.toml. Their wording is the clinic's to decide: they are standards of records, never advice for a patient.
"""

from __future__ import annotations

from dataclasses import dataclass

VISIT_KINDS = ("in_person", "video", "photo")
OUTCOME_MEASURES = ("outcome", "healed_by")
MEASURES: dict[str, tuple[tuple[str, ...], str]] = {
    # measure: (entries it needs, what it asks of each unit)
    "yes": (("columns",), "each of the columns is a yes; a blank is not"),
    "one_of": (("columns", "values"), "the column holds one of the values; a blank does not"),
    "recorded": (("columns",), "none of the columns is blank or not recorded"),
    "at_most": (("columns", "limit"), "the column is at most the limit; blanks are left out"),
    "at_least": (("columns", "limit"), "the column is at least the limit; blanks are left out"),
    "before_treatment": (("columns",), "the column is a day before the day of treatment; a blank is not"),
    "dose_within_limit": ((), "the injected dose, by recorded weight, is within the limits of [anaesthesia]"),
    "seen_between": (("from_day", "by_day"), "a contact other than by telephone, or a photograph, between the days"),
    "healed_by": (("by_day",), "healed by the day, estimated from the days between which healing was seen"),
    "outcome": (("outcomes",), "any of the complications within its window: the risk among all treated"),
    "severe_reviewed": (("within_days",), "an event of severity 3 or more, seen again within so many days"),
}
DIRECTIONS = ("at least", "at most")
RULES = ("census", "interval")
UNITS = ("zone", "session")


@dataclass(frozen=True, slots=True)
class Condition:
    """What a record must hold for a criterion to apply to it; a blank never does.

    Attributes
    ----------
    column : str
    values : tuple of str or bool
        One of these, where any are given.
    at_least, at_most : float or None
        Limits of a number, both allowed.
    """

    column: str
    values: tuple[str | bool, ...] = ()
    at_least: float | None = None
    at_most: float | None = None


@dataclass(frozen=True, slots=True)
class Criterion:
    """One standard, fixed before the data are looked at.

    Attributes
    ----------
    id : str
        Short fixed name; audit.toml and actions.csv refer to it.
    title : str
        What is meant to be so, as the report prints it.
    measure : str
        One of `MEASURES`.
    target : float
        Share that meets it (or, for ``outcome``, share with the complication).
    direction : str
        ``at least`` or ``at most`` the target.
    rule : str
        ``census``: every record counts, met or so many failures. ``interval``: the records stand for more
        than themselves, and the whole interval has to lie on one side.
    unit : str
        ``zone`` or ``session``: what is counted, each once.
    where : tuple of Condition
        All of these hold for the records that it applies to.
    where_any : tuple of Condition
        At least one of these does; empty for no such demand.
    columns, values, limit, from_day, by_day, within_days, outcomes
        What the measure needs, see `MEASURES`.
    due_day : int
        Day after treatment before which it is not judged, where the measure itself needs no later one.
    exceptions : str
        Who is left out, in words.
    owner : str
        Role that answers for it; never a name.
    rationale, source : str
    """

    id: str
    title: str
    measure: str
    target: float
    direction: str = "at least"
    rule: str = "census"
    unit: str = "zone"
    where: tuple[Condition, ...] = ()
    where_any: tuple[Condition, ...] = ()
    columns: tuple[str, ...] = ()
    values: tuple[str, ...] = ()
    limit: float | None = None
    from_day: int | None = None
    by_day: int | None = None
    within_days: int | None = None
    outcomes: tuple[str, ...] = ()
    due_day: int = 0
    exceptions: str = "none"
    owner: str = "clinical lead"
    rationale: str = ""
    source: str = "common practice, no source"


_INFECTIONS = ("bacterial_infection", "viral_infection", "fungal_infection")

CRITERIA: tuple[Criterion, ...] = (
    Criterion(
        "consent_before_treatment",
        "Consent dated before the treatment day",
        "before_treatment",
        1.0,
        unit="session",
        columns=("consent_on",),
        exceptions="sessions without a row of their own in the records",
        rationale="Time to reflect between consent and treatment.",
    ),
    Criterion(
        "baseline_photographs",
        "Baseline photographs taken",
        "yes",
        1.0,
        unit="session",
        columns=("photos_before",),
        exceptions="sessions without a row of their own in the records",
        owner="nurse lead",
        rationale="Without them neither benefit nor a late change of the skin can be shown.",
    ),
    Criterion(
        "skin_type_and_history",
        "Skin type and history recorded",
        "recorded",
        1.0,
        columns=("skin_type", "herpes_history", "keloid_history", "pih_history"),
        rationale="They bear on the risk of herpes, scarring and hyperpigmentation.",
    ),
    Criterion(
        "settings_complete",
        "Settings complete",
        "recorded",
        0.98,
        columns=("pulse_energy_mj", "density_pct", "passes", "spot_um", "power_w", "stacks"),
        exceptions="rows set aside because energy, density or passes cannot be read",
        owner="laser lead",
        rationale="A treatment that cannot be described cannot be repeated or reviewed.",
    ),
    Criterion(
        "eye_shields",
        "Metal eye shields for zones of the lids",
        "one_of",
        1.0,
        where=(Condition("region", ("eyelid",)),),
        columns=("eye_shield",),
        values=("metal_corneal",),
        owner="laser lead",
        rationale="The beam can reach the cornea.",
    ),
    Criterion(
        "antiviral_cover",
        "Antiviral cover around the mouth, for the full face or after herpes",
        "yes",
        0.95,
        where_any=(
            Condition("zone", ("perioral", "full_face")),
            Condition("herpes_history", (True,)),
        ),
        columns=("antiviral",),
        rationale="Resurfacing can bring herpes back.",
    ),
    Criterion(
        "injected_dose",
        "Injected dose within the limit, weight recorded",
        "dose_within_limit",
        1.0,
        unit="session",
        exceptions="sessions without an injection, or without a row of their own",
        rationale="A dose by weight cannot be judged without the weight.",
    ),
    Criterion(
        "pain",
        "Pain score 5 or less",
        "at_most",
        0.80,
        rule="interval",
        unit="session",
        columns=("pain_score",),
        limit=5,
        exceptions="sessions without a pain score",
        owner="nurse lead",
        rationale="Treatment should be bearable.",
    ),
    Criterion(
        "early_review",
        "Seen between day 5 and day 10",
        "seen_between",
        0.90,
        unit="session",
        from_day=5,
        by_day=10,
        exceptions="contacts by telephone without a photograph do not count",
        owner="nurse lead",
        rationale="Infection and slow healing show in the first days.",
    ),
    Criterion(
        "late_review",
        "Reviewed or photographed between day 90 and day 120",
        "seen_between",
        0.70,
        unit="session",
        from_day=90,
        by_day=120,
        exceptions="contacts by telephone without a photograph do not count",
        owner="nurse lead",
        rationale="Pigment change and scarring show late.",
    ),
    Criterion(
        "face_healed",
        "Face healed by day 14",
        "healed_by",
        0.95,
        rule="interval",
        where=(Condition("region", ("face",)),),
        by_day=14,
        exceptions="zones whose healing was never assessed",
        rationale="Slow healing goes with infection and scarring.",
    ),
    Criterion(
        "infection",
        "Any infection",
        "outcome",
        0.02,
        direction="at most",
        rule="interval",
        outcomes=_INFECTIONS,
        rationale="Mostly avoidable.",
    ),
    Criterion(
        "pigment_light_skin",
        "Hyperpigmentation, skin types I to III",
        "outcome",
        0.05,
        direction="at most",
        rule="interval",
        where=(Condition("skin_type", ("I", "II", "III")),),
        outcomes=("hyperpigmentation",),
        exceptions="zones without a recorded skin type",
        rationale="The commonest late complication.",
    ),
    Criterion(
        "pigment_dark_skin",
        "Hyperpigmentation, skin types IV to VI",
        "outcome",
        0.20,
        direction="at most",
        rule="interval",
        where=(Condition("skin_type", ("IV", "V", "VI")),),
        outcomes=("hyperpigmentation",),
        exceptions="zones without a recorded skin type",
        rationale="The commonest late complication, and commoner in darker skin.",
    ),
    Criterion(
        "severe_events_reviewed",
        "Every event of severity 3 or more reviewed within 14 days",
        "severe_reviewed",
        1.0,
        within_days=14,
        exceptions="the contact at which it was found is not its review",
        rationale="Severe events need a second look and a lesson.",
    ),
    Criterion(
        "improvement",
        "Improvement of a quarter or more (grade 2 to 4)",
        "at_least",
        0.75,
        rule="interval",
        columns=("improvement_grade",),
        limit=2,
        due_day=120,
        exceptions="zones whose improvement was not graded",
        rationale="A treatment that does no harm and no good is not worth having.",
    ),
    Criterion(
        "redness_assessed",
        "Redness beyond day 30 assessed for infection",
        "yes",
        1.0,
        where=(Condition("red_after_day", at_least=30.0),),
        columns=("infection_assessed",),
        due_day=60,
        exceptions="zones not seen red on day 30 or later",
        rationale="Lasting redness can be an infection or an early scar.",
    ),
)
