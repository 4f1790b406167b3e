"""How many days do zones take to heal, and is that tied to settings and skin type?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from outcomes.estimates.accelerated import accelerated_failure_time, adjusted_median
from outcomes.estimates.design import Category, Design, Numeric, Term, build
from outcomes.estimates.estimate import Answer, Estimate, Fit, NotEstimable
from outcomes.estimates.interval_censored import IntervalCurve
from outcomes.estimates.multiplicity import with_adjusted
from outcomes.findings import Finding, Forest, Row
from outcomes.protocol import SETTINGS, Protocol
from outcomes.questions.healing_curves import (
    days_shown,
    drawn_curves,
    healing_intervals,
    held_regions,
    held_text,
    region_curve,
    share_rows,
)
from outcomes.questions.healing_steps import RegionMedians, region_medians, steps_table
from outcomes.questions.population import Population, everyone, first_treatments, treated_between
from outcomes.questions.settings_in_use import comparable_settings
from outcomes.questions.settings_model import LABELS, REFERENCES
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.records.vocabulary import REGIONS, ZONES
from outcomes.wording import (
    capital,
    count,
    decapital,
    estimate_text,
    interval,
    level_text,
    listing,
    plain_estimate,
    plural,
    quantity,
    ratio,
)

FEWEST_ZONES_OF_A_KIND = 30
ASSOCIATED_BELOW = 0.05
_CASE_MIX = ("skin_group", "age_group")


@dataclass(frozen=True, slots=True, eq=False)
class HealingModel:
    """The model of days to heal: who entered, its terms, its fit and the kinds of zone it knows."""

    population: Population
    terms: tuple[Term, ...]
    design: Design
    fit: Fit | NotEstimable
    zones: tuple[str, ...]


def healing(cases: Cases, scope: Scope, protocol: Protocol) -> Finding:
    """How many days do zones take to heal, and is that tied to settings and skin type?

    Healing is seen at visits, so each zone contributes an interval: after the last visit not yet healed, by the
    first visit healed. All records up to the period's end enter, first treatments of each zone only.
    """
    assessed = healing_population(cases, scope.end)
    curves = {
        region: region_curve(assessed.frame.loc[assessed.frame["region"] == region], label, protocol)
        for region, label in REGIONS.items()
        if bool((assessed.frame["region"] == region).any())
    }
    few = held_regions(assessed.frame, curves, protocol)
    curves = {region: curve for region, curve in curves.items() if region not in few}
    shown = {region: days_shown(assessed.frame, region, protocol) for region in curves}
    model = healing_model(assessed, protocol)
    ratios = _ratio_rows(model)
    medians = _median_rows(model, protocol)
    stepped = _stepped(model, protocol)
    shares = share_rows(curves, shown, protocol)
    forests = [shares, _forest_of_medians(medians, model, protocol), _forest_of_ratios(ratios, model)]
    return Finding(
        key="healing",
        title="Healing",
        asks="How many days do zones take to heal, by region and zone, and do settings and skin type go with slower "
        "healing?",
        says=(*_sentences(curves, ratios), *held_text(few, protocol)),
        brief=_brief(ratios),
        headlines=_headlines(curves, ratios),
        estimates=tuple(
            [curve.median for curve in curves.values()]
            + [row.answer for row in shares.rows]
            + [row.answer for row in medians]
            + [answer for region in stepped for answer in region.answers]
            + [row.answer for row in ratios]
        ),
        exhibits=(
            drawn_curves(curves, shown, protocol),
            *[f for f in forests if f.rows],
            *((steps_table(stepped, protocol),) if stepped else ()),
        ),
        denominators=f"{plural(len(assessed), 'zone')} of {plural(assessed.patients, 'patient')}, healing assessed at "
        f"one contact or more; {count(sum(c.events for c in curves.values()))} seen healed.",
        exclusions=(*assessed.left_out, *(f"Model only: {step}" for step in _new_steps(model, assessed))),
        methods=(
            "Share not yet healed: nonparametric maximum likelihood for interval-censored times (Turnbull, "
            "J R Stat Soc B 1976;38:290–295); the band is the wider of whole patients drawn with replacement and exact limits on "
            "the effective number. Between two days "
            "that the visits leave undetermined the curve is drawn straight, and the band holds all that they allow. "
            "Numbers below the figure count zones still under observation.",
            "Time ratios: accelerated failure time model, "
            f"{protocol.aft_family.replace('logl', 'log-l').replace('logn', 'log-n')} family fixed by the protocol, "
            "maximum likelihood on the intervals, sandwich covariance by patient. A time ratio of 1.2 says that "
            "healing takes 1.2 times as long; p values of the three settings are adjusted after Benjamini and "
            "Hochberg. Adjusted medians are those of the model's survival curve averaged over the zones in the "
            "model, or over those of a region.",
        ),
        caveats=(
            "A visit on day 7 that finds a zone healed does not say on which day it healed; the model spreads that "
            "over the days before.",
            "Those who come back early may do so because healing is slow. All contacts enter.",
            "Settings are chosen for a reason; a time ratio describes zones treated so, not what a change would do.",
        ),
    )


def healing_population(cases: Cases, end: date) -> Population:
    """First treatments up to `end` whose healing was assessed at one contact or more."""
    population = first_treatments(Population(treated_between(everyone(cases).frame, date(1900, 1, 1), end)))
    population = population.keep(population.frame["region"].notna(), "scars elsewhere, which have no region")
    return population.keep(population.frame["healed_after_day"].notna(), "zones whose healing was never assessed")


def healing_model(assessed: Population, protocol: Protocol) -> HealingModel | None:
    """Days to heal by settings, skin type, age and zone; None where too few of any kind of zone were treated."""
    population = comparable_settings(assessed, protocol)
    for setting in SETTINGS:
        population = population.keep(
            population.frame[setting.column].notna(), f"zones without a recorded {setting.label}"
        )
    zone = population.frame["zone"].astype("string")
    sizes = zone.value_counts()
    in_order = sorted(ZONES, key=lambda z: list(REGIONS).index(ZONES[z][1] or "off_face"))
    common = tuple(z for z in in_order if int(sizes.get(z, 0)) >= FEWEST_ZONES_OF_A_KIND)
    population = population.keep(
        zone.isin(common), f"zones of a kind treated fewer than {FEWEST_ZONES_OF_A_KIND} times"
    )
    if not common or population.patients < 2:
        return None
    frame = population.frame
    reference = str(frame["zone"].astype("string").value_counts().index[0])
    terms: list[Term] = [
        Numeric(s.column, per=s.step, label=s.step_label, center=float(frame[s.column].astype(float).median()))
        for s in SETTINGS
    ]
    terms += [Category(name, REFERENCES[name], label=LABELS[name]) for name in _CASE_MIX]
    labels = {z: ZONES[z][0] for z in common}
    terms.append(Category("zone", reference, label="zone", levels=common, level_labels=labels))
    design = build(frame, terms)
    after, by, patient = healing_intervals(frame)
    fit = accelerated_failure_time(design, after, by, family=protocol.aft_family, cluster=patient, level=protocol.level)
    return HealingModel(population, tuple(terms), design, fit, common)


def _new_steps(model: HealingModel | None, assessed: Population) -> tuple[str, ...]:
    return model.population.left_out[len(assessed.left_out) :] if model else ()


def _ratio_rows(model: HealingModel | None) -> list[Row]:
    if model is None:
        return []
    if isinstance(model.fit, NotEstimable):
        return [Row("Time ratios", model.fit)]
    steps = {s.step_label for s in SETTINGS}
    tested = with_adjusted([answer for answer in model.fit.terms if answer.term in steps])
    rest = [a for a in model.fit.terms if a.term not in steps and not a.term.startswith("zone ")]
    return [
        Row(capital(answer.term), answer.named(f"time ratio: {answer.term}"), group=group)
        for group, answers in (("Settings", tested), ("Case-mix", rest))
        for answer in answers
    ]


def _median_rows(model: HealingModel | None, protocol: Protocol) -> list[Row]:
    """Adjusted median days by zone at the zone's own usual settings."""
    if model is None or isinstance(model.fit, NotEstimable):
        return []
    frame = model.population.frame
    zone = frame["zone"].astype("string")
    designs, labels, cells = [], [], []
    for name in model.zones:
        own = frame.loc[(zone == name).to_numpy(dtype=bool)]
        usual = {s.column: float(own[s.column].astype(float).median()) for s in SETTINGS}
        designs.append(model.design.evaluate(frame.assign(zone=name, **usual)))
        labels.append(f"adjusted median days to heal, {ZONES[name][0]}")
        cells.append((count(len(own)), _settings_text(usual)))
    answers = adjusted_median(model.fit, designs, labels, level=protocol.level)
    return [
        Row(
            capital(ZONES[name][0]),
            answer,
            cell,
            group=capital(REGIONS[str(ZONES[name][1])]),
        )
        for name, answer, cell in zip(model.zones, answers, cells, strict=True)
    ]


