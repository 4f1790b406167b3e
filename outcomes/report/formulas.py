"""The formulas behind the methods: which ones a report needs, what each says, and each spelled out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from outcomes.report.document import Formula


@dataclass(frozen=True, slots=True)
class _Entry:
    formula: Formula
    said_by: tuple[str, ...]
    """Words in a method's text that call for the formula."""


# The template sets each by its name: spelled out as alternative text, and beside it what it says.
_ENTRIES: tuple[_Entry, ...] = (
    _Entry(
        Formula(
            "exact",
            "Exact limits of a proportion",
            "For k events among n records, the lower limit is the alpha over two quantile of the beta distribution "
            "with k and n minus k plus one; the upper limit is the one minus alpha over two quantile of the beta "
            "distribution with k plus one and n minus k. With no event the lower limit is zero; with nothing but "
            "events the upper limit is one.",
            "Clopper and Pearson, Biometrika 1934;26:404–413",
            "The limits are the shares at which seeing so many events, or so few, would be just as rare as the "
            "level allows. k of n records have the event; B⁻¹ is a quantile of the beta distribution and α one "
            "minus the level. With no event the lower limit is 0; with nothing but events the upper limit is 1.",
        ),
        ("Clopper", "exact limits", "exact binomial limits", "Korn"),
    ),
    _Entry(
        Formula(
            "korn_graubard",
            "Proportion when patients have several zones",
            "The exact limits are taken at an effective number of records: p times one minus p over the variance of "
            "p that allows for clustering, times the square of the ratio of two t quantiles, that of n minus one "
            "degrees of freedom over that of the number of patients m minus one; never more than n.",
            "Korn and Graubard, Survey Methodology 1998;24:193–201",
            "Zones of one patient are alike, so n of them tell less than n patients would. The exact limits are "
            "taken at the smaller number n* that carries as much. m is the number of patients, t a quantile of "
            "Student's distribution; n* is never more than n. "
            "For the limit farther from the nearer of 0 and 1 the variance is, where that is larger, the mean of the "
            "estimated one and that of patients whose records are all alike, weighted by the patients with the rarer "
            "result and by two.",
        ),
        ("Korn",),
    ),
    _Entry(
        Formula(
            "wilson",
            "Score limits of a proportion",
            "For k events among n records, with p the share k over n and z the normal quantile, the limits are p plus "
            "z squared over two n, plus or minus z times the root of p times one minus p over n plus z squared over "
            "four n squared, all divided by one plus z squared over n.",
            "Wilson, J Am Stat Assoc 1927;22:209–212",
            "The limits are the shares that a test at this level would not reject. k of n records have the event; "
            "z is the quantile of the normal distribution.",
        ),
        ("Wilson",),
    ),
    _Entry(
        Formula(
            "weighted",
            "Risk among all treated",
            "The risk theta is E, the share with an event found before the seen-from day, plus one minus E times a "
            "weighted share of events among those without such an event who were seen on or after that day. There y i "
            "is one for an event and zero for none, and each zone weighs one over pi i, its modelled chance of being "
            "seen.",
            "Lunceford and Davidian, Stat Med 2004;23:2937–2960",
            "Each zone that was seen stands for itself and for zones like it that were not. E is the share with "
            "an event found before the day from which an absence is believed; y is 1 for an event and 0 for none; "
            "π is the modelled chance of being seen.",
        ),
        ("inverse of its chance", "inverse-probability"),
    ),
    _Entry(
        Formula(
            "newcombe",
            "Difference of two proportions",
            "For shares a and b with their own limits, the lower limit of a minus b is the difference minus the root "
            "of a minus its lower limit, squared, plus the upper limit of b minus b, squared; the upper limit is the "
            "difference plus the root of the upper limit of a minus a, squared, plus b minus its lower limit, "
            "squared.",
            "Newcombe, Stat Med 1998;17:873–890",
            "How far the difference may lie from the one found follows from how far each share may. a and b are "
            "the two shares, each with its own limits.",
        ),
        ("Newcombe",),
    ),
    _Entry(
        Formula(
            "firth",
            "Penalised logistic regression",
            "The log-likelihood plus half the log determinant of the information matrix is maximised. The penalty "
            "keeps estimates finite where a level has no event, and takes off most of the bias of few events.",
            "Firth, Biometrika 1993;80:27–38",
            "What is maximised is the likelihood with a small penalty. It keeps estimates finite where a level "
            "has no event, and takes off most of the bias that few events bring.",
        ),
        ("Firth",),
    ),
    _Entry(
        Formula(
            "scaled_profile",
            "Limits that allow for several zones of one patient",
            "The limits enclose every value psi whose penalised deviance D of psi, divided by lambda of psi and r, is at "
            "most the chi-squared quantile with one degree of freedom; lambda is the largest of one and two "
            "estimates of how much wider the clustering makes the interval, from the correlation within patients "
            "and from leaving out one patient at a time; r allows for lambda being told by few patients.",
            "",
            "The limits enclose every value ψ that fits not much worse than the best one. D is the loss of fit; "
            "it is divided by λ, by how much the likeness of one patient's zones widens the interval. λ is the "
            "larger of two estimates and never below 1; r ≥ 1 "
            "allows for λ being told by few patients, d more than parameters.",
        ),
        ("scaled profile", "design effect", "scaled by"),
    ),
    _Entry(
        Formula(
            "standardised",
            "Adjusted risk",
            "The adjusted risk at a setting a is the mean, over all n zones in the model, of the risk the model gives "
            "each zone with its own case-mix and the setting a.",
            "",
            "The mean risk that the model gives if every zone in it, each with its own case-mix x, had been "
            "treated at the setting a.",
        ),
        ("g-computation", "tandardised over"),
    ),
    _Entry(
        Formula(
            "evalue",
            "E-value",
            "For a risk ratio RR above one, the E-value is RR plus the root of RR times RR minus one: how strongly an "
            "unrecorded cause would have to be tied to both setting and outcome to explain the link away.",
            "VanderWeele and Ding, Ann Intern Med 2017;167:268–274",
            "How strongly an unrecorded cause would have to be tied to both the setting and the outcome to "
            "explain the link away. RR is the risk ratio, taken above 1.",
        ),
        ("E-value",),
    ),
    _Entry(
        Formula(
            "turnbull",
            "Share not yet healed",
            "Zone i was last seen unhealed on day l i and first seen healed on day r i. The curve S is the one that "
            "maximises the product over all zones of S at l i minus S at r i.",
            "Turnbull, J R Stat Soc B 1976;38:290–295",
            "The curve S that makes what was seen most likely. Zone i was last seen unhealed on day l and first "
            "seen healed on day r; in between it is open.",
        ),
        ("Turnbull",),
    ),
    _Entry(
        Formula(
            "accelerated",
            "Time ratio",
            "The logarithm of the time to heal is x times beta plus sigma times an error of the family fixed by the "
            "protocol. The time ratio of a covariate is the exponential of its coefficient.",
            "",
            "Each setting and each part of the case-mix, x, stretches or shortens the time T to heal by a factor. "
            "That factor is the time ratio. The protocol fixes the family of the rest, ε.",
        ),
        ("accelerated failure time", "Time ratios"),
    ),
    _Entry(
        Formula(
            "random_intercept",
            "Spread between practitioners",
            "The log odds of the outcome of zone i of practitioner j are x i j times beta plus u j, where u j is "
            "normal with mean zero and standard deviation tau. The shrunken estimate of a practitioner is the "
            "exponential of the median of u j over every tau that the records leave possible.",
            "",
            "Each practitioner j has a level of their own, u, on top of case-mix x. Its spread is τ. "
            "Practitioners with few zones are drawn towards the average.",
        ),
        ("random-intercept", "random intercept"),
    ),
    _Entry(
        Formula(
            "funnel",
            "Limits of a funnel",
            "At mu expected events the limits are the quantiles of a Poisson count with mean mu, divided by mu: 2.5 "
            "and 97.5 per cent for the inner limits, 0.1 and 99.9 per cent for the outer ones.",
            "",
            "Where observed over expected events would fall by chance alone, if all did alike. μ is the number of "
            "expected events, divided by the design effect, so that zones of one patient do not count twice.",
        ),
        ("funnel", "unnel limits"),
    ),
)


def formulas_for(methods: Iterable[str]) -> tuple[Formula, ...]:
    """Which formulas the methods of a report name, in a fixed order."""
    said = "\n".join(methods)
    return tuple(e.formula for e in _ENTRIES if any(word in said for word in e.said_by))


def formula_names() -> tuple[str, ...]:
    """Every formula that the template must be able to set."""
    return tuple(e.formula.name for e in _ENTRIES)
