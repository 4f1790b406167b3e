"""The invented clinic, loaded once, with the truth it was made from."""

from __future__ import annotations

import json

import pytest

from outcomes.protocol import Protocol
from outcomes.records.load import load
from outcomes.records.scope import Scope
from outcomes.records.synthetic import clinic_files


@pytest.fixture(scope="session")
def clinic():
    files = clinic_files()
    return load(
        files["zones"],
        sessions=files["sessions"],
        layers=files["layers"],
        visits=files["visits"],
        mapping=files["mapping"],
    )


@pytest.fixture(scope="session")
def truth():
    return json.loads(clinic_files()["truth"].read_text(encoding="utf-8"))


@pytest.fixture(scope="session")
def scope(clinic):
    return Scope.quarter("2026Q3", clinic.last_date)


@pytest.fixture(scope="session")
def protocol():
    return Protocol()
