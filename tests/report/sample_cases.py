"""Forty invented zones of twenty patients behind no finding, with refused rows; only their counts matter."""

from __future__ import annotations

from datetime import date

import pandas as pd

from outcomes.records.cases import Cases, Source, SourceFile, TableCount
from outcomes.records.problems import Problem
from outcomes.records.scope import Scope
from outcomes.records.vocabulary import ZONES

SCOPE = Scope.quarter("2026Q3", date(2026, 10, 14))

HEADER_WITH_MARKUP = '#panic("boom") #read("/secret") [bracket] #[x] ~ 1. list {{ braces }}'


def cases() -> Cases:
    """Forty invented zones of twenty patients, with three refused rows."""
    n = 40
    frame = pd.DataFrame(
        {
            "source_row": pd.array(range(2, n + 2), dtype="Int64"),
            "record_id": pd.array([f"R{i}" for i in range(n)], dtype="string"),
            "patient_id": pd.array([f"A{i // 2}" for i in range(n)], dtype="string"),
            "session_id": pd.array([f"S{i // 2}" for i in range(n)], dtype="string"),
            "practitioner_id": pd.array([f"P{i % 3}" for i in range(n)], dtype="string"),
            "treated_on": pd.to_datetime(["2026-07-06"] * 20 + ["2026-08-10"] * 10 + ["2025-11-03"] * 10),
            "zone": pd.Categorical(["neck", "perioral"] * 20, categories=list(ZONES)),
            "density_pct": pd.array([10.0] * 36 + [None] * 4, dtype="Float64"),
            "smoking": pd.array([None] * n, dtype="string"),
            "last_seen_day": pd.array([95, 40, 12, None] * 10, dtype="Int64"),
        }
    )
    empty = pd.DataFrame({"record_id": [], "session_id": []})
    problems = (
        Problem("zones", 7, "Dichte", "density lies between 1 and 100 %", "Correct it in the export.", "range"),
        Problem("zones", 9, "Dichte", "density lies between 1 and 100 %", "Correct it in the export.", "range"),
        Problem(
            "zones",
            11,
            HEADER_WITH_MARKUP,
            "the date is not after the data cut-off",
            "Correct it in the export.",
            "date",
        ),
        Problem(
            "visits", 4, "gesehen", "a visit belongs to a treated zone", "Add the zone or remove the visit.", "key"
        ),
    )
    refused = pd.DataFrame(
        {
            "table": ["visits", "zones", "zones", "zones"],
            "row": pd.array([4, 7, 9, 11], dtype="Int64"),
            "rules": [
                "a visit belongs to a treated zone",
                *["density lies between 1 and 100 %"] * 2,
                "the date is not after the data cut-off",
            ],
        }
    )
    source = Source(
        files=(
            SourceFile("zones", "5f" * 32, "csv", ("UTF-8", "delimiter ;", "decimal comma")),
            SourceFile("visits", "a3" * 32, "xlsx", ("first sheet",)),
        ),
        counts=(TableCount("zones", 43, 40, 3), TableCount("visits", 120, 119, 1)),
        mapping_sha256="0c" * 32,
        notes=("dates read as dd/mm/yyyy in 3 columns", "density index converted to % for one device"),
    )
    return Cases(frame, empty, empty.copy(), empty.copy(), source, problems, refused)
