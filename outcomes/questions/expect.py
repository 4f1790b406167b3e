"""What do our own records show at these settings? A description of zones treated so, for one zone and skin type."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import ProtocolError
from outcomes.estimates.accelerated import adjusted_median
from outcomes.estimates.estimate import Answer, Estimate, NotEstimable
from outcomes.estimates.standardise import standardised_risks
from outcomes.findings import Finding, Forest, Row
from outcomes.protocol import SETTINGS, Protocol
from outcomes.questions.benefit import CONTENT, HELPED, benefit_candidates, benefit_model, graded
from outcomes.questions.healing import healing_model, healing_population
from outcomes.questions.outcome_risk import by_day
from outcomes.questions.population import AGE_LEVELS, Population
from outcomes.questions.settings_model import Modelled, model_outcome, settings_population
from outcomes.records.cases import Cases
from outcomes.records.scope import Scope
from outcomes.records.vocabulary import REGIONS, SKIN_GROUPS, SKIN_TYPES, ZONES, Outcome, region_of, spot_class
from outcomes.wording import capital, count, decapital, estimate_text, listing, plural, quantity

CAUTION = (
    "This describes zones treated so in these records, whose settings were chosen for a reason; it recommends no settings "
    "for a patient and defers to the device's instructions, local policy and licensed practice."
)


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked about: a zone, a skin type and settings.

    Attributes
    ----------
    zone : str
        A zone of the record contract, such as ``upper_lip``.
    skin_type : str
        Fitzpatrick type, I to VI.
    pulse_energy_mj, density_pct, passes : float
    age_years : int or None
        Taken by its group; averaged over the ages in the records when None.
    spot_um : float or None
        Beam width; taken to be of the protocol's spot class when None.

    Raises
    ------
    ProtocolError
        If the zone or the skin type is not one of the contract's, or a setting is not above zero.
    """

    zone: str
    skin_type: str
    pulse_energy_mj: float
    density_pct: float
    passes: float
    age_years: int | None = None
    spot_um: float | None = None

    def __post_init__(self) -> None:
        if self.zone not in ZONES:
            raise ProtocolError(
                "The zone asked about is not one of the contract's.", f"Choose one of {', '.join(ZONES)}."
            )
        if self.skin_type not in SKIN_TYPES[:-1]:
            raise ProtocolError("The skin type asked about is not a Fitzpatrick type.", "Give one from I to VI.")
        if not all(value > 0 and np.isfinite(value) for value in self.settings.values()) or self.density_pct > 100:
            raise ProtocolError(
                "A setting asked about is not above zero, or a density is above 100 %.",
                "Give energy in mJ, density as the per cent covered in one pass, and passes as a number.",
            )

    @property
    def settings(self) -> Mapping[str, float]:
        """The settings by column."""
        return {s.column: float(getattr(self, s.column)) for s in SETTINGS}

    @property
    def skin_group(self) -> str:
        """The level of the case-mix that the skin type belongs to."""
        return SKIN_GROUPS[self.skin_type]

    @property
    def age_group(self) -> str | None:
        """The level of the case-mix that the age belongs to."""
        if self.age_years is None:
            return None
        return AGE_LEVELS[0] if self.age_years < 40 else AGE_LEVELS[1] if self.age_years < 55 else AGE_LEVELS[2]

    @property
    def words(self) -> str:
        """The settings in words: "18 mJ, 11 %, 1 pass"."""
        passes = quantity(self.passes)
        return (
            f"{quantity(self.pulse_energy_mj, 'mJ')}, {quantity(self.density_pct, '%')}, "
            f"{passes} {'pass' if passes == '1' else 'passes'}"
        )


@dataclass(frozen=True, slots=True)
class Support:
    """Who was treated with similar settings in the same region, and why that is not enough, if it is not.

    Attributes
    ----------
    zones, patients : int
        Within half a step of each setting, all three at once.
    refusal : str
        A clause; empty where there are enough.
    """

    zones: int
    patients: int
    refusal: str = ""


