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
from coop.tax.models import TaxBoundary

BATCH = 2000


class Judged(NamedTuple):
    """A row of the file, what it would do, and the stored row it meets."""

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

    def count(self, what: str) -> None:
        self.counts[what] = self.counts.get(what, 0) + 1


def key_of(row: BoundaryRow) -> str:
    """A short hash of everything but the end."""
    return hashlib.sha256(repr(boundary_key(row)).encode()).hexdigest()[:32]


def judge_boundaries(session: Session, lines: Iterable[bytes], walk: Walk) -> Iterator[list[Judged | RefusedRow]]:
    """Each batch of the file's rows, judged as `propose_boundaries` judges them; address rows are counted.

    A batch must be applied before the next is asked for, if at all. Raises FileRefused.
    """
    seen: dict[str, tuple[int, date | None]] = {}
    batch: list[BoundaryRow | RefusedRow] = []
    for item in each_boundary(lines):
        if item is None:
            walk.count("addresses")
            continue
        batch.append(item)
        if len(batch) == BATCH:
            yield _judge(session, batch, seen, walk)
            batch = []
    if batch:
        yield _judge(session, batch, seen, walk)


def _judge(
    session: Session, batch: Sequence[BoundaryRow | RefusedRow], seen: dict[str, tuple[int, date | None]], walk: Walk
) -> list[Judged | RefusedRow]:
    judged: list[Judged | RefusedRow] = []
    fresh: dict[str, BoundaryRow] = {}
    for item in batch:
        if isinstance(item, RefusedRow):
            judged.append(item)
            continue
        key = key_of(item)
        walk.states.add(item.state)
        if key not in seen:
            seen[key] = (item.row, item.ends_on)
            fresh[key] = item
        elif seen[key][1] != item.ends_on:
            judged.append(RefusedRow(item.row, f"repeats row {seen[key][0]} with another end: mend one of them."))
    stored = {
        key: (row_id, ends_on)
        for key, row_id, ends_on in session.execute(
            select(TaxBoundary.key_sha, TaxBoundary.id, TaxBoundary.ends_on).where(TaxBoundary.key_sha.in_(fresh))
        )
    }
    for key, row in fresh.items():
        if key not in stored:
            judged.append(Judged("added", row, key))
            continue
        row_id, was = stored[key]
        if was == row.ends_on:
            judged.append(Judged("unchanged", row, key, row_id, was))
        else:
            earlier = row.ends_on is not None and (was is None or was > row.ends_on)
            judged.append(Judged("ended" if earlier else "changed", row, key, row_id, was))
    for one in judged:
        walk.count("refused" if isinstance(one, RefusedRow) else one.what)
    return judged


def not_in_file(session: Session, walk: Walk) -> int:
    """How many stored rows of the file's states it does not have; they are kept. Asked before anything is applied."""
    held = session.scalar(select(func.count(TaxBoundary.id)).where(TaxBoundary.state_fips.in_(walk.states))) or 0
    return held - sum(walk.counts.get(what, 0) for what in ("ended", "changed", "unchanged"))


def apply_boundaries(session: Session, lines: Iterable[bytes], import_id: int) -> tuple[Walk, dict[str, Any]]:
    """Write what the file adds and changes; what was done, for undoing it."""
    walk = Walk()
    changed: list[list[Any]] = []
    for batch in judge_boundaries(session, lines, walk):
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
            for one in batch
            if isinstance(one, Judged) and one.what == "added"
        ]
        if added:
            session.execute(insert(TaxBoundary), added)
        for one in batch:
            if isinstance(one, Judged) and one.what in ("ended", "changed"):
                _set_end(session, one.stored_id, one.row.ends_on)
                changed.append([one.stored_id, iso(one.was), iso(one.row.ends_on)])
    return walk, {"added": walk.counts.get("added", 0), "changed": changed}


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
