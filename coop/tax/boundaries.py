"""Boundary rows against a file of them: read line by line, whatever the size, and compared a batch at a time."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal, NamedTuple

from sqlalchemy import delete, func, insert, select, update
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.tax.domain.boundary_files import BoundaryRow, each_boundary
from coop.tax.domain.proposals import boundary_key
from coop.tax.domain.rate_files import RefusedRow
from coop.tax.models import TaxBoundary, TaxImport

BATCH = 2000


class Judged(NamedTuple):
    """A row of the file, what it would do, and the stored row it meets (an added one: itself, where a run was cut short)."""

    what: Literal["added", "ended", "changed", "unchanged"]
    row: BoundaryRow
    key: str
    stored_id: int = 0
    was: date | None = None


@dataclass
class Walk:
    """What a reading of the file came to."""

    counts: dict[str, int] = field(default_factory=dict)
    states: set[str] = field(default_factory=set)
    seen: dict[str, tuple[int, date | None]] = field(default_factory=dict)
    """Row number and end of each key there was."""

    def count(self, what: str) -> None:
        self.counts[what] = self.counts.get(what, 0) + 1


def key_of(row: BoundaryRow) -> str:
    """A short hash of everything but the end."""
    return hashlib.sha256(repr(boundary_key(row)).encode()).hexdigest()[:32]


def judge_boundaries(session: Session, lines: Iterable[bytes], walk: Walk) -> Iterator[list[Judged | RefusedRow]]:
    """Each batch of the file's rows, judged as `propose_boundaries` judges them; address rows are counted.

    A batch must be applied before the next is asked for, if at all. Raises FileRefused.
    """
    for batch in read_batches(lines, walk):
        yield judge_batch(session, batch, walk)


def read_batches(lines: Iterable[bytes], walk: Walk) -> Iterator[list[BoundaryRow | RefusedRow]]:
    """The file's rows, a batch at a time; asks nothing of the database. Raises FileRefused."""
    batch: list[BoundaryRow | RefusedRow] = []
    for item in each_boundary(lines):
        if item is None:
            walk.count("addresses")
            continue
        batch.append(item)
        if len(batch) == BATCH:
            yield batch
            batch = []
    if batch:
        yield batch


def judge_batch(
    session: Session, batch: Sequence[BoundaryRow | RefusedRow], walk: Walk, *, ours: int | None = None
) -> list[Judged | RefusedRow]:
    """What a batch's rows would do to those that are stored. Rows of an import that is not applied do not count as stored;
    those of import `ours`, which is being applied, are added ones that are there already."""
    judged: list[Judged | RefusedRow] = []
    fresh: dict[str, BoundaryRow] = {}
    for item in batch:
        if isinstance(item, RefusedRow):
            judged.append(item)
            continue
        key = key_of(item)
        walk.states.add(item.state)
        if key not in walk.seen:
            walk.seen[key] = (item.row, item.ends_on)
            fresh[key] = item
        elif walk.seen[key][1] != item.ends_on:
            judged.append(RefusedRow(item.row, f"repeats row {walk.seen[key][0]} with another end: mend one of them."))
    stored = {
        key: (row_id, ends_on, import_id)
        for key, row_id, ends_on, import_id in session.execute(
            select(TaxBoundary.key_sha, TaxBoundary.id, TaxBoundary.ends_on, TaxBoundary.import_id)
            .join(TaxImport, TaxImport.id == TaxBoundary.import_id)
            .where(TaxBoundary.key_sha.in_(fresh), (TaxImport.state == "applied") | (TaxImport.id == ours))
        )
    }
    for key, row in fresh.items():
        row_id, was, import_id = stored.get(key, (0, None, None))
        if not row_id or import_id == ours:
            judged.append(Judged("added", row, key, row_id))
        elif was == row.ends_on:
            judged.append(Judged("unchanged", row, key, row_id, was))
        else:
            earlier = row.ends_on is not None and (was is None or was > row.ends_on)
            judged.append(Judged("ended" if earlier else "changed", row, key, row_id, was))
    for one in judged:
        walk.count("refused" if isinstance(one, RefusedRow) else one.what)
    return judged


