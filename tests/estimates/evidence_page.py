"""Write the page of evidence: what is computed, against which source, and how closely it agrees.

Run as a script, it writes ``reports/evidence.md`` in the project::

    python tests/estimates/evidence_page.py
"""

from __future__ import annotations

import json
import math
import os
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import evidence_models  # noqa: F401
import evidence_shares  # noqa: F401
import evidence_times  # noqa: F401
import evidence_units  # noqa: F401
import pandas as pd
from evidence import REGISTRY, Compared, compare

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "reports" / "evidence.md"

HEAD = """# Evidence

Outside check values that the estimates are compared with: published tables and data, recomputed in R. Written by
`python tests/estimates/evidence_page.py`; the comparisons run with the tests (`tests/estimates/test_evidence.py`).

"Worst" is the largest relative difference of any value, rounded up to a power of ten (1e-14 or smaller reads 1e-14).
"Values" are the numbers compared, of those the item holds; the rest belongs to methods that the package does not offer.

"""


def reference_folder() -> Path | None:
    """The folder of outside check values, or None where it is absent."""
    named = os.environ.get("OUTCOMES_REFERENCE")
    folder = Path(named) if named else ROOT.parent / "shared" / "reference"
    return folder if (folder / "refs.json").is_file() else None


def read_items(folder: Path) -> dict[str, dict[str, Any]]:
    """All items by id."""
    items = json.loads((folder / "refs.json").read_text(encoding="utf-8"))["items"]
    return {item["id"]: item for item in items}


def measured(folder: Path, item: Mapping[str, Any]) -> Compared:
    """Compute an item and set it beside its expected values."""

    def frame(name: str) -> pd.DataFrame:
        return pd.read_csv(folder / "data" / f"{name}.csv")

    computed = REGISTRY[item["id"]].compute(item["data"], frame, item["expected"])
    return compare(item, computed)


def source(item: Mapping[str, Any]) -> str:
    """Where an item comes from, in one line."""
    known = item["source"]
    parts = [f"{known['authors']} ({known['year']})", known.get("journal") or known.get("title", "")]
    volume = known.get("volume", "")
    pages = known.get("pages", "")
    place = f"{volume}:{pages}" if volume and pages else volume or pages
    text = " ".join(part for part in (*parts, place) if part)
    memory = " (constants from memory)" if "from memory" in item["provenance"] else ""
    return text.replace("|", "/").replace("\n", " ") + memory


def rounded_up(worst: float) -> str:
    """A power of ten at or above the difference, 1e-14 at the least.

    >>> rounded_up(3.2e-11), rounded_up(0.0)
    ('1e-10', '1e-14')
    """
    return "1e-14" if worst <= 1e-14 else f"1e{math.ceil(math.log10(worst))}"


def row_start(item: Mapping[str, Any], found: Compared) -> str:
    """The part of an item's row that does not depend on the machine."""
    names = ", ".join(f"`{name}`" for name in REGISTRY[item["id"]].estimator.split(", "))
    return f"| {names} | {item['id']} | {item['title']} | {source(item)} | {found.values} of {found.of} | "


def page(folder: Path, left_out: Mapping[str, str]) -> str:
    """Lay out the whole page."""
    rows = ["| Estimator | Item | What | Source | Values | Worst |", "|---|---|---|---|---|---|"]
    items = read_items(folder)
    for name, item in items.items():
        if name in REGISTRY:
            found = measured(folder, item)
            rows.append(f"{row_start(item, found)}{rounded_up(found.worst)} |")
    rows += ["", "## Not computed", "", "| Item | What | Why |", "|---|---|---|"]
    rows += [f"| {name} | {items[name]['title']} | {reason} |" for name, reason in left_out.items()]
    return HEAD + "\n".join(rows) + "\n"


if __name__ == "__main__":
    from test_evidence import LEFT_OUT

    found = reference_folder()
    if found is None:
        sys.exit("The folder of outside check values is absent. Set OUTCOMES_REFERENCE to where it is.")
    PAGE.write_text(page(found, LEFT_OUT), encoding="utf-8")