def expect(cases: Cases, scope: Scope, protocol: Protocol, asked: Asked) -> Finding:
    """What do our own records show at these settings?

    Adjusted risk of each modelled outcome and adjusted median days to heal, from the models of *settings and risk* and
    *healing*, at the settings asked about, averaged over what else the patients of the region brought with them. Nothing
    is said where fewer than ``fewest_patients_beside`` patients were treated with similar settings in that region.
    """
    region = region_of(asked.zone)
    place = "" if region is None else f", {REGIONS[region]}"
    answers: list[tuple[str, Answer, Support]] = [
        (capital(f"{o.label}{by_day(o)}{place}"), *_risk(cases, scope, protocol, asked, o))
        for o in (protocol.outcome(name) for name in protocol.modelled)
    ]
    candidates = benefit_candidates(cases, scope, protocol)
    answers += [(capital(f"{o.label}{place}"), *_benefit(candidates, protocol, asked, o)) for o in (HELPED, CONTENT)]
    days = (f"Days until half have healed, {ZONES[asked.zone][0]}", *_days(cases, scope, protocol, asked))
    where = ZONES[asked.zone][0]
    heading = f"{capital(where)}, skin type {asked.skin_type}, {asked.words}"
    forests = (
        Forest(
            title=f"{heading}: adjusted share of zones seen or graded",
            headers=("", "similar: zones", "patients"),
            rows=tuple(Row(label, answer, _support_cells(support, protocol)) for label, answer, support in answers),
            scale="proportion",
            note=_near_words(protocol),
        ),
        Forest(
            title=f"{heading}: adjusted days to heal",
            headers=("", "similar: zones", "patients"),
            rows=(Row(days[0], days[1], _support_cells(days[2], protocol)),),
            scale="days",
        ),
    )
    said = [(label, answer, support) for label, answer, support in (*answers, days) if isinstance(answer, Estimate)]
    return Finding(
        key="expect",
        title="What the records show at these settings",
        asks=f"What do these records show for {heading[:1].lower() + heading[1:]}?",
        says=_sentences(said, [*answers, days], heading),
        estimates=(*(answer for _, answer, _ in answers), days[1]),
        exhibits=forests,
        denominators=_rests_on(answers, days),
        methods=(
            "Risks: the logistic model of settings and risk (Firth's penalty; settings, region, skin type, age, indication and "
            "date; with few events region and skin type alone), standardised over the zones of the region at these settings "
            "and this skin type (Localio and others, J Clin Epidemiol 2007;60:874–882).",
            "Benefit: the same model of improvement and satisfaction, among zones graded, with who graded.",
            "Days: the accelerated failure time model of healing, at this zone, skin type and settings.",
            f"Similar settings: {_near_words(protocol)}",
        ),
        caveats=(
            CAUTION,
            "Only zones whose outcome is known enter, so that a risk can lie above that among all treated.",
            "A risk is that of the whole region: the model does not tell its zones apart. Days to heal are those of the zone.",
            "An average of many is not a forecast for one.",
        ),
    )


def _near_words(protocol: Protocol) -> str:
    widths = [
        "the same passes" if s.column == "passes" else f"{s.label} within {quantity(s.step / 2, _UNITS[s.unit])}"
        for s in SETTINGS
    ]
    return (
        f"{capital(listing(widths))}, in the same region, all at once; nothing is said with fewer than "
        f"{count(protocol.fewest_patients_beside)} patients."
    )


_UNITS = {"mJ": "mJ", "%": "points", "passes": "passes"}


def similar(frame: pd.DataFrame, asked: Asked) -> NDArray[np.bool_]:
    """Zones of the same region within half a step of each setting, all at once."""
    near = (frame["region"].astype("string") == region_of(asked.zone)).fillna(False).to_numpy(dtype=bool)
    for setting in SETTINGS:
        distance = (frame[setting.column].astype("float64") - asked.settings[setting.column]).abs()
        # passes are counted: half a pass away is another number of passes
        reach = setting.step / 2 if setting.column != "passes" else 0.25
        near &= (distance <= reach + 1e-9).fillna(False).to_numpy(dtype=bool)
    return near


