"""What several tests need: the outside check values, where they are present."""

from __future__ import annotations

import json
import os
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd
import pytest


def reference_folder() -> Path | None:
    """The folder of outside check values, or None where it is absent."""
    named = os.environ.get("OUTCOMES_REFERENCE")
    root = Path(__file__).resolve().parents[1]
    folder = Path(named) if named else root.parent / "shared" / "reference"
    return folder if (folder / "refs.json").is_file() else None


@cache
def _items() -> dict[str, dict[str, Any]]:
    folder = reference_folder()
    assert folder is not None
    items = json.loads((folder / "refs.json").read_text(encoding="utf-8"))["items"]
    return {item["id"]: item for item in items}


class Reference:
    """The outside check values: items by id, data files by name."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def item(self, name: str) -> dict[str, Any]:
        """Data, expected values, tolerance and source of one item."""
        return _items()[name]

    def frame(self, name: str) -> pd.DataFrame:
        """One open data set, by its file name without .csv."""
        return pd.read_csv(self.folder / "data" / f"{name}.csv")

    def tolerance(self, name: str) -> dict[str, float]:
        """The item's own tolerance, as arguments of pytest.approx."""
        tolerance = self.item(name)["tolerance"]
        return {"rel": tolerance["rel"] or None, "abs": tolerance["abs"]}


@pytest.fixture(scope="session")
def reference() -> Reference:
    """The outside check values; the test is skipped where the folder is absent."""
    folder = reference_folder()
    if folder is None:
        pytest.skip("the folder of outside check values is absent (set OUTCOMES_REFERENCE to where it is)")
    return Reference(folder)
