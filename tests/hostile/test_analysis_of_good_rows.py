"""An audit of an export with faulty rows finds what an audit of its good rows alone finds."""

from __future__ import annotations

from pathlib import Path

import pytest

from outcomes.questions.ask import ask
from outcomes.questions.case_mix import case_mix
from outcomes.questions.complications import complications
from outcomes.questions.settings_in_use import settings_in_use
from outcomes.records.load import Checked, check
from outcomes.records.scope import Scope

CLINIC = Path(__file__).parents[2] / "data" / "synthetic"
FILES = {"zones": "treatments.csv", "sessions": "sessions.csv", "visits": "visits.csv", "layers": "layers.csv"}
TREATMENTS = 900


def lines_of(name: str) -> list[str]:
    return (CLINIC / name).read_text(encoding="utf-8").splitlines()


def some_of_the_clinic() -> dict[str, list[str]]:
    """The first treatments of the invented clinic and what belongs to them; every fifteenth has no energy."""
    head, *rows = lines_of("treatments.csv")
    rows = rows[-TREATMENTS:]
    energy = head.split(",").index("Energy (mJ)")
    ids = {row.split(",")[0] for row in rows}
    episodes = {row.split(",")[2] for row in rows}
    for i in range(7, len(rows), 15):
        cells = rows[i].split(",")
        cells[energy] = "about 12"
        rows[i] = ",".join(cells)
    kept = {"zones": [head, *rows]}
    for table, mark, wanted in (("sessions", ";", episodes), ("visits", ",", episodes), ("layers", ",", ids)):
        head, *rows = lines_of(FILES[table])
        kept[table] = [head, *(row for row in rows if row.split(mark)[0] in wanted)]
    return kept


def checked(lines: dict[str, list[str]], folder: Path) -> Checked:
    folder.mkdir()
    for table, rows in lines.items():
        (folder / FILES[table]).write_text("\n".join(rows) + "\n", encoding="utf-8")
    return check(
        folder / "treatments.csv",
        sessions=folder / "sessions.csv",
        visits=folder / "visits.csv",
        layers=folder / "layers.csv",
        mapping=CLINIC / "mapping.toml",
    )


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[Checked, Checked]:
    folder = tmp_path_factory.mktemp("clinic")
    lines = some_of_the_clinic()
    faulty = checked(lines, folder / "all")
    gone = set(zip(faulty.refused["table"], faulty.refused["row"], strict=True))
    good = {t: [row for i, row in enumerate(rows, start=1) if (t, i) not in gone] for t, rows in lines.items()}
    return faulty, checked(good, folder / "good")


def test_findings_are_those_of_the_good_rows_alone(both: tuple[Checked, Checked]) -> None:
    faulty, good = both
    assert faulty.cases is not None
    assert good.cases is not None
    assert faulty.source.count("zones").rows_refused >= 60
    assert faulty.source.count("visits").rows_refused >= 100
    assert good.rows_refused == 0
    scope = Scope.quarter(None, good.cases.last_date)
    questions = (case_mix, settings_in_use, complications)
    found = [ask(cases, scope, questions=questions) for cases in (faulty.cases, good.cases)]
    assert sum(len(finding.estimates) for finding in found[0]) > 100
    for with_faults, alone in zip(*found, strict=True):
        assert with_faults == alone
