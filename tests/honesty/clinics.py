"""Whole invented clinics from export to verdict: ``python tests/honesty/clinics.py --minutes 30``.

A Latin hypercube over size, quarter audited, faults in the files and share of follow-up visits kept. Each clinic is
written, read and audited through the public functions; a line is kept for each, and a clinic that is there is never run again.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "questions"))

import numpy as np
from recovery import bounds_recovered, healing_recovered, risks_recovered, settings_recovered

from outcomes.findings import Finding
from outcomes.protocol import Protocol
from outcomes.questions.ask import ask
from outcomes.questions.complications import complications
from outcomes.questions.healing import healing
from outcomes.questions.practitioners import practitioners
from outcomes.questions.settings_and_risk import settings_and_risk
from outcomes.records.load import load
from outcomes.records.scope import Scope
from outcomes.records.synthetic import FILES, synthesize

NUMBER = 200
QUARTERS = ("2025Q2", "2025Q4", "2026Q1", "2026Q3")
PATIENTS = (300, 800)
SEED = 7
FILE = "clinics.jsonl"
METHODS = 2
"""Raised when what an audit prints is computed otherwise: clinics run before are told apart."""


@dataclass(frozen=True, slots=True)
class Plan:
    """One clinic of the hypercube."""

    number: int
    patients: int
    quarter: str
    faults: bool
    visits_kept: float


def plans() -> tuple[Plan, ...]:
    """All clinics: each quantity in as many equal steps as there are clinics, in an order of its own."""
    rng = np.random.default_rng(SEED)
    places = [(rng.permutation(NUMBER) + 0.5) / NUMBER for _ in range(4)]
    return tuple(
        Plan(
            i,
            round(PATIENTS[0] + places[0][i] * (PATIENTS[1] - PATIENTS[0])),
            QUARTERS[int(places[1][i] * len(QUARTERS))],
            bool(places[2][i] < 0.5),
            round(0.6 + 0.4 * float(places[3][i]), 3),
        )
        for i in range(NUMBER)
    )


def thin_visits(path: Path, kept: float, seed: int) -> None:
    """Lose visits at random, whatever happened at them."""
    text = path.read_text(encoding="utf-8-sig")
    lines = text.splitlines(keepends=True)
    rng = np.random.default_rng(seed)
    path.write_text("".join([lines[0], *(line for line in lines[1:] if rng.random() < kept)]), encoding="utf-8")


def run(plan: Plan, folder: Path) -> dict[str, Any]:
    """One clinic: which truths its audit holds, which are missed, and who is flagged without cause."""
    started = time.process_time()
    synthesize(folder, seed=1_000 + plan.number, patients=plan.patients, with_faults=plan.faults)
    paths = {what: folder / name for what, name in FILES.items()}
    thin_visits(paths["visits"], plan.visits_kept, plan.number)
    truth = json.loads(paths["truth"].read_text(encoding="utf-8"))
    cases = load(
        paths["zones"], sessions=paths["sessions"], layers=paths["layers"], visits=paths["visits"],
        mapping=paths["mapping"],
    )  # fmt: skip
    protocol = Protocol()
    scope = Scope.quarter(plan.quarter, cases.last_date)
    asked = (complications, settings_and_risk, healing, practitioners)
    risks, settings, times, people = ask(cases, scope, protocol, questions=asked)
    found = {
        "risk among all treated": risks_recovered(risks, truth),
        "floor to worst case": bounds_recovered(risks, truth),
        "odds ratio of a setting": settings_recovered(settings, truth, protocol),
        "time ratio of a setting": healing_recovered(times, truth),
    }
    return {
        "methods": METHODS,
        "plan": asdict(plan),
        "zones": len(cases.zones),
        "held": {kind: sum(v is True for v in each.values()) for kind, each in found.items()},
        "missed": {kind: sum(v is False for v in each.values()) for kind, each in found.items()},
        "cannot say": {kind: sum(v is None for v in each.values()) for kind, each in found.items()},
        **_flags(people, truth["worse_practitioner"]["practitioner"]),
        **_null(settings, truth),
        "cpu_seconds": round(time.process_time() - started, 1),
    }


def _rows(finding: Finding, title: str) -> list[Any]:
    return [row for e in finding.exhibits if e.title.startswith(title) for row in e.rows]


def _flags(finding: Finding, worse: str) -> dict[str, int]:
    rows = _rows(finding, "Each practitioner")
    outside = [row for row in rows if row.verdict.startswith("outside")]
    judged = [row for row in rows if row.verdict and row.verdict != "too few to judge"]
    return {
        "alike_judged": sum(row.label != worse for row in judged),
        "alike_flagged": sum(row.label != worse for row in outside),
        "worse_judged": sum(row.label == worse for row in judged),
        "worse_flagged": sum(row.label == worse for row in outside),
    }


def _null(finding: Finding, truth: dict[str, Any]) -> dict[str, int]:
    """Settings without any effect on acne, and how many of them were called associated."""
    pairs = {(p["outcome"], p["setting"]) for p in truth["no_effect"]}
    words = {"pulse_energy_mj": "more energy", "density_pct": "more density"}
    rows = [
        row
        for row in _rows(finding, "Adjusted odds ratios")
        if row.group.startswith("Acne")
        and any(words[s] in row.label for o, s in pairs if o == "acne_milia" and s in words)
    ]
    return {"null_rows": len(rows), "null_associated": sum(row.verdict == "associated" for row in rows)}


def kept(folder: Path) -> list[dict[str, Any]]:
    """What is kept of clinics that were run."""
    path = folder / FILE
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()] if path.exists() else []


def main() -> None:
    """Run the clinics that are left for a number of minutes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=1.0)
    parser.add_argument("--folder", type=Path, default=Path(".honesty"))
    chosen = parser.parse_args()
    chosen.folder.mkdir(exist_ok=True)
    stop = time.monotonic() + 60 * chosen.minutes
    done = {row["plan"]["number"] for row in kept(chosen.folder)}
    for plan in plans():
        if plan.number in done:
            continue
        if time.monotonic() > stop:
            break
        with tempfile.TemporaryDirectory() as folder:
            found = run(plan, Path(folder))
        with (chosen.folder / FILE).open("a", encoding="utf-8") as file:
            file.write(json.dumps(found, ensure_ascii=False) + "\n")
    print(f"{len(kept(chosen.folder))} of {NUMBER} clinics kept")


if __name__ == "__main__":
    main()
