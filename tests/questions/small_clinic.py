"""A handful of hand-written records, loaded through the public door."""

from __future__ import annotations

import pandas as pd

from outcomes.records.load import load

_ZONE = {
    "treated_on": "2026-08-03",
    "practitioner_id": "P1",
    "zone": "cheek",
    "skin_type": "II",
    "pulse_energy_mj": "15",
    "density_pct": "10",
    "passes": "1",
}


def small_clinic(tmp_path, zones, sessions=None, visits=None):
    """Cases from a few rows; what a row leaves out has the plain values above."""
    paths = {}
    filled = []
    for number, row in enumerate(zones, start=1):
        own = {"record_id": f"R{number}", "patient_id": f"P{number}", "session_id": f"S{number}"}
        filled.append({**own, **_ZONE, **row})
    for name, rows in (("zones", filled), ("sessions", sessions), ("visits", visits)):
        if rows is not None:
            paths[name] = tmp_path / f"{name}.csv"
            pd.DataFrame(rows).to_csv(paths[name], index=False)
    cases = load(paths["zones"], sessions=paths.get("sessions"), visits=paths.get("visits"))
    assert len(cases) == len(filled), [problem.rule for problem in cases.problems]
    if sessions is not None:
        assert len(cases.sessions) == len(sessions), [problem.rule for problem in cases.problems]
    return cases
