"""A density index that a device shows → per cent, by the clinic's own table for that device."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal, InvalidOperation

import pandas as pd

from outcomes.records.convert.cells import Converted, Fault

UNKNOWN_INDEX = Fault(
    "density_index",
    "must be an index that the mapping's density table for the row's device has",
    "Correct the cell, or add the index to [density_index] in the mapping.",
)
UNKNOWN_DEVICE = Fault(
    "density_index",
    "cannot be told from an index without the row's device",
    "Fill in the device; densities of some devices are an index and of others per cent.",
)


def convert_density(
    cells: pd.Series, percent: Converted, device: pd.Series, tables: Mapping[str, Mapping[str, str]]
) -> Converted:
    """Densities in per cent, where some devices give an index.

    Parameters
    ----------
    cells : Series
        Cleaned density cells as the export has them.
    percent : Converted
        The same cells read as per cent, right for a device without a table.
    device : Series
        The device of each row.
    tables : mapping of device to mapping of index to percent

    Returns
    -------
    Converted
        An index that the device's table lacks is a fault of its cell, and so is a density without a device.

    Examples
    --------
    >>> text = lambda *cells: pd.Series(cells, dtype="string")
    >>> read = Converted(text("3", "3"))
    >>> convert_density(text("3", "3"), read, text("L1", "L2"), {"L1": {"3": "7.5"}}).cells.tolist()
    ['7.5', '3']
    """
    result: list[str | None] = [None if pd.isna(cell) else str(cell) for cell in percent.cells]
    faults = dict(percent.faults)
    by_number = {name: {_number(index): value for index, value in table.items()} for name, table in tables.items()}
    for i, (cell, name) in enumerate(zip(cells, device, strict=True)):
        if pd.isna(cell):
            continue
        if pd.isna(name):
            result[i] = None
            faults.setdefault(i, UNKNOWN_DEVICE)
        elif name in tables:
            value = tables[name].get(cell, by_number[name].get(_number(cell)))
            result[i] = value
            faults.pop(i, None)
            if value is None:
                faults[i] = UNKNOWN_INDEX
    notes = [*percent.notes, "density index turned into per cent by device"]
    return Converted(pd.Series(result, index=cells.index, dtype="string"), faults, list(percent.fatal), notes)


def _number(text: str) -> Decimal | str:
    """An index as a number where it is one, so that 3, 03 and 3.0 are the same index."""
    try:
        number = Decimal(text.replace(",", "."))
    except InvalidOperation:
        return text
    return number.normalize() if number.is_finite() else text
