"""What two published case series of fractional ablative CO2 laser resurfacing counted: context, never a target.

Figures are those of the abstracts. They are per treatment, not per treated zone; counts were worked back from the
printed percentages except where zero. Devices, follow-up and definitions differ from the clinic's and from each other.
"""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.estimates.estimate import Answer
from outcomes.estimates.proportion import proportion


@dataclass(frozen=True, slots=True)
class Series:
    """One published series: what to call it, its source, treatments, and events by our outcome with its own word."""

    label: str
    citation: str
    treatments: int
    events: tuple[tuple[str, int, str], ...]


SERIES: tuple[Series, ...] = (
    Series(
        label="490 treatments, 2011",
        citation="The adverse events of deep fractional CO2: a retrospective study of 490 treatments in 374 patients. "
        "Lasers Surg Med 2011;43(6):453–456, doi:10.1002/lsm.21079",
        treatments=490,
        events=(
            ("acne_milia", 26, "acneiform eruption"),
            ("viral_infection", 11, "herpes simplex"),
            ("bacterial_infection", 9, "bacterial infection"),
            ("fungal_infection", 6, "yeast infection"),
            ("hyperpigmentation", 6, "hyperpigmentation"),
            ("contact_dermatitis", 4, "contact dermatitis"),
            ("scarring", 0, "scarring"),
            ("hypopigmentation", 0, "hypopigmentation"),
        ),
    ),
    Series(
        label="101 treatments, 2010",
        citation="Outcomes of fractional CO2 laser application in aesthetic surgery: a retrospective review. Aesthet "
        "Surg J 2010;30(6):845–852, doi:10.1177/1090820X10386930",
        treatments=101,
        events=(
            ("hyperpigmentation", 10, "hyperpigmentation"),
            ("acne_milia", 7, "milia"),
            ("ectropion", 1, "transient ectropion"),
        ),
    ),
)


def published_share(series: Series, outcome: str, level: float) -> tuple[Answer, str] | None:
    """Share of treatments with an outcome in a series, with the word that the series used; None if it has no figure."""
    for name, events, word in series.events:
        if name == outcome:
            term = f"published, {series.label}: {word}"
            return proportion(events, series.treatments, level=level, term=term), word
    return None
