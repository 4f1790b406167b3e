"""Parquet files: types become exact text, and instants wait for the clinic's time zone."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from decimal import Decimal
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from outcomes.records.readers import RawTable, TableReading, read_table


def read(tmp_path: Path, content: pa.Table, **rules: object) -> RawTable:
    path = tmp_path / "export.parquet"
    pq.write_table(content, path)
    return read_table(path, "zones", TableReading(**rules))  # type: ignore[arg-type]


def test_integers_beside_missing_values_keep_their_digits(tmp_path: Path) -> None:
    raw = read(tmp_path, pa.table({"id": pa.array([90071992547409931, None, 7], pa.int64()), "x": ["a", "b", "c"]}))
    assert raw.frame["id"].tolist()[0] == "90071992547409931"
    assert raw.frame["id"].isna().tolist() == [False, True, False]
    assert raw.rows == [2, 3, 4]
    assert not raw.problems


def test_each_type_has_its_text(tmp_path: Path) -> None:
    raw = read(
        tmp_path,
        pa.table(
            {
                "float": pa.array([12.0, 0.1], pa.float64()),
                "decimal": pa.array([Decimal("12.50"), None]),
                "flag": pa.array([True, False]),
                "code": pa.array(["neck", "chin"]).dictionary_encode(),
                "day": pa.array([date(2024, 3, 5), None]),
                "at": pa.array([time(9, 30), time(14, 5, 7)]),
                "stamp": pa.array([datetime(2024, 3, 5), datetime(2024, 3, 6)], pa.timestamp("us")),
                "moment": pa.array([datetime(2024, 3, 5, 14, 30, 1), None], pa.timestamp("ns")),
                "several": pa.array([["mental", "infraorbital"], []], pa.list_(pa.string())),
                "nothing": pa.nulls(2),
            }
        ),
    )
    assert raw.frame.iloc[0].dropna().tolist() == [
        "12", "12.50", "true", "neck", "2024-03-05", "09:30:00", "2024-03-05", "2024-03-05 14:30:01",
        "mental;infraorbital",
    ]  # fmt: skip
    assert raw.typed_dates == {"day": {0}, "stamp": {0, 1}, "moment": {0}}
    assert raw.frame["several"].isna().tolist() == [False, True]


def test_instants_are_given_in_utc(tmp_path: Path) -> None:
    stamps = pa.array([datetime(2024, 3, 29, 23, tzinfo=UTC), None], pa.timestamp("ns", tz="Europe/Paris"))
    raw = read(tmp_path, pa.table({"treated": stamps, "case": ["K1", "K2"]}))
    assert raw.frame["treated"].tolist()[0] == "2024-03-29 23:00:00+00:00"


def test_numbers_that_are_none_are_missing_and_infinite_ones_are_faults(tmp_path: Path) -> None:
    raw = read(tmp_path, pa.table({"x": pa.array([float("nan"), float("inf"), 1e17]), "case": ["a", "b", "c"]}))
    assert raw.frame["x"].isna().tolist() == [True, True, False]
    assert [(p.kind, p.row) for p in raw.problems] == [("not_finite", 3), ("digits_lost", 4)]


def test_columns_without_a_text_stop_unless_dropped(tmp_path: Path) -> None:
    content = pa.table({"case": ["K1"], "photo": pa.array([b"\x00\x01"])})
    raw = read(tmp_path, content)
    assert [(p.kind, p.column, p.fatal) for p in raw.problems] == [("column_type", "photo", True)]
    assert list(read(tmp_path, content, dropped=("Photo",)).frame.columns) == ["case"]


def test_repeated_headers_stop(tmp_path: Path) -> None:
    content = pa.Table.from_arrays([pa.array(["K1"]), pa.array([1]), pa.array([2])], names=["case", "energy", "energy"])
    assert [p.kind for p in read(tmp_path, content).problems] == ["header_repeated"]


def test_a_damaged_file_is_said_to_be_one(tmp_path: Path) -> None:
    path = tmp_path / "export.parquet"
    path.write_bytes(b"PAR1" + bytes(50))
    assert [p.kind for p in read_table(path, "zones").problems] == ["parquet_unreadable"]


def test_a_table_without_rows(tmp_path: Path) -> None:
    assert [p.kind for p in read(tmp_path, pa.table({"case": pa.array([], pa.string())})).problems] == ["no_records"]
