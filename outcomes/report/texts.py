"""Fixed wording of the report: cautions, limits, what the verdict words mean. No number lives here."""

from __future__ import annotations

FIRST_PAGE_CAUTION = (
    "This report describes what exported records show. They are observational: settings were chosen for a reason, "
    "and patients came back for a reason. It recommends no settings for a patient and defers to the device's "
    "instructions, local policy and licensed practice."
)

CAUTIONS: tuple[str, ...] = (
    "Nothing here recommends an energy, a density, a number of passes, an anaesthetic dose or any other choice for a "
    "patient. Such choices rest with the licensed practitioner, the device's instructions for use and local policy, "
    "and where this report seems to say otherwise, they prevail.",
    "A link between a setting and an outcome is not an effect of the setting. Practitioners choose settings for the "
    "skin in front of them; what made them choose is mostly not in the records, and what is not recorded cannot be "
    "allowed for.",
    "A verdict of not shown is not a finding of no difference. The interval beside it says which differences remain "
    "compatible with the records.",
    "A practitioner outside limits is a reason to look, in this order: data, case-mix, equipment, process, person. "
    "The practitioner has the right to reply before anything is concluded.",
    "No count of none is a proof of safety. Where no event was recorded, the upper bound of its interval is printed.",
    "This report holds no row of the records. Small counts may still point to a person within a small clinic: it is "
    "meant for the clinic's own governance and should be made less detailed before it goes further.",
)

LIMITS: tuple[str, ...] = (
    "The audit sees what was recorded and exported. A complication that nobody asked about, or that was treated "
    "elsewhere, is not in it.",
    "Follow-up is incomplete and not at random. Those with trouble return more often than those without, so that a "
    "rate among those seen late overstates the risk among all who were treated, and late outcomes of recent "
    "treatments are not yet known.",
    "Healing and redness are seen at contacts, so that their days are known only to lie between two contacts.",
    "Zones of one patient are alike. Intervals allow for it where the method says so; where a method does not, it "
    "says that too.",
    "Fields left blank were not guessed. Where a model uses fewer records than were accepted, the section counts "
    "those left out and why.",
    "Many comparisons stand side by side. Where verdict words follow from tests, they follow p values adjusted for "
    "their number; intervals are not adjusted and about one in twenty misses by chance.",
    "Windows and the day from which an absence is believed are the protocol's, listed under Definitions. They are "
    "common practice without a source, and another choice would give other rates.",
)

VERDICT_MEANINGS: tuple[tuple[str, str], ...] = (
    ("met", "The whole interval, or the full count, lies on the right side of the target."),
    ("not met", "The whole interval, or the full count, lies on the wrong side of the target."),
    ("associated", "More often, or later, with the setting, by more than chance explains, in patients alike in what "
     "was recorded."),
    ("not shown", "The records are compatible with no difference, and with every value inside the interval."),
    ("cannot say", "Too little to go on; the reason stands in place of a number."),
    ("within limits", "No further from the rest than case-mix and chance explain."),
    ("outside 95 %", "Further from the rest than case-mix and chance mostly explain: look at the data first."),
    ("outside 99.8 %", "Further from the rest than case-mix and chance hardly ever explain: look at the data first."),
    ("too few to judge", "Shown, never judged."),
    ("described", "A number with its interval, on which no verdict is passed."),
)  # fmt: skip

MORE_URGENT_FIRST: tuple[str, ...] = (
    "outside 99.8 %",
    "not met",
    "outside 95 %",
    "associated",
    "described",
    "met",
    "within limits",
    "not shown",
    "cannot say",
    "too few to judge",
)
"""Order of key findings on the first page."""

ROLES: tuple[str, ...] = ("Audit lead", "Clinical lead", "For the governance committee")

HOW_TO_READ: tuple[str, ...] = (
    "Every finding carries a shape and a word; colour only repeats them. A number stands with its interval: the "
    "range of values that the records are compatible with. Read the interval first and the number second.",
    "In tables, the interval is drawn in its row. The mark is the estimate, in the shape of its verdict where one "
    "was passed; an arrow head says that the interval runs on beyond the axis. Ratios are drawn on a log axis with "
    "a line at 1, where there is no difference.",
)
