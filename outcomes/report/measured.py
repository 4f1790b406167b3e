"""How often the printed intervals were right, as measured by simulation: what a report quotes of the published study."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from outcomes import wording

FILE = Path(__file__).with_name("honesty.json")
"""Written by the study's page, never by hand."""


def measured() -> dict[str, Any]:
    """Coverage by kind of interval, and how many audits of practitioners all alike flagged anybody."""
    found: dict[str, Any] = json.loads(FILE.read_text(encoding="utf-8"))
    return found


def sentences() -> tuple[str, ...]:
    """How often the intervals held the truth, and how often nobody should have been flagged and was."""
    found = measured()
    kinds = "; ".join(
        f"{kind['kind']} {wording.percent(kind['lowest'], sign=False)} to {wording.percent(kind['highest'])} "
        f"({wording.plural(kind['cells'], 'setting')}"
        + (f", {wording.count(kind['failing'])} of them below what is aimed at)" if kind["failing"] else ")")
        for kind in found["kinds"]
    )
    said = [
        "How often the tool's intervals hold the truth was measured on simulated records whose truth is known, aiming at 95 %. "
        f"Lowest and highest share of replicates over the settings tried: {kinds}. All of it, with what was tried and where it "
        "falls short, is published with the tool (reports/honesty.md)."
    ]
    if found["null_audits_flagging_anybody"] is not None:
        flagged = wording.percent(found["null_audits_flagging_anybody"])
        said.append(
            f"Of simulated audits in which all practitioners were alike, at most {flagged} flagged anybody at 95 %, 5 % being "
            "aimed at."
        )
    return tuple(said)
