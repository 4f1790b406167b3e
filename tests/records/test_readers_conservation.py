"""Whatever the cells hold: rows out are data lines in, cells come back unchanged, and no problem repeats a cell."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from outcomes.records.mapping import Mapping, apply_mapping
from outcomes.records.readers import TableReading, read_table

CANARY = "canary7ζ"

cell = st.one_of(
    st.text(
        alphabet=st.characters(exclude_categories=("Cs", "Cc"), exclude_characters="\ufeff\ufffd\ufffe\uffff"),
        max_size=8,
    ),
    st.sampled_from(
        ["", " ", "00123", "1,5", "1.5", "NA", "2024-03-05", '"', 'a "b" c', "x\ny", "x\r\ny", ";", ",", "=1+1"]
    ),
)
HEADERS = ["record_id", "patient_id", "zone", "pulse_energy_mj"]


def write(rows: list[list[str]], delimiter: str, encoding: str) -> bytes:
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=delimiter, quoting=csv.QUOTE_ALL, lineterminator="\n")
    writer.writerow(HEADERS)
    writer.writerows(rows)
    return out.getvalue().encode(encoding)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    rows=st.lists(st.lists(cell, min_size=4, max_size=4), min_size=1, max_size=12),
    delimiter=st.sampled_from([",", ";", "\t", "|"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
)
def test_cells_go_through_unchanged(tmp_path: Path, rows: list[list[str]], delimiter: str, encoding: str) -> None:
    filled = [row for row in rows if any(c.strip() for c in row)]
    path = tmp_path / "export.csv"
    path.write_bytes(write(rows, delimiter, encoding))
    raw = read_table(path, "zones", TableReading(delimiter=delimiter))
    if not filled:
        assert [problem.kind for problem in raw.problems] == ["no_records"]
        return
    assert not raw.problems
    assert raw.rows == [i for i, row in enumerate(rows, start=2) if any(c.strip() for c in row)]
    expected = [[c if c.strip() else None for c in row] for row in filled]
    got = [[None if not isinstance(c, str) else c for c in row] for row in raw.frame.to_numpy(dtype=object).tolist()]
    assert got == expected


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    rows=st.lists(st.lists(st.sampled_from([CANARY, f"{CANARY}@example.org", f"{CANARY}1,234.5", "\x00" + CANARY, ""]),
                           min_size=3, max_size=6), min_size=1, max_size=6)
)  # fmt: skip
def test_no_problem_and_no_note_repeats_a_cell(tmp_path: Path, rows: list[list[str]]) -> None:
    path = tmp_path / "export.csv"
    path.write_bytes(
        write(rows, ",", "utf-8") + f'K,"{CANARY}" {CANARY}\n'.encode() + f"{CANARY}\xff".encode("latin-1", "replace")
    )
    raw = read_table(path, "zones")
    mapped = apply_mapping(raw, Mapping())
    assert mapped.problems
    told = [*raw.reading, *mapped.notes]
    told += [text for p in (*raw.problems, *mapped.problems) for text in (p.rule, p.remedy, p.column)]
    assert not [text for text in told if "canary" in text.lower()]