def not_in_file(session: Session, walk: Walk) -> int:
    """How many stored rows of the file's states it does not have; they are kept. Asked before anything is applied."""
    applied = select(func.count(TaxBoundary.id)).join(TaxImport, TaxImport.id == TaxBoundary.import_id)
    held = session.scalar(applied.where(TaxBoundary.state_fips.in_(walk.states), TaxImport.state == "applied")) or 0
    return held - sum(walk.counts.get(what, 0) for what in ("ended", "changed", "unchanged"))


def apply_boundaries(session: Session, lines: Iterable[bytes], import_id: int) -> tuple[Walk, dict[str, Any]]:
    """Write what the file adds and changes; what was done, for undoing it."""
    walk = Walk()
    changed: list[list[Any]] = []
    for batch in judge_boundaries(session, lines, walk):
        changed += set_ends(session, add_rows(session, batch, import_id))
    return walk, {"added": walk.counts.get("added", 0), "changed": changed}


Ends = tuple[int, date | None, date | None]
"""A stored row, the end it has, and the end the file gives it."""


def add_rows(session: Session, batch: Iterable[Judged | RefusedRow], import_id: int) -> list[Ends]:
    """Write the rows that a batch adds, but for those that are there already; the ends it changes, which are not written."""
    rows = [one for one in batch if isinstance(one, Judged)]
    added = [
        {
            "key_sha": one.key,
            "import_id": import_id,
            "state_fips": one.row.state,
            "record": one.row.record,
            "zip_low": one.row.low[:5],
            "plus4_low": one.row.low[5:],
            "zip_high": one.row.high[:5],
            "plus4_high": one.row.high[5:],
            "starts_on": one.row.starts_on,
            "ends_on": one.row.ends_on,
            "places": [[place.kind, place.code] for place in one.row.places],
        }
        for one in rows
        if one.what == "added" and not one.stored_id
    ]
    if added:
        session.execute(insert(TaxBoundary), added)
    return [(one.stored_id, one.was, one.row.ends_on) for one in rows if one.what in ("ended", "changed")]


def set_ends(session: Session, ends: Iterable[Ends]) -> list[list[Any]]:
    """Give stored rows their new ends; what was done, for undoing it."""
    done: list[list[Any]] = []
    for row_id, was, now in ends:
        _set_end(session, row_id, now)
        done.append([row_id, iso(was), iso(now)])
    return done


def remove_rows(session: Session, import_id: int, limit: int) -> int:
    """Take away up to `limit` of the rows that an import added before it was stopped; how many."""
    some = session.scalars(select(TaxBoundary.id).where(TaxBoundary.import_id == import_id).limit(limit)).all()
    session.execute(delete(TaxBoundary).where(TaxBoundary.id.in_(some)))
    return len(some)


def undo_boundaries(session: Session, import_id: int, done: dict[str, Any], later: Iterable[dict[str, Any]]) -> None:
    """Take away what the import added and give back the ends it changed.

    `later` is what the imports applied since have done. Refuses when one of them changed what this one did.
    """
    ours = {row_id for row_id, _, _ in done["changed"]}
    since = {row_id for other in later for row_id, _, _ in other["changed"]}
    added = since.intersection(session.scalars(select(TaxBoundary.id).where(TaxBoundary.import_id == import_id)))
    if ours & since or added:
        raise Refusal("A later import changed rows of this one: undo that one first.")
    session.execute(delete(TaxBoundary).where(TaxBoundary.import_id == import_id))
    for row_id, was, _ in done["changed"]:
        _set_end(session, row_id, day(was))


def _set_end(session: Session, row_id: int, ends_on: date | None) -> None:
    session.execute(update(TaxBoundary).where(TaxBoundary.id == row_id).values(ends_on=ends_on))


def iso(on: date | None) -> str | None:
    return None if on is None else on.isoformat()


def day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)
