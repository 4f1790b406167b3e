"""How much is read: files that would fill the machine's memory are refused before they are unpacked."""

from __future__ import annotations

import os
import zipfile
from xml.parsers import expat

MOST_ROWS, MOST_COLUMNS = 1_048_576, 16_384
"""Rows and columns of a sheet; a spreadsheet holds no more."""
MOST_CELLS = 100_000_000
LARGEST_FILE_BYTES = 1_000_000_000
LARGEST_UNPACKED_BYTES = 1_000_000_000
LARGEST_RATIO = 200
"""A workbook packs to a tenth or a twentieth; something that packs to less was made to."""
_RATIO_MATTERS_BYTES = 50_000_000
_BYTES_OF_MEMORY_PER_BYTE = 40
"""Measured with `outcomes check` on CSV files of 0.1 and 1 million zones of 47 columns; Python 3.11, pandas 3.1."""
_HEAD_BYTES = 65_536

REMEDY = "Export fewer years or fewer columns at a time, as CSV where it was a workbook."


class TooLarge(ValueError):
    """A file that will not be read for its size; the message says what is too large, without a subject."""


def check_file_size(size: int, memory: int | None = None) -> None:
    """Stop before a file is read that would not fit into memory.

    Parameters
    ----------
    size : int
        Bytes of the file.
    memory : int or None
        Bytes of memory of the machine; None asks the system, which not every system answers.

    Raises
    ------
    TooLarge

    Examples
    --------
    >>> check_file_size(200_000_000, memory=16 * 2**30)
    >>> check_file_size(800_000_000, memory=16 * 2**30)
    Traceback (most recent call last):
    outcomes.records.readers.limits.TooLarge: the file needs about 30 GB of memory and the machine has 16 GB
    """
    if size > LARGEST_FILE_BYTES:
        raise TooLarge(f"the file is larger than {LARGEST_FILE_BYTES // 1_000_000:,} MB")
    has = _memory() if memory is None else memory
    needs = _BYTES_OF_MEMORY_PER_BYTE * size
    if has is not None and needs > has:
        raise TooLarge(
            f"the file needs about {needs / 2**30:.0f} GB of memory and the machine has {has / 2**30:.0f} GB"
        )


def _memory() -> int | None:
    try:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):
        return None


def check_cells(rows: int, columns: int) -> None:
    """Stop before a table is laid out whose rows and columns span more than can be held.

    Raises
    ------
    TooLarge
    """
    if columns > MOST_COLUMNS:
        raise TooLarge(f"the table has more than {MOST_COLUMNS:,} columns")
    if rows * columns > MOST_CELLS:
        raise TooLarge(f"the table spans {rows:,} rows and {columns:,} columns, more than {MOST_CELLS:,} cells")


def check_unpacked(size: int) -> None:
    """Stop where what was unpacked, or would be, is larger than can be held.

    Raises
    ------
    TooLarge
    """
    if size > LARGEST_UNPACKED_BYTES:
        raise TooLarge(f"the file unpacks to more than {LARGEST_UNPACKED_BYTES // 1_000_000:,} MB")


def check_archive(archive: zipfile.ZipFile) -> None:
    """Stop before a workbook is unpacked that is too large, or packed to a size that no workbook is.

    The sizes that an archive declares are those that are unpacked at most.

    Raises
    ------
    TooLarge
        If it is too large, or packs to less than a workbook does.
    ValueError
        If a part declares a document type, which no workbook does and which may expand without end.
    """
    parts = archive.infolist()
    unpacked, packed = sum(part.file_size for part in parts), sum(part.compress_size for part in parts)
    check_unpacked(unpacked)
    if unpacked > _RATIO_MATTERS_BYTES and unpacked > LARGEST_RATIO * packed:
        raise TooLarge(f"the file unpacks to {unpacked // max(packed, 1):,} times its size, which no workbook does")
    for part in parts:
        if part.filename.endswith((".xml", ".rels")):
            with archive.open(part) as file:
                _check_head(file.read(_HEAD_BYTES))


def _check_head(head: bytes) -> None:
    def refuse(*_: object) -> None:
        raise ValueError("a part of the workbook declares a document type")

    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = refuse
    parser.Parse(head, False)
