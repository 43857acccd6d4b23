"""A file of rates or boundaries against what is stored: what it would add, end and change, shown before anything is applied.

Applied and proposed again, nothing is left to do; undone, everything is as it was. A stored row that the file does not have is
kept (files leave old history out) and listed as such.

    proposal = propose_rates(stored, read_rates(file))
    after = apply_proposal(stored, proposal)
    before = undo_proposal(after, proposal)
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Generic, NamedTuple, TypeVar, cast

from coop.tax.domain.boundary_files import BoundariesRead, BoundaryRow
from coop.tax.domain.rate_files import Place, RateRow, RatesRead, RefusedRow

Row = TypeVar("Row", bound=RateRow | BoundaryRow)
RateKey = tuple[Place, str, date]
"""What makes a rate row itself: jurisdiction, class and first day."""


class Changed(NamedTuple, Generic[Row]):
    """A stored row and what it becomes. Its key stays: only its end, or a rate's percent, differs."""

    was: Row
    now: Row


class Overlap(NamedTuple):
    """Two rows of one jurisdiction that overlapped, and how it is settled: the later wins from its first day."""

    earlier: RateRow
    later: RateRow
    sentence: str


@dataclass(frozen=True)
class Proposal(Generic[Row]):
    """What a file would do. Rows refused change nothing.

    `ended`: stored rows that get an earlier end; `changed`: any other difference. `not_in_file`: stored rows of its states, kept.
    """

    added: tuple[Row, ...]
    ended: tuple[Changed[Row], ...]
    changed: tuple[Changed[Row], ...]
    unchanged: tuple[Row, ...]
    overlapping: tuple[Overlap, ...]
    refused: tuple[RefusedRow, ...]
    not_in_file: tuple[Row, ...]

    @property
    def does_nothing(self) -> bool:
        return not (self.added or self.ended or self.changed)


def _ends_later(one: date | None, other: date | None) -> bool:
    return other is not None and (one is None or one > other)


# --- rates ----------------------------------------------------------------------------------------------------------------


def rate_key(row: RateRow) -> RateKey:
    return row.place, row.tax_class, row.starts_on


def propose_rates(stored: Iterable[RateRow], read: RatesRead) -> Proposal[RateRow]:
    """Compare a rate file with the stored rows (whose `row` is 0 and which do not overlap).

    Two rows of the file of which one ends on the day the next begins: the later wins that day, and it is said. Rows of the file
    that overlap otherwise are refused, each of them. A stored row that the file does not have ends where a later row of the file
    begins.
    """
    groups: dict[tuple[Place, str], tuple[list[RateRow], list[RateRow]]] = {}
    for side, rows in enumerate((stored, read.rows)):
        for row in rows:
            groups.setdefault((row.place, row.tax_class), ([], []))[side].append(row)
    outcome = _Outcome([], [], [], [], {}, {}, [])
    states = {row.place.state for row in read.rows}
    for (place, _), (old, new) in groups.items():
        if place.state in states:
            _propose_group(old, new, outcome)
    refused = [*read.refused, *(RefusedRow(row, reason) for row, reason in outcome.refused.items())]
    return Proposal(
        tuple(outcome.added),
        tuple(outcome.ended),
        tuple(outcome.changed),
        tuple(outcome.unchanged),
        tuple(outcome.overlapping.values()),
        tuple(sorted(refused)),
        tuple(outcome.not_in_file),
    )


class _Outcome(NamedTuple):
    added: list[RateRow]
    ended: list[Changed[RateRow]]
    changed: list[Changed[RateRow]]
    unchanged: list[RateRow]
    overlapping: dict[tuple[Place, int, int, date], Overlap]
    refused: dict[int, str]
    not_in_file: list[RateRow]


def _propose_group(old: list[RateRow], new: list[RateRow], outcome: _Outcome) -> None:
    """One class of one jurisdiction."""
    refused = _overlapping_rows(new)
    while True:
        taken = {row.starts_on: row for row in new if row.row not in refused}
        kept = [row for row in old if row.starts_on not in taken]
        settled, overlaps, odd = _settle([*kept, *taken.values()])
        if not odd:
            break
        refused.update(odd)
    for number, reason in refused.items():
        outcome.refused.setdefault(number, reason)
    for overlap in overlaps:
        where = (overlap.later.place, overlap.earlier.row, overlap.later.row, overlap.later.starts_on)
        outcome.overlapping.setdefault(where, overlap)
    before = {row.starts_on: row for row in old}
    for now in settled:
        was = before.get(now.starts_on)
        if now in kept:
            continue
        if was is None:
            outcome.added.append(now)
        elif was.percent == now.percent and was.ends_on == now.ends_on:
            outcome.unchanged.append(was)
        elif was.percent == now.percent and _ends_later(was.ends_on, now.ends_on):
            outcome.ended.append(Changed(was, now))
        else:
            outcome.changed.append(Changed(was, now))
    outcome.not_in_file.extend(row for row in kept if row in settled)