def support_of(frame: pd.DataFrame, asked: Asked, protocol: Protocol) -> Support:
    """How many zones and patients speak near these settings, and whether they are enough to say anything."""
    region = region_of(asked.zone)
    near = similar(frame, asked)
    zones, patients = int(near.sum()), int(frame.loc[near, "patient_id"].nunique())
    fewest = protocol.fewest_patients_beside
    if region is None:
        return Support(zones, patients, "a scar elsewhere has no region, and no model is about it")
    if asked.spot_um is not None and spot_class(asked.spot_um) != protocol.spot_class:
        return Support(
            0, 0, f"the models are about a {protocol.spot_class} beam, and this one is {spot_class(asked.spot_um)}"
        )
    if patients < fewest:
        return Support(
            zones,
            patients,
            f"fewer than {count(fewest)} patients were treated with similar settings, {REGIONS[region]}",
        )
    own = (frame["region"].astype("string") == region).fillna(False).to_numpy(dtype=bool)
    for column, level in (("skin_group", asked.skin_group), ("age_group", asked.age_group)):
        if level is None:
            continue
        of_level = own & (frame[column].astype("string") == level).to_numpy(dtype=bool)
        if frame.loc[of_level, "patient_id"].nunique() < protocol.fewest_in_support:
            what = "skin type" if column == "skin_group" else "age"
            return Support(
                zones,
                patients,
                f"fewer than {count(protocol.fewest_in_support)} patients of this {what}, {REGIONS[region]}",
            )
    return Support(zones, patients)


def _at(frame: pd.DataFrame, asked: Asked) -> pd.DataFrame:
    """The zones of the region as if each had been treated so and were of this skin type (and age)."""
    own = frame.loc[(frame["region"].astype("string") == region_of(asked.zone)).fillna(False).to_numpy(dtype=bool)]
    changed: dict[str, float | str] = {**asked.settings, "skin_group": asked.skin_group}
    if asked.age_group is not None:
        changed["age_group"] = asked.age_group
    return own.assign(**changed)


def _refused(term: str, support: Support, unit: str, n: int, patients: int) -> NotEstimable:
    return NotEstimable(term, support.refusal, n=n, patients=patients, unit=unit)


def _risk(cases: Cases, scope: Scope, protocol: Protocol, asked: Asked, outcome: Outcome) -> tuple[Answer, Support]:
    population = settings_population(cases, scope.end, scope.as_of, outcome, protocol)
    region = region_of(asked.zone)
    place = ZONES[asked.zone][0] if region is None else REGIONS[region]
    term = f"{outcome.label}{by_day(outcome)}, {place}, skin type {asked.skin_type}, {asked.words}"
    support = support_of(population.frame, asked, protocol)
    if outcome.regions is not None and region_of(asked.zone) not in outcome.regions:
        support = replace(support, refusal="it does not occur there")
    if support.refusal:
        return _refused(term, support, "proportion", len(population), population.patients), support
    return _standardised(
        model_outcome(population, outcome, protocol, split=False, profile=()), protocol, asked, term, support
    )


def _benefit(candidates: Population, protocol: Protocol, asked: Asked, outcome: Outcome) -> tuple[Answer, Support]:
    """Adjusted share of graded zones with a benefit."""
    region = region_of(asked.zone)
    place = ZONES[asked.zone][0] if region is None else REGIONS[region]
    population, _ = graded(candidates, outcome)
    term = f"{outcome.label}, {place}, skin type {asked.skin_type}, {asked.words}"
    support = support_of(population.frame, asked, protocol)
    if support.refusal:
        return _refused(term, support, "proportion", len(population), population.patients), support
    return _standardised(benefit_model(candidates, outcome, protocol, effects=False), protocol, asked, term, support)


def _standardised(
    modelled: Modelled, protocol: Protocol, asked: Asked, term: str, support: Support
) -> tuple[Answer, Support]:
    """The model's risk over the zones of the region, all at these settings and of this skin type."""
    population = modelled.population
    if modelled.fit is None or modelled.design is None:
        reason = modelled.rung.removeprefix("rates only: ")
        return _refused(
            term, replace(support, refusal=reason), "proportion", len(population), population.patients
        ), support
    try:
        matrix = modelled.design.evaluate(_at(population.frame, asked))
    except ValueError:  # a level that the model has never seen
        missing = replace(support, refusal="no zone of this skin type or age is in the model")
        return _refused(term, missing, "proportion", len(population), population.patients), support
    answer = standardised_risks(modelled.fit, [matrix], (term,), level=protocol.level).risks[0]
    return _counted(answer, support), support


