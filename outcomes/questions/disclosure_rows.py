"""Which rows of a table of events over sizes are held back, and what their cells then say."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from outcomes.protocol import Protocol
from outcomes.questions.disclosure import (
    EITHER,
    GIVES_AWAY,
    Sum,
    held_back,
    is_guarded,
    is_small,
    shows_small_counts,
    small_reason,
)
from outcomes.wording import count


@dataclass(frozen=True, slots=True)
class HeldRows:
    """Which rows of a table of events keep their numbers to themselves.

    Attributes
    ----------
    events : frozenset of int
        Rows whose events, and all that is computed from them, are held back.
    sizes : tuple of frozenset of int
        For each column of sizes, the rows whose size is held back.
    reasons : dict of int to str
        Why, for each of `events`.
    bounded : frozenset of int
        Rows of which it may be said that they have 1 to 4 events.
    """

    events: frozenset[int]
    sizes: tuple[frozenset[int], ...]
    reasons: dict[int, str]
    bounded: frozenset[int] = frozenset()

    def size(self, row: int, number: int, column: int = 0) -> str:
        """A size for a cell, or the dash of one that is held back."""
        return "–" if row in self.sizes[column] else count(number)

    def of(self, row: int, events: int, n: int, column: int = 0) -> str:
        """Events over size for a cell: "12 / 300", "– / 300"."""
        return f"{'–' if row in self.events else count(events)}\u00a0/\u00a0{self.size(row, n, column)}"


def held_rows(
    events: Sequence[int],
    sizes: Sequence[Sequence[int]],
    sums: Sequence[Sum],
    protocol: Protocol,
    *,
    patients: Sequence[int] = (),
    unprinted: Collection[int] = (),
    harmless: Collection[int] = (),
    order: Sequence[int] | None = None,
    noun: str = "zones",
) -> HeldRows:
    """Which rows of a table of events over sizes to hold back.

    A row is held back where its events, its records without the event, one of its sizes or its patients are few, and
    where its numbers would give those of another row away.

    Parameters
    ----------
    events : sequence of int
    sizes : sequence of columns of int
        All printed; the last one holds the records whose answer is known.
    sums : sequence of Sum
        Of rows.
    patients : sequence of int
        Patients of each row, where they are not one of the sizes.
    unprinted, harmless, order
        As for `held_back`.
    """
    if shows_small_counts(protocol):
        return HeldRows(frozenset(), tuple(frozenset() for _ in sizes), {})
    held_sizes = tuple(
        held_back(column, sums, protocol, unprinted=unprinted, harmless=harmless, order=order) for column in sizes
    )
    without = [known - had for known, had in zip(sizes[-1], events, strict=True)]
    back = frozenset().union(*held_sizes) | {i for i, number in enumerate(patients) if is_small(number, protocol)}
    back -= frozenset(unprinted)
    before = None
    while before != back:
        before = back
        for column in (events, without):
            back = held_back(column, sums, protocol, unprinted=unprinted, also=back, harmless=harmless, order=order)
    checks = [(events, back), (without, back), *zip(sizes, held_sizes, strict=True)]
    guarded = all(
        is_guarded(column, sums, hidden, protocol, unprinted=unprinted, harmless=harmless) for column, hidden in checks
    )
    reasons = {}
    for i in sorted(back):
        if not guarded:
            reasons[i] = EITHER
        elif any(is_small(column[i], protocol) for column in sizes):
            reasons[i] = small_reason(noun, protocol)
        elif patients and is_small(patients[i], protocol):
            reasons[i] = small_reason("patients", protocol)
        elif is_small(events[i], protocol):
            reasons[i] = small_reason("events", protocol)
        elif is_small(without[i], protocol):
            reasons[i] = small_reason(f"{noun} without the event", protocol)
        else:
            reasons[i] = GIVES_AWAY
    few = small_reason("events", protocol)
    return HeldRows(back, held_sizes, reasons, frozenset(i for i, reason in reasons.items() if reason == few))
