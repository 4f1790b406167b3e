"""A clinic's headers, codes and units → ours: the mapping, a TOML file that a receptionist can read.

``outcomes mapping EXPORT`` drafts one. A whole example::

    [file]                               # how the export is written; what is left out is detected, and said
    date_format = "dd/mm/yyyy"
    decimal = ","                        # or "."
    delimiter = ";"                      # or "," "tab" "|"
    encoding = "utf-8"                   # or "cp1252", "utf-16" ...
    time_zone = "Europe/Paris"           # only where times carry a zone
    missing = ["n/k", "-"]               # texts that mean an empty cell; otherwise only an empty cell is empty
    yes = ["ja"]                         # beside yes, y, true, t, 1
    no = ["nein"]                        # beside no, n, false, f, 0

    [drop]                               # columns that nobody will look at
    columns = ["Name", "Date of birth", "Notes"]

    [zones]                              # one row a treated zone; any line of [file] may stand here, for it alone
    sheet = "Treatments"                 # of a workbook
    header_row = 3                       # or skip_rows = 2

    [zones.columns]                      # our column = the export's header
    record_id = "Case no"
    patient_id = "Patient no"
    session_id = ["Patient no", "Date"]  # no number of its own: the two joined
    treated_on = "Date"
    practitioner_id = "Operator"
    passes = "Passes"
    device_id = "Laser"
    density_pct = "Density"

    [zones.columns.zone]                 # more to say about one column
    from = "Area"
    codes = { "Cheek L" = "cheek", "Cheek R" = "cheek", "Periocular" = "lower_lid" }

    [zones.columns.pulse_energy_mj]
    from = "Energy (J)"
    unit = "J"

    [zones.columns.mode]
    value = "fractional"                 # no such column: the same for every row

    [zones.columns.last_seen_day]
    from = "Last visit"
    unit = "date"                        # a date: the days since treatment are counted

    [density_index."LASER-2"]            # this device shows a density index: what it means in per cent
    "1" = 5
    "2" = 7.5

The other tables have the same sections: ``[sessions]``, ``[layers]``, ``[visits]``. For a flat export ``[columns]``
is short for ``[zones.columns]``.

What one column may say: ``from`` (a header, or several for an id), ``value``, ``unit``, ``codes`` (the clinic's code =
ours; ``""`` makes it an empty cell; for ids, codes not listed stay as they are), ``missing``, ``decimal``,
``date_format``, ``date_cells`` (``"right"`` or ``"swapped"``: what a spreadsheet made of the dates), ``time_zone``,
``separator`` (between several codes in one cell).

A column of ours that the mapping does not name is taken from a header of the same name, capitals and spaces aside.
All else in the export is left alone and named in the notes. A device without a density table gives per cent.
"""

from __future__ import annotations

from outcomes.records.mapping.apply import apply_mapping
from outcomes.records.mapping.load import load_mapping, parse_mapping
from outcomes.records.mapping.types import ColumnMapping, Mapped, Mapping, Settings

__all__ = ["ColumnMapping", "Mapped", "Mapping", "Settings", "apply_mapping", "load_mapping", "parse_mapping"]