def _stepped(model: HealingModel | None, protocol: Protocol) -> tuple[RegionMedians, ...]:
    if model is None or isinstance(model.fit, NotEstimable):
        return ()
    return region_medians(model.population.frame, model.design, model.fit, model.zones, protocol)


def _settings_text(usual: dict[str, float]) -> str:
    """Settings of a zone in the order of the report: "18 mJ, 11 %, 1 pass"."""
    energy, density, passes = (quantity(usual[s.column]) for s in SETTINGS)
    return f"{energy} mJ, {density} %, {passes} {'pass' if passes == '1' else 'passes'}"


def _forest_of_medians(rows: Sequence[Row], model: HealingModel | None, protocol: Protocol) -> Forest:
    return Forest(
        title="Adjusted median days to heal, by zone at its usual settings",
        detail=True,
        headers=("", "zones", "energy, density, passes"),
        rows=tuple(rows),
        scale="days",
        note=f"Zones treated with a {protocol.spot_class} beam; at the zone's own median settings, averaged over the "
        "case-mix of all zones in the model.",
    )


def _forest_of_ratios(rows: Sequence[Row], model: HealingModel | None) -> Forest:
    n = f" {plural(len(model.population), 'zone')} of {plural(model.population.patients, 'patient')}." if model else ""
    return Forest(
        title="Time ratios: above 1 heals more slowly",
        headers=("",),
        rows=tuple(rows),
        scale="ratio",
        reference=1.0,
        note=f"At equal zone, other settings, skin type and age; the practitioner is not in the model.{n} A setting is called "
        "associated when its p, adjusted over the three, is under 0.05 and its interval leaves out 1.",
    )


