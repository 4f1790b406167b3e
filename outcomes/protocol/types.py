"""The audit protocol as types; every entry has a default.

Windows, the outcomes and settings that are modelled, limits, and the least that is needed to say something.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from outcomes.protocol.criteria import CRITERIA, Criterion
from outcomes.records.vocabulary import OUTCOMES, Outcome


@dataclass(frozen=True, slots=True)
class Setting:
    """A setting whose link with outcomes is asked about.

    Attributes
    ----------
    column : str
        Column of the zones frame.
    label : str
        What the report calls it.
    step : float
        The difference that a ratio is stated for.
    step_label : str
        The step in words: ``10 mJ more energy``.
    more : str
        A higher setting in words: ``higher energy``.
    unit : str
    """

    column: str
    label: str
    step: float
    step_label: str
    more: str
    unit: str

    @property
    def heading(self) -> str:
        """The label with its unit, where that is not the label itself: "density (%)", "passes"."""
        return self.label if self.unit in ("", self.label) else f"{self.label} ({self.unit})"


SETTINGS: tuple[Setting, ...] = (
    Setting("pulse_energy_mj", "pulse energy", 10.0, "10 mJ more energy", "higher pulse energy", "mJ"),
    Setting("density_pct", "density", 5.0, "5 points more density", "higher density", "%"),
    Setting("passes", "passes", 1.0, "one pass more", "more passes", "passes"),
)


@dataclass(frozen=True, slots=True)
class Anaesthesia:
    """Limits that recorded anaesthesia is held against. From memory; to be confirmed locally, never advice.

    Attributes
    ----------
    mg_per_kg, cap_mg : float
        Highest injected lidocaine without adrenaline, by body weight and altogether.
    mg_per_kg_with_adrenaline, cap_mg_with_adrenaline : float
        The same with adrenaline.
    works_from_min, works_until_min : float
        Minutes after the last injection between which a block is taken to work.
    topical_at_least_min : float
        Contact time that a topical agent is meant to have.
    """

    mg_per_kg: float = 4.5
    cap_mg: float = 300.0
    mg_per_kg_with_adrenaline: float = 7.0
    cap_mg_with_adrenaline: float = 500.0
    works_from_min: float = 5.0
    works_until_min: float = 60.0
    topical_at_least_min: float = 45.0


@dataclass(frozen=True, slots=True)
class Watch:
    """How the control charts of *trend* are set, before the data are looked at.

    Attributes
    ----------
    odds_ratio : float
        Change of the odds that the chart is built to find: this many times as high, and one over it.
    months_between_false_alarms : float
        Average time between two signals of one side of a chart when nothing has changed.
    """

    odds_ratio: float = 2.0
    months_between_false_alarms: float = 60.0


@dataclass(frozen=True, slots=True)
class Disclosure:
    """What is held back so that no person can be worked out from a report.

    Attributes
    ----------
    smallest_count : int
        Counts from 1 to one below this are not printed in what leaves the clinic.
    fewest_peers : int
        Practitioners that must be pooled before they are shown to one of them.
    largest_peer_share : float
        Share of the pooled zones that no single one of them may exceed.
    """

    smallest_count: int = 5
    fewest_peers: int = 3
    largest_peer_share: float = 0.6


@dataclass(frozen=True, slots=True)
class Protocol:
    """What the audit fixes beforehand.

    Attributes
    ----------
    title, organisation : str
        Printed on the report.
    level : float
        Confidence level of every interval.
    outcomes : tuple of Outcome
        The complications with their windows and seen-from days.
    modelled : tuple of str
        Outcomes asked about in *settings and risk*.
    judged : tuple of str
        Outcomes that practitioners are compared on.
    spot_class : str
        Beam width that the settings models are about: energy compares only within one.
    aft_family : str
        Family of the healing model: ``loglogistic``, ``weibull`` or ``lognormal``.
    fewest_patients_beside : int
        Patients needed on either side of a setting's step before an effect is stated.
    fewest_in_support : int
        Patients within a bin below which no curve is drawn.
    fewest_judged : int
        Zones below which a practitioner is shown and never flagged.
    lowest_reach : float
        Share of zones seen from the seen-from day on, below which a risk among all treated is not given.
    fewest_seen : int
        Patients seen from the seen-from day on, below which it is not given.
    collinear_above : float
        R² of a setting on the rest of the model above which its effect is "cannot say".
    replicates : int
        Bootstrap replicates of the healing bands.
    seed : int
        Seed of the bootstrap: the same records give the same bands.
    anaesthesia : Anaesthesia
    watch : Watch
    disclosure : Disclosure
    criteria : tuple of Criterion
        The standards that the clinic holds itself to, in the order of the report.
    audience : str
        ``committee`` (small counts are held back) or ``clinic`` (restricted: they are not).
    changed : tuple of str
        Entries that audit.toml set to something else than the default.
    sha256 : str
        Digest of the audit.toml, empty for the defaults.
    """

    title: str = "Fractional CO₂ laser resurfacing"
    organisation: str = ""
    level: float = 0.95
    outcomes: tuple[Outcome, ...] = OUTCOMES
    modelled: tuple[str, ...] = ("hyperpigmentation", "prolonged_redness", "acne_milia")
    judged: tuple[str, ...] = ("hyperpigmentation", "prolonged_redness", "acne_milia")
    spot_class: str = "narrow"
    aft_family: str = "loglogistic"
    fewest_patients_beside: int = 10
    fewest_in_support: int = 5
    fewest_judged: int = 10
    lowest_reach: float = 0.2
    fewest_seen: int = 20
    collinear_above: float = 0.9
    replicates: int = 400
    seed: int = 20260930
    anaesthesia: Anaesthesia = Anaesthesia()
    watch: Watch = Watch()
    disclosure: Disclosure = Disclosure()
    criteria: tuple[Criterion, ...] = CRITERIA
    audience: str = "committee"
    sha256: str = ""
    changed: tuple[str, ...] = field(default=())

    def outcome(self, name: str) -> Outcome:
        """Return one outcome with the protocol's window.

        Raises
        ------
        KeyError
            If the protocol has no such outcome.
        """
        return next(o for o in self.outcomes if o.name == name)

    def criterion(self, name: str) -> Criterion:
        """Return one criterion by its id.

        Raises
        ------
        KeyError
            If the protocol has no such criterion.
        """
        for criterion in self.criteria:
            if criterion.id == name:
                return criterion
        raise KeyError(name)
