"""`Cases`: accepted records, where they came from, and what was set aside."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date

import pandas as pd

from outcomes.records.problems import Problem


@dataclass(frozen=True, slots=True)
class TableCount:
    """Rows of one table: read, accepted, refused. The three always add up.

    Raises
    ------
    ValueError
        If they do not.
    """

    table: str
    rows_read: int
    rows_accepted: int
    rows_refused: int

    def __post_init__(self) -> None:
        if self.rows_read != self.rows_accepted + self.rows_refused:
            raise ValueError(f"{self.table}: rows read are not rows accepted plus rows refused")


@dataclass(frozen=True, slots=True)
class SourceFile:
    """One file that was read: which table it held, its digest, how it was decoded. No path, no value.

    Attributes
    ----------
    table : str
        ``zones``, ``sessions``, ``layers`` or ``visits``.
    sha256 : str
        Digest of the file's bytes.
    kind : str
        ``csv``, ``xlsx`` or ``parquet``.
    reading : tuple of str
        What was declared or detected: encoding, delimiter, sheet, decimal mark, epoch.
    """

    table: str
    sha256: str
    kind: str
    reading: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Source:
    """Where the cases came from.

    Attributes
    ----------
    files : tuple of SourceFile
    mapping_sha256 : str or None
        Digest of the mapping file, None when the export already speaks the contract's language.
    counts : tuple of TableCount
        One for each table read.
    notes : tuple of str
        Each normalisation that was made ("dates read as dd/mm/yyyy in 3 columns"), without values.
    """

    files: tuple[SourceFile, ...]
    counts: tuple[TableCount, ...]
    mapping_sha256: str | None = None
    notes: tuple[str, ...] = ()

    def count(self, table: str) -> TableCount:
        """Rows read, accepted and refused of one table (all zero for a table that was not given)."""
        return next((c for c in self.counts if c.table == table), TableCount(table, 0, 0, 0))


@dataclass(frozen=True, slots=True, eq=False)
class Cases:
    """Accepted case records. Exists only if the schema passed.

    Attributes
    ----------
    frame : DataFrame
        Zones, one row a treated zone; reached through `zones`.
    session_frame, layer_frame, visit_frame : DataFrame
        The other tables, empty (with their columns) when not given.
    source : Source
    problems : tuple of Problem
        Every fault found, on refused rows and in the files.
    refused : DataFrame
        ``table, row, rules``: one line a refused record, no value.
    scope_note : str
        How these cases were narrowed from what was loaded, empty when they were not.
    """

    frame: pd.DataFrame
    session_frame: pd.DataFrame
    layer_frame: pd.DataFrame
    visit_frame: pd.DataFrame
    source: Source
    problems: tuple[Problem, ...] = ()
    refused: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["table", "row", "rules"]))
    scope_note: str = ""

    @property
    def zones(self) -> pd.DataFrame:
        """Zones, one row a treated zone; a shallow copy."""
        return self.frame.copy(deep=False)

    @property
    def sessions(self) -> pd.DataFrame:
        """Sessions, one row a session; a shallow copy."""
        return self.session_frame.copy(deep=False)

    @property
    def layers(self) -> pd.DataFrame:
        """Layers, one row a setting used within a zone; a shallow copy."""
        return self.layer_frame.copy(deep=False)

    @property
    def visits(self) -> pd.DataFrame:
        """Follow-up contacts, one row a zone and contact; a shallow copy."""
        return self.visit_frame.copy(deep=False)

    def __len__(self) -> int:
        return len(self.frame)

    @property
    def patients(self) -> int:
        """How many patients the zones belong to."""
        return int(self.frame["patient_id"].nunique())

    @property
    def last_date(self) -> date:
        """Latest date in the data: the last treatment or follow-up contact, whichever is later.

        Raises
        ------
        ValueError
            If there is no case.
        """
        if self.frame.empty:
            raise ValueError("no cases")
        latest = self.frame["treated_on"].max()
        follow_up = pd.to_timedelta(self.frame["last_seen_day"].fillna(0).astype("int64"), unit="D")
        seen = (self.frame["treated_on"] + follow_up).max()
        return max(latest, seen).date()  # type: ignore[no-any-return]

    def during(self, start: date, end: date) -> Cases:
        """Cases treated from `start` to `end`, both included."""
        when = self.frame["treated_on"]
        keep = (when >= pd.Timestamp(start)) & (when <= pd.Timestamp(end))
        return self._narrow(keep, f"treated {start.isoformat()} to {end.isoformat()}")

    def where(self, test: Callable[[pd.DataFrame], pd.Series], note: str) -> Cases:
        """Cases for which `test`, given the zones frame, is true; `note` says so in words."""
        return self._narrow(test(self.zones).fillna(False).astype(bool), note)

    def _narrow(self, keep: pd.Series, note: str) -> Cases:
        frame = self.frame.loc[keep]
        records, sessions = set(frame["record_id"]), set(frame["session_id"])
        return replace(
            self,
            frame=frame,
            session_frame=self.session_frame.loc[self.session_frame["session_id"].isin(sessions)],
            layer_frame=self.layer_frame.loc[self.layer_frame["record_id"].isin(records)],
            visit_frame=self.visit_frame.loc[self.visit_frame["record_id"].isin(records)],
            scope_note="; ".join(part for part in (self.scope_note, note) if part),
        )