def _slower(answer: Answer) -> bool:
    if not isinstance(answer, Estimate) or answer.low is None or answer.low <= 1:
        return False
    return answer.p_adjusted is None or answer.p_adjusted < ASSOCIATED_BELOW


def _sentences(curves: dict[str, IntervalCurve], ratios: Sequence[Row]) -> tuple[str, ...]:
    says = []
    medians = _medians(curves)
    if medians:
        says.append(f"Half the zones were healed by: {medians}.")
    unsaid = [REGIONS[region] for region, curve in curves.items() if isinstance(curve.median, NotEstimable)]
    if unsaid:
        says.append(f"The median cannot be said for {listing(unsaid)}.")
    slower = [row for row in ratios if row.group == "Settings" and _slower(row.answer)]
    for row in slower:
        if isinstance(row.answer, Estimate):
            says.append(
                f"Zones treated with {decapital(row.label)} took "
                f"{ratio(row.answer.value)} times as long to heal ({_times(row.answer)}), at equal zone and case-mix."
            )
    silent = [decapital(row.label) for row in ratios if row.group == "Settings" and not _slower(row.answer)]
    if silent:
        says.append(f"Slower healing was not shown for {listing(silent)}.")
    return tuple(says) or ("Nothing can be said: no record tells when a zone had healed.",)


def _times(answer: Estimate) -> str:
    return f"{level_text(answer.level)} {interval(answer)}"


def _medians(curves: dict[str, IntervalCurve]) -> str:
    return "; ".join(
        f"{REGIONS[region]} {estimate_text(curve.median)}"
        for region, curve in curves.items()
        if isinstance(curve.median, Estimate)
    )


def _slowed(ratios: Sequence[Row]) -> str:
    return listing(
        [
            f"{decapital(row.label)} (time ratio {plain_estimate(row.answer)})"
            for row in ratios
            if row.group == "Settings" and _slower(row.answer)
        ]
    )


def _brief(ratios: Sequence[Row]) -> str:
    slower = {decapital(row.label) for row in ratios if row.group == "Settings" and _slower(row.answer)}
    words = [s.more for s in SETTINGS if s.step_label in slower]
    if not any(isinstance(row.answer, Estimate) for row in ratios if row.group == "Settings"):
        return "Whether settings go with slower healing cannot be said."
    if not words:
        return "Slower healing is not shown for any setting."
    return f"At equal zone and case-mix, healing took longer with {listing(words)}."


def _headlines(curves: dict[str, IntervalCurve], ratios: Sequence[Row]) -> tuple[tuple[str, str], ...]:
    lines: list[tuple[str, str]] = []
    medians, slowed = _medians(curves), _slowed(ratios)
    if slowed:
        lines.append(("associated", f"Slower healing with {slowed}, adjusted."))
    if medians:
        lines.append(("described", f"Half the zones were healed by: {medians}."))
    return tuple(lines)
