"""Lists of a report said once where an earlier list, or an entry of the same one, says the same; no number is lost."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from outcomes import wording

_WORTH_NAMING = 160
"""Characters from which a list said before is named instead of said again."""

_COUNTED = re.compile(r"(\d[\d,]*) (.+)", re.DOTALL)


def told_once(sections: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Sections in which a list that an earlier one holds word for word is named by it, and alike entries are joined."""
    known: dict[tuple[str, tuple[str, ...]], int] = {}
    told = []
    for section in sections:
        blocks = []
        for block in section["blocks"]:
            if block["kind"] == "ledger":
                columns = []
                for head, entries in block["columns"]:
                    first = known.setdefault((head, tuple(entries)), section["number"])
                    long = sum(map(len, entries)) > _WORTH_NAMING
                    named = [f"As in Section {first}."] if long and first != section["number"] else joined(entries)
                    columns.append([head, named])
                block = {**block, "columns": columns}
            blocks.append(block)
        told.append({**section, "blocks": blocks})
    return told


def joined(entries: Sequence[str]) -> list[str]:
    """Entries "whose: what" that say the same of several, or count the same things of several, as one.

    Examples
    --------
    >>> joined(["Redness: 3 zones never seen.", "Scarring: 3 zones never seen."])
    ['Redness and scarring: 3 zones never seen.']
    >>> joined(["Redness: 3 scars; 12 zones never seen.", "Scarring: 4 scars; 7 zones never seen."])
    ['Redness and scarring, in this order: 3 and 4 scars; 12 and 7 zones never seen.']
    """
    groups: list[tuple[object, list[tuple[str, str]]]] = []
    for entry in entries:
        whose, colon, what = entry.partition(": ")
        key = (_things(what) or what) if colon else (entry, len(groups))
        for known, found in groups:
            if known == key:
                found.append((whose, what))
                break
        else:
            groups.append((key, [(whose, what) if colon else ("", entry)]))
    return [_as_one(found) for _, found in groups]


def _things(what: str) -> tuple[str, ...] | None:
    """What an entry counts, without the counts; None where it is not a list of counts."""
    parts = [_COUNTED.fullmatch(part) for part in what.split("; ")]
    return tuple(part[2] for part in parts if part) if all(parts) else None


def _as_one(found: Sequence[tuple[str, str]]) -> str:
    whose = wording.listing([found[0][0], *(wording.decapital(w) for w, _ in found[1:])])
    what = found[0][1]
    if not whose:
        return what
    if all(other == what for _, other in found):
        return f"{whose}: {what}"
    things = _things(what) or ()
    counts = [[part.split(" ", 1)[0] for part in other.split("; ")] for _, other in found]
    said = "; ".join(f"{wording.listing(list(c))} {t}" for c, t in zip(zip(*counts, strict=True), things, strict=True))
    return f"{whose}, in this order: {said}"
