"""Which numbers of the comparison of practitioners are held back, so that none can be worked out from the others?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from outcomes.protocol import Protocol
from outcomes.questions.disclosure import Sum, held, shows_small_counts
from outcomes.questions.disclosure_rows import HeldRows, held_rows
from outcomes.questions.practitioner_model import Compared, Comparison


def with_held_rows(comparisons: Sequence[Comparison], protocol: Protocol) -> list[Comparison]:
    """The comparisons with every number taken out that is, or would give away, a small count.

    Of each outcome the rows of a region and of all regions are looked at together: all regions less one region is
    the rest, which nobody prints and everybody can subtract; and the rows of all practitioners add up to the totals
    that stand beside the table. What is taken out goes from the comparison itself, so that tables, figures, alt
    texts and files cannot hold it.
    """
    if shows_small_counts(protocol):
        return list(comparisons)
    kept: list[Comparison] = []
    for outcome in dict.fromkeys(c.outcome.name for c in comparisons):
        kept += _of_one_outcome([c for c in comparisons if c.outcome.name == outcome], protocol)
    return kept


def _of_one_outcome(group: Sequence[Comparison], protocol: Protocol) -> list[Comparison]:
    """Cells: the rows of all regions, then for each region those of the region and of the rest, and their totals.

    The total of a region is held back before any row is.
    """
    people = [each.label for each in group[0].each]
    cells: list[tuple[int, int, int]] = [(each.events, each.zones, each.patients) for each in group[0].each]
    sums = [Sum(tuple(range(len(people))))]
    place = {(0, who): i for i, who in enumerate(people)}
    totals: dict[int, int] = {}
    unprinted: set[int] = set()
    for g, part in enumerate(group[1:], start=1):
        first = len(cells)
        inside = {each.label: each for each in part.each}
        for who in people:
            here = inside.get(who)
            events, zones, patients = (here.events, here.zones, here.patients) if here else (0, 0, 0)
            whole = place[0, who]
            place[g, who] = len(cells)
            unprinted.add(len(cells) + 1)
            cells += [(events, zones, patients), (cells[whole][0] - events, cells[whole][1] - zones, 0)]
            sums.append(Sum((len(cells) - 2, len(cells) - 1), whole=whole))
        totals[g] = len(cells)
        sums += [Sum(tuple(range(first + shift, len(cells), 2)), whole=len(cells) + shift) for shift in (0, 1)]
        unprinted.add(len(cells) + 1)
        cells += [
            tuple(sum(cells[i][k] for i in range(first + shift, totals[g], 2)) for k in range(3))  # type: ignore[misc]
            for shift in (0, 1)
        ]
        sums.append(Sum((totals[g], totals[g] + 1)))
    order = [*totals.values(), *(i for i in reversed(range(len(cells))) if i not in totals.values())]
    back = held_rows(
        [events for events, _, _ in cells],
        [[zones for _, zones, _ in cells]],
        sums,
        protocol,
        patients=[patients for _, _, patients in cells],
        unprinted=unprinted,
        order=[i for i in order if i not in unprinted],
    )
    return [
        replace(
            _without(c, g, place, back),
            events_held=totals.get(g) in back.events,
            zones_held=totals.get(g) in back.sizes[0],
        )
        for g, c in enumerate(group)
    ]


def _without(c: Comparison, group: int, place: dict[tuple[int, str], int], back: HeldRows) -> Comparison:
    each = tuple(_hold(one, place[group, one.label], back) for one in c.each)
    reasons = {one.label: one for one in each if one.held}
    shrunken = {
        who: held(answer, reasons[who].held, n=None if reasons[who].zones_held else reasons[who].zones)
        if who in reasons
        else answer
        for who, answer in c.shrunken.items()
    }
    return replace(c, each=each, shrunken=shrunken)


def _hold(one: Compared, cell: int, back: HeldRows) -> Compared:
    if cell not in back.events:
        return one
    reason, zones_held = back.reasons[cell], cell in back.sizes[0]
    n = None if zones_held else one.zones
    return replace(
        one,
        expected_risk=None,
        raw=held(one.raw, reason, n=n),
        against_rest=held(one.against_rest, reason, n=n),
        held=reason,
        zones_held=zones_held,
        more_than_expected=None if one.expected is None else one.events > one.expected,
    )
