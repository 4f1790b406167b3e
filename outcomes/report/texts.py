"""Fixed wording of the report: cautions, limits, what words mean. No number of the records lives here."""

from __future__ import annotations

HEADINGS: dict[str, str] = {"audit": "Clinical audit", "benchmark": "A practitioner's own records"}
"""What a report of each kind calls itself."""

REQUESTS_HEADINGS: dict[str, str] = {"audit": "Asked of the committee", "benchmark": "Asked of you"}

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
    "No count of none is a proof of safety. Where a table of complications counts none, its interval says up to "
    "which risk the records remain compatible.",
)

DISCLOSURE: dict[str, str] = {
    "committee": "This report holds no row of the records. Counts from 1 to {most} in breakdowns by practitioner, zone or region, "
    "and skin type are held back, with whatever would give them away by subtraction; clinic-wide totals by complication, severe "
    "events and failures of standards among them, are shown. Two reports on overlapping periods, laid side by side, still show "
    "what the later one added.",
    "clinic": "This report holds no row of the records, but shows small counts, which may point to a person: it was made for use "
    "within the clinic and must not leave it.",
}
"""What is held back of a report, by whom it is for; {most} is the largest count that is."""

LIMITS: tuple[str, ...] = (
    "The audit sees what was recorded and exported. A complication that nobody asked about, or that was treated "
    "elsewhere, is not in it.",
    "Follow-up is incomplete and not at random. Those with trouble may return more often than those without. The "
    "rate among those seen late can then lie above the risk among all who were treated; for redness beyond day 90 it "
    "can also lie below it. Late outcomes of recent treatments are not yet known.",
    "Healing and redness are seen at contacts, so that their days are known only to lie between two contacts.",
    "Zones of one patient are alike. Intervals allow for it where the method says so; where a method does not, it "
    "says that too.",
    "A blank is not filled in: where case-mix is not recorded, that is a level of its own in the models. The section on "
    "sensitivity compares with leaving such zones out, and with imputing what is missing. Where a model uses fewer records "
    "than were accepted, the section counts those left out and why.",
    "First treatment means the first in these records. An earlier one, before the records begin or elsewhere, is not "
    "known.",
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
    ("not shown", "No association is shown after allowing for the number of comparisons; the interval says what "
     "remains compatible."),
    ("cannot say", "The records are too few, or too alike, for a number; the reason stands in its place."),
    ("within limits", "No difference shown beyond region, skin type and chance."),
    ("worth a look", "Alone, this comparison would stand out; among all that the audit compares, chance can give such a row. No flag: "
     "look at the data."),
    ("outside 95 %", "Further from the rest than region, skin type and chance mostly explain: look at the data "
     "first. Allows for everything that the audit compares."),
    ("outside 99.8 %", "Further from the rest than region, skin type and chance hardly ever explain: look at the "
     "data first."),
    ("too few to judge", "Shown, never judged."),
    ("described", "A number with its interval, on which no verdict is passed."),
)  # fmt: skip

GLOSSARY: tuple[tuple[str, str], ...] = (
    ("95 % CI", "Confidence interval: the values that the records are compatible with. Made this way, 95 of 100 "
     "intervals hold the true value."),
    ("Odds ratio", "The odds are those with an outcome for each one without it; the ratio says how many times as "
     "high they are in one group as in another. 1 is no difference. Where an outcome is rare it is close to the ratio "
     "of risks; where it is common it lies further from 1."),
    ("Time ratio", "How many times as long healing takes. 1 is no difference, 1.10 is a tenth longer."),
    ("Adjusted p", "A p value says how often chance alone would show a difference at least as large if there were "
     "none. An adjusted one allows for the number of comparisons made together, so that it is larger."),
    ("Design effect", "How much less zones tell because those of one patient are alike. At a design effect of 2, "
     "100 zones tell as much as 50 zones of 50 patients."),
    ("Expected", "The events that a practitioner's patients would have had with the results of all others, at the "
     "same case-mix. Observed over expected is 1 where both agree."),
    ("Case-mix", "Who was treated, as far as recorded. Complications are weighted by region, skin type and age. "
     "Settings and complications: region, skin type, age and indication (region and skin type alone where events are "
     "few). Healing: zone, skin type and age. Practitioners: region and skin type. What is not recorded is a level of "
     "its own."),
)  # fmt: skip

MORE_URGENT_FIRST: tuple[str, ...] = (
    "outside 99.8 %",
    "not met",
    "outside 95 %",
    "associated",
    "worth a look",
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