def _days(cases: Cases, scope: Scope, protocol: Protocol, asked: Asked) -> tuple[Answer, Support]:
    assessed = healing_population(cases, scope.end)
    model = healing_model(assessed, protocol)
    population = model.population if model else assessed
    term = f"median days to heal, {ZONES[asked.zone][0]}, skin type {asked.skin_type}, {asked.words}"
    support = support_of(population.frame, asked, protocol)
    reason = support.refusal
    if not reason and (model is None or asked.zone not in model.zones):
        reason = "too few zones of this kind are in the model of healing"
    elif not reason and model is not None and isinstance(model.fit, NotEstimable):
        reason = model.fit.reason
    if reason or model is None or isinstance(model.fit, NotEstimable):
        support = replace(support, refusal=reason)
        return _refused(term, support, "days", len(population), population.patients), support
    rows = _at(population.frame, asked).assign(zone=asked.zone)
    (answer,) = adjusted_median(model.fit, [model.design.evaluate(rows)], [term], level=protocol.level)
    return _counted(answer, support), support


def _counted(answer: Answer, support: Support) -> Answer:
    """The answer with a note of how many were near; its counts stay those of the model."""
    return replace(
        answer,
        note=f"similar settings: {plural(support.zones, 'zone')} of {plural(support.patients, 'patient')}",
    )


def _support_cells(support: Support, protocol: Protocol) -> tuple[str, str]:
    few = f"under {count(protocol.fewest_patients_beside)}"
    if support.patients < protocol.fewest_patients_beside:
        return ("–", few)
    return (count(support.zones), count(support.patients))


def _rests_on(answers: list[tuple[str, Answer, Support]], days: tuple[str, Answer, Support]) -> str:
    parts = [
        f"{label}: {plural(answer.n or 0, 'zone')} of {plural(answer.patients or 0, 'patient')} in the model."
        for label, answer, _ in (*answers, days)
    ]
    return " ".join(parts)


def _sentences(
    said: Sequence[tuple[str, Answer, Support]], asked: Sequence[tuple[str, Answer, Support]], heading: str
) -> tuple[str, ...]:
    unsaid = [(label, answer) for label, answer, _ in asked if isinstance(answer, NotEstimable)]
    says = []
    if said:
        parts = [
            f"{decapital(label)} {estimate_text(answer)}, with {plural(support.zones, 'zone')} of "
            f"{plural(support.patients, 'patient')} treated similarly"
            for label, answer, support in said
        ]
        says.append(f"{heading}: {'; '.join(parts)}. {CAUTION}")
    by_reason: dict[str, list[str]] = {}
    for label, answer in unsaid:
        by_reason.setdefault(answer.reason, []).append(decapital(label))
    for reason, labels in by_reason.items():
        says.append(f"Cannot say for {listing(labels)}: {reason}.")
    if not said:
        says.append(CAUTION)
    return tuple(says)


def expect_text(finding: Finding, width: int = 88) -> str:
    """The answer for the terminal: what was asked, the numbers with what they rest on, and the caution."""
    lines = [finding.asks, ""]
    for exhibit in finding.exhibits:
        if isinstance(exhibit, Forest):
            for row in exhibit.rows:
                zones, patients = row.cells
                near = "" if isinstance(row.answer, NotEstimable) else f"; similar: {zones} zones, {patients} patients"
                lines += textwrap.wrap(
                    f"{row.label}: {estimate_text(row.answer)}{near}",
                    width,
                    initial_indent="  ",
                    subsequent_indent="    ",
                )
    closing = [*finding.caveats[:1], *finding.caveats[-2:-1]]
    return "\n".join([*lines, "", *textwrap.wrap(" ".join(closing), width)])