def _overlapping_rows(rows: Iterable[RateRow]) -> dict[int, str]:
    """Rows of a file that cannot both be meant, by their number: they overlap by more than one's last day on the next's first."""
    refused: dict[int, str] = {}
    furthest: RateRow | None = None
    for row in sorted(rows, key=lambda r: (r.starts_on, r.row)):
        if furthest is not None and (furthest.ends_on is None or furthest.ends_on >= row.starts_on):
            touching = furthest.ends_on == row.starts_on and furthest.starts_on < row.starts_on
            if not touching:
                for one, other in ((furthest, row), (row, furthest)):
                    what = "repeats" if one[:5] == other[:5] else "overlaps"
                    refused.setdefault(
                        one.row, f"{what} row {other.row} of the same jurisdiction ({one.place}): mend one of them."
                    )
        if furthest is None or not _ends_later(furthest.ends_on, row.ends_on):
            furthest = row
    return refused


def _settle(rows: Sequence[RateRow]) -> tuple[list[RateRow], list[Overlap], dict[int, str]]:
    """Rows of one jurisdiction and class made to follow one another: the later wins from its first day.

    Also what was settled so, and the rows of the file that cannot be: those that lie within a row that goes on after them.
    """
    settled: list[RateRow] = []
    overlaps: list[Overlap] = []
    odd: dict[int, str] = {}
    for row in sorted(rows, key=lambda r: r.starts_on):
        if settled and (settled[-1].ends_on is None or settled[-1].ends_on >= row.starts_on):
            earlier = settled.pop()
            if _ends_later(earlier.ends_on, row.ends_on):
                bad, good = (row, earlier) if row.row else (earlier, row)
                odd[bad.row] = (
                    f"overlaps the rate held from {good.starts_on} for the same jurisdiction ({good.place}), "
                    "and neither follows the other: end or change that one by hand first."
                )
            last = row.starts_on - timedelta(days=1)
            who = f"Row {earlier.row}" if earlier.row else f"The rate held from {earlier.starts_on}"
            whose = f"row {row.row}" if row.row else "the rate held"
            sentence = f"{who} ({row.place}) runs into {whose} from {row.starts_on}: the later wins, the earlier ends on {last}."
            overlaps.append(Overlap(earlier, row, sentence))
            settled.append(earlier._replace(ends_on=last))
        settled.append(row)
    return settled, overlaps, odd


# --- boundaries -----------------------------------------------------------------------------------------------------------


def boundary_key(row: BoundaryRow) -> tuple[object, ...]:
    """Everything but its end: rows of one range with different jurisdictions stand side by side, and `locate` says so."""
    return row[:5]


def propose_boundaries(stored: Iterable[BoundaryRow], read: BoundariesRead) -> Proposal[BoundaryRow]:
    """Compare a boundary file with the stored rows. A row that repeats another with a different end is refused."""
    before = {boundary_key(row): row for row in stored}
    taken: dict[tuple[object, ...], BoundaryRow] = {}
    refused = list(read.refused)
    for row in read.rows:
        first = taken.setdefault(boundary_key(row), row)
        if first.ends_on != row.ends_on:
            refused.append(RefusedRow(row.row, f"repeats row {first.row} with another end: mend one of them."))
    added, ended, changed, unchanged = [], [], [], []
    for key, now in taken.items():
        was = before.get(key)
        if was is None:
            added.append(now)
        elif was.ends_on == now.ends_on:
            unchanged.append(was)
        elif _ends_later(was.ends_on, now.ends_on):
            ended.append(Changed(was, now))
        else:
            changed.append(Changed(was, now))
    states = {row.state for row in read.rows}
    missing = [row for key, row in before.items() if key not in taken and row.state in states]
    return Proposal(tuple(added), tuple(ended), tuple(changed), tuple(unchanged), (), tuple(sorted(refused)), tuple(missing))


# --- applying and undoing -------------------------------------------------------------------------------------------------


def apply_proposal(stored: Iterable[Row], proposal: Proposal[Row]) -> list[Row]:
    """The stored rows after the proposal. Raises ValueError when they are not what it was made of any more."""
    changes: list[Changed[Row]] = [*proposal.ended, *proposal.changed]
    return _replace(stored, [change.was for change in changes], [*(change.now for change in changes), *proposal.added])


def undo_proposal(stored: Iterable[Row], proposal: Proposal[Row]) -> list[Row]:
    """The stored rows as they were before the proposal. Raises ValueError when something has changed them since."""
    changes: list[Changed[Row]] = [*proposal.ended, *proposal.changed]
    return _replace(stored, [*(change.now for change in changes), *proposal.added], [change.was for change in changes])


def _replace(stored: Iterable[Row], out: Sequence[Row], into: Sequence[Row]) -> list[Row]:
    left: dict[Row, None] = {_without_number(row): None for row in stored}
    for row in out:
        if _without_number(row) not in left:
            raise ValueError(f"The stored rows have changed since: {row} is no longer there. Make a new proposal.")
        del left[_without_number(row)]
    for row in into:
        left[_without_number(row)] = None
    return list(left)


def _without_number(row: Row) -> Row:
    return cast(Row, row._replace(row=0))
