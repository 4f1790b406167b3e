"""From audit.toml to the protocol in force; a slip is answered with the nearest right word."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from outcomes.errors import ProtocolError
from outcomes.protocol.read_criteria import read_criteria
from outcomes.protocol.slips import unknown
from outcomes.protocol.types import Anaesthesia, Disclosure, Protocol, Watch
from outcomes.records.vocabulary import OUTCOME, OUTCOMES, Outcome

PLAIN: dict[str, type] = {
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
NAMES = ("modelled", "judged")
_WINDOW_KEYS = ("window_days", "seen_from_day")
TABLES: dict[str, type] = {"anaesthesia": Anaesthesia, "watch": Watch, "disclosure": Disclosure}
_FIELD = {"windows": "outcomes"}  # entry: field, where they differ
CHOICES = {
    "spot_class": ("narrow", "medium", "wide"),
    "aft_family": ("loglogistic", "weibull", "lognormal"),
}
RANGES: dict[str, tuple[float, float]] = {
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
    "anaesthesia.mg_per_kg": (0.1, 20),
    "anaesthesia.cap_mg": (10, 2_000),
    "anaesthesia.mg_per_kg_with_adrenaline": (0.1, 20),
    "anaesthesia.cap_mg_with_adrenaline": (10, 2_000),
    "anaesthesia.works_from_min": (0, 120),
    "anaesthesia.works_until_min": (1, 600),
    "anaesthesia.topical_at_least_min": (1, 600),
    "watch.odds_ratio": (1.2, 10),
    "watch.months_between_false_alarms": (6, 1_200),
    "disclosure.smallest_count": (5, 100),
    "disclosure.fewest_peers": (3, 100),
    "disclosure.largest_peer_share": (0.1, 0.6),
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
    changes: dict[str, Any] = {}
    for key, value in entries.items():
        if key in PLAIN:
            changes[key] = _plain(key, value)
        elif key in NAMES:
            changes[key] = _outcome_names(key, value)
        elif key == "windows":
            changes["outcomes"] = _windows(value)
        elif key in TABLES:
            changes[key] = _group(key, value)
        elif key == "criteria":
            changes[key] = read_criteria(value)
        else:
            raise unknown(key, (*PLAIN, *NAMES, "windows", *TABLES, "criteria"))
    defaults = Protocol()
    changed = (key for key in entries if _of(changes, key) != getattr(defaults, _FIELD.get(key, key)))
    return Protocol(**changes, changed=tuple(sorted(changed)))


def _of(changes: Mapping[str, Any], key: str) -> Any:
    return changes[_FIELD.get(key, key)]


def _group(name: str, value: Any) -> Any:
    """One table of limits, such as [anaesthesia]: its entries are numbers within their ranges."""
    if not isinstance(value, dict):
        raise ProtocolError(f"The entry {name} is not a table.", f"Write [{name}] and its entries below.")
    kinds = {f.name: type(f.default) for f in fields(TABLES[name])}
    for key in value:
        if key not in kinds:
            raise unknown(key, tuple(kinds), f"an entry of {name}")
    return TABLES[name](**{key: _plain(f"{name}.{key}", entry, kinds[key]) for key, entry in value.items()})


def _plain(key: str, value: Any, kind: type | None = None) -> Any:
    kind = PLAIN[key] if kind is None else kind
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        value = float(value)
    of_kind = isinstance(value, kind) and not isinstance(value, bool)
    if not of_kind:
        word = {str: "text", float: "a number", int: "a whole number"}[kind]
        raise ProtocolError(f"The entry {key} is not {word}.", "Correct it in the configuration.")
    if key in CHOICES and value not in CHOICES[key]:
        raise ProtocolError(
            f"The entry {key} is none of {', '.join(CHOICES[key])}.",
            "Choose one of them in the configuration.",
        )
    if key in RANGES:
        low, high = RANGES[key]
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
            raise unknown(name, tuple(OUTCOME), f"an outcome in {key}")
    return tuple(dict.fromkeys(value))


def _windows(value: Any) -> tuple[Outcome, ...]:
    if not isinstance(value, dict):
        raise ProtocolError("The entry windows is not a table.", "Write [windows.hyperpigmentation] and so on.")
    changed = dict(OUTCOME)
    for name, entry in value.items():
        if name not in OUTCOME:
            raise unknown(name, tuple(OUTCOME), "an outcome in windows")
        if OUTCOME[name].derived_from is not None:
            raise ProtocolError(f"The window of {name} follows from its definition.", "Leave it out of windows.")
        if not isinstance(entry, dict):
            raise ProtocolError(f"The window of {name} is not a table.", f"Write [windows.{name}].")
        for key, number in entry.items():
            if key not in _WINDOW_KEYS:
                raise unknown(key, _WINDOW_KEYS, f"an entry of windows.{name}")
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
