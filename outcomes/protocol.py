"""The audit protocol: what is fixed before the data are looked at.

Windows, the outcomes and settings that are modelled, the case-mix set, and the least that is needed to say
something. Every entry has a default and can be changed in ``audit.toml``; an unknown entry is an error with
the nearest right one named.
"""

from __future__ import annotations

import difflib
import hashlib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from outcomes.errors import ProtocolError
from outcomes.records.vocabulary import OUTCOME, OUTCOMES, Outcome


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
    changed : tuple of str
        Entries that audit.toml set.
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


_PLAIN: dict[str, type] = {
    "title": str,
    "organisation": str,
    "level": float,
    "spot_class": str,
    "aft_family": str,
    "fewest_patients_beside": int,
    "fewest_in_support": int,
    "fewest_judged": int,
    "lowest_reach": float,
    "fewest_seen": int,
    "collinear_above": float,
    "replicates": int,
    "seed": int,
}
_NAMES = ("modelled", "judged")
_WINDOW_KEYS = ("window_days", "seen_from_day")
_CHOICES = {
    "spot_class": ("narrow", "medium", "wide"),
    "aft_family": ("loglogistic", "weibull", "lognormal"),
}
_RANGES: dict[str, tuple[float, float]] = {
    # entry: (lowest, highest) allowed, both included
    "level": (0.5, 0.999),
    "fewest_patients_beside": (5, 1_000),
    "fewest_in_support": (5, 1_000),
    "fewest_judged": (10, 1_000),
    "lowest_reach": (0.05, 1.0),
    "fewest_seen": (10, 100_000),
    "collinear_above": (0.1, 0.99),
    "replicates": (200, 20_000),
    "seed": (0, 2**63 - 1),
}


def load_protocol(path: Path | None) -> Protocol:
    """The protocol in force: the defaults, changed as audit.toml says.

    Parameters
    ----------
    path : Path or None
        An audit.toml; None for the defaults.

    Raises
    ------
    ProtocolError
        If the file cannot be read, an entry is unknown (the nearest right one is named), or a value is not
        of its kind or outside what is allowed. Safeguards can be made stricter, never weaker.
    """
    if path is None:
        return Protocol()
    try:
        raw = path.read_bytes()
        entries = tomllib.loads(raw.decode("utf-8"))
    except OSError:
        raise ProtocolError(
            f"The configuration {path.name} cannot be read.", "Check that the file exists and is readable."
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        detail = str(fault) if isinstance(fault, tomllib.TOMLDecodeError) else "it is not UTF-8 text"
        raise ProtocolError(
            f"The configuration {path.name} is not valid TOML: {detail}.", "Correct it there."
        ) from None
    return replace(_from_entries(entries), sha256=hashlib.sha256(raw).hexdigest())


def _from_entries(entries: Mapping[str, Any]) -> Protocol:
    changes: dict[str, Any] = {"changed": tuple(sorted(entries))}
    for key, value in entries.items():
        if key in _PLAIN:
            changes[key] = _plain(key, value)
        elif key in _NAMES:
            changes[key] = _outcome_names(key, value)
        elif key == "windows":
            changes["outcomes"] = _windows(value)
        else:
            raise _unknown(key, (*_PLAIN, *_NAMES, "windows"))
    return Protocol(**changes)


def _plain(key: str, value: Any) -> Any:
    kind: type = _PLAIN[key]
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        value = float(value)
    of_kind = isinstance(value, kind) and not isinstance(value, bool)
    if not of_kind:
        word = {str: "text", float: "a number", int: "a whole number"}[kind]
        raise ProtocolError(f"The entry {key} is not {word}.", "Correct it in the configuration.")
    if key in _CHOICES and value not in _CHOICES[key]:
        raise ProtocolError(
            f"The entry {key} is none of {', '.join(_CHOICES[key])}.",
            "Choose one of them in the configuration.",
        )
    if key in _RANGES:
        low, high = _RANGES[key]
        if not low <= value <= high:
            raise ProtocolError(
                f"The entry {key} must lie between {low:g} and {high:g}.", "Correct it in the configuration."
            )
    return value


def _outcome_names(key: str, value: Any) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(name, str) for name in value) or not value:
        raise ProtocolError(f"The entry {key} is not a list of outcomes.", 'Write it as ["scarring"].')
    for name in value:
        if name not in OUTCOME:
            raise _unknown(name, tuple(OUTCOME), f"an outcome in {key}")
    return tuple(dict.fromkeys(value))


def _windows(value: Any) -> tuple[Outcome, ...]:
    if not isinstance(value, dict):
        raise ProtocolError("The entry windows is not a table.", "Write [windows.hyperpigmentation] and so on.")
    changed = dict(OUTCOME)
    for name, entry in value.items():
        if name not in OUTCOME:
            raise _unknown(name, tuple(OUTCOME), "an outcome in windows")
        if OUTCOME[name].derived_from is not None:
            raise ProtocolError(f"The window of {name} follows from its definition.", "Leave it out of windows.")
        if not isinstance(entry, dict):
            raise ProtocolError(f"The window of {name} is not a table.", f"Write [windows.{name}].")
        for key, number in entry.items():
            if key not in _WINDOW_KEYS:
                raise _unknown(key, _WINDOW_KEYS, f"an entry of windows.{name}")
            if not isinstance(number, int) or isinstance(number, bool) or not 0 <= number <= 3650:
                raise ProtocolError(
                    f"{key} of windows.{name} is not a whole number of days.",
                    "Correct it in the configuration.",
                )
        outcome = replace(changed[name], **entry)
        if outcome.window_days is not None and outcome.seen_from_day > outcome.window_days:
            raise ProtocolError(
                f"The window of {name} ends before the day from which its absence is believed.",
                "Give seen_from_day a value no later than window_days.",
            )
        changed[name] = outcome
    return tuple(changed[o.name] for o in OUTCOMES)


def _unknown(key: str, known: tuple[str, ...], what: str = "an entry of the configuration") -> ProtocolError:
    near = difflib.get_close_matches(key, known, n=1)
    remedy = f"Did you mean {near[0]}?" if near else f"Known are {', '.join(known)}."
    return ProtocolError(f"{key} is not {what}.", remedy)
