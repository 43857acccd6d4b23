"""Files of rates and boundaries: proposed without changing anything, applied whole or not at all, undone.

    proposed = propose_file(session, "rates", "WI.csv", file)     # reads; writes nothing
    work = keep_proposal(session, now, proposed)                   # for a person to look at
    apply_import(session, now, work.id); undo_import(session, now, work.id)

A rate that tickets were taxed at keeps its percent: a row that would change it is refused, and so is an end before such a ticket.
Put those right with `coop.tax.service.change_rate`, which ends the rate and begins another.
"""

from __future__ import annotations

import gzip
import hashlib
import io
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, BinaryIO, Literal

from sqlalchemy import exists, select, text
from sqlalchemy.orm import Session, undefer

from coop.core import audit
from coop.core.db import dialect_name
from coop.core.errors import Refusal
from coop.core.jobs import Job
from coop.tax.boundaries import Judged, Walk, apply_boundaries, judge_boundaries, not_in_file, undo_boundaries
from coop.tax.domain.boundary_files import BoundaryRow
from coop.tax.domain.rate_files import FileRefused, RefusedRow
from coop.tax.models import TaxBoundary, TaxImport
from coop.tax.rates import COUNTED, SHOWN, apply_rates, propose_rates_of, show_rates, undo_rates

Kind = Literal["rates", "boundary"]


@dataclass(frozen=True)
class ProposedFile:
    """A file read and compared. `proposal` is `{"counts": {...}, "added": [sentences], ..., "refused": [[row, reason], ...]}`."""

    kind: Kind
    file_name: str
    sha256: str
    content: bytes
    proposal: dict[str, Any]

    @property
    def does_nothing(self) -> bool:
        return not any(self.proposal["counts"][what] for what in ("added", "ended", "changed"))


def propose_file(session: Session, kind: Kind, file_name: str, file: BinaryIO) -> ProposedFile:
    """What a file would do to what is stored. Writes nothing. Refuses a file that is none of its kind."""
    content, sha256 = pack_file(file)
    return ProposedFile(kind, file_name[:200], sha256, content, proposal_of(session, kind, file_name, content))


def pack_file(file: BinaryIO) -> tuple[bytes, str]:
    """A file as it is kept, gzip, and the SHA-256 of what it was."""
    packed, digest = io.BytesIO(), hashlib.sha256()
    with gzip.GzipFile(fileobj=packed, mode="wb", mtime=0) as pack:
        while chunk := file.read(1 << 20):
            digest.update(chunk)
            pack.write(chunk)
    return packed.getvalue(), digest.hexdigest()


def keep_proposal(session: Session, now: datetime, proposed: ProposedFile, *, by: int | None = None) -> TaxImport:
    """The proposal as a row, for a person to look at; the file is kept with it, so that what she saw is what is applied."""
    work = TaxImport(
        kind=proposed.kind,
        file_name=proposed.file_name,
        sha256=proposed.sha256,
        content=proposed.content,
        state="proposed",
        proposal=proposed.proposal,
        proposed_by=by,
        proposed_at=now,
    )
    session.add(work)
    session.flush()
    return work


def apply_import(
    session: Session, now: datetime, import_id: int, *, by: int | None = None, without_refused: bool = False
) -> TaxImport:
    """Do what was proposed, all of it. Applied already, it changes nothing.

    Refuses a proposal with refused rows unless the others are asked for (`without_refused`), and one whose ground has changed.
    """
    take_turn(session, import_id)
    work = locked(session, import_id)
    if work.state == "applied":
        return work
    require_applicable(work, without_refused=without_refused)
    if proposal_of(session, kind_of(work), work.file_name, work.content) != work.proposal:
        raise Refusal(CHANGED)
    if work.kind == "rates":
        work.done = apply_rates(session, lines_of(work.content))
    else:
        _, work.done = apply_boundaries(session, lines_of(work.content), work.id)
    note_applied(session, now, work, by=by)
    return work


CHANGED = "What is stored has changed since this was proposed: propose the file again, and look at it again."


def require_applicable(work: TaxImport, *, without_refused: bool) -> None:
    """Refuses to apply what was undone or never read, and refused rows that nobody asked to leave out."""
    if work.state == "undone":
        raise Refusal(f"Import {work.id} was undone: bring the file in again to propose it anew.")
    if "counts" not in work.proposal:
        raise Refusal(f"{work.file_name} has not been read to its end: wait until its proposal is here, or bring it in again.")
    refused = work.proposal["counts"]["refused"]
    if refused and not without_refused:
        row, reason = work.proposal["refused"][0]
        what = "1 row is refused" if refused == 1 else f"{refused} rows are refused"
        raise Refusal(
            f"{what} (row {row} {reason}) Nothing is applied: mend the file, or ask for the other rows without the refused."
        )


def note_applied(session: Session, now: datetime, work: TaxImport, *, by: int | None) -> None:
    work.state, work.applied_at, work.applied_by = "applied", now, by
    audit.record(session, now, "tax.import-applied", "tax_import", work.id, user_id=by, detail=work.file_name)
    session.flush()


TURN = 0x7461_7866
"""The advisory lock of whoever applies or undoes a file."""
WORK = ("tax.apply", "tax.undo")
"""Kinds of jobs that apply and undo files."""


def take_turn(session: Session, import_id: int) -> None:
    """Files are applied and undone one at a time: two at once would each be judged without what the other does.

    Refuses while another is at it, in this transaction's sight or out of it, and while one has stopped halfway.
    """
    if dialect_name(session) == "postgresql" and not session.scalar(text(f"SELECT pg_try_advisory_xact_lock({TURN})")):
        raise Refusal("Somebody is applying or undoing another file at this moment: try again when that is done.")
    for group in session.scalars(select(Job.group_key).where(Job.kind.in_(WORK), Job.state.in_(("queued", "running")))):
        if group is not None and group != group_of(import_id):
            raise Refusal("Another file is being applied or undone: try again when that is done.")
    halfway = session.scalar(
        select(TaxImport.file_name)
        .where(TaxImport.state == "proposed", TaxImport.id != import_id)
        .where(exists().where(TaxBoundary.import_id == TaxImport.id))
        .limit(1)
    )
    if halfway is not None:
        raise Refusal(f"{halfway} was applied in part and has stopped: go on with that file, or give it up, first.")


def group_of(import_id: int) -> str:
    """The group of the jobs that read, apply and undo a file."""
    return f"tax-import:{import_id}"


def undo_import(session: Session, now: datetime, import_id: int, *, by: int | None = None) -> TaxImport:
    """Everything as it was before the import. Undone already, it changes nothing.

    Refuses when tickets were taxed at its rates, when a place uses its jurisdictions, when something has changed since.
    """
    take_turn(session, import_id)
    work = locked(session, import_id)
    if work.state == "undone":
        return work
    if work.state != "applied" or work.done is None:
        raise Refusal(f"Import {import_id} was not applied: there is nothing to undo.")
    if work.kind == "rates":
        undo_rates(session, work.done)
    else:
        later = select(TaxImport.done).where(
            TaxImport.kind == "boundary", TaxImport.state == "applied", TaxImport.id != work.id, TaxImport.done.is_not(None)
        )
        later = later.where(TaxImport.applied_at >= work.applied_at)
        undo_boundaries(session, work.id, work.done, [done for done in session.scalars(later) if done])
    work.state, work.undone_at, work.undone_by = "undone", now, by
    audit.record(session, now, "tax.import-undone", "tax_import", work.id, user_id=by, detail=work.file_name)
    session.flush()
    return work


def locked(session: Session, import_id: int) -> TaxImport:
    """An import with its file, held for this transaction."""
    work = session.scalar(
        select(TaxImport)
        .where(TaxImport.id == import_id)
        .options(undefer(TaxImport.content), undefer(TaxImport.done))
        .with_for_update()
        .execution_options(populate_existing=True)
    )
    if work is None:
        raise Refusal(f"There is no import {import_id}.")
    return work


def kind_of(work: TaxImport) -> Kind:
    return "rates" if work.kind == "rates" else "boundary"


def lines_of(content: bytes) -> Iterable[bytes]:
    return gzip.GzipFile(fileobj=io.BytesIO(content))


def proposal_of(session: Session, kind: Kind, file_name: str, content: bytes) -> dict[str, Any]:
    """What a kept file would do to what is stored now. Refuses a file that is none of its kind."""
    try:
        if kind == "rates":
            return show_rates(propose_rates_of(session, lines_of(content)))
        walk = Walk()
        return show_boundaries(judge_boundaries(session, lines_of(content), walk), walk, lambda: not_in_file(session, walk))
    except FileRefused as error:
        raise Refusal(f"{file_name}: {error}") from error


# --- boundaries ---------------------------------------------------------------------------------------------------------------


def show_boundaries(batches: Iterable[Sequence[Judged | RefusedRow]], walk: Walk, kept: Callable[[], int]) -> dict[str, Any]:
    """The proposal of a file's judged rows; `kept` counts, after the last, those it does not have."""
    shown: dict[str, list[Any]] = {"added": [], "ended": [], "changed": [], "refused": []}
    for batch in batches:
        for one in batch:
            what = "refused" if isinstance(one, RefusedRow) else one.what
            if what in shown and len(shown[what]) < SHOWN:
                shown[what].append(list(one) if isinstance(one, RefusedRow) else _boundary_sentence(one))
    counts = {what: walk.counts.get(what, 0) for what in COUNTED} | {"addresses": walk.counts.get("addresses", 0)}
    return {"counts": counts | {"not_in_file": kept()}, **shown, "overlapping": []}


def _boundary_sentence(one: Judged) -> str:
    row: BoundaryRow = one.row
    span = row.low if row.low == row.high else f"{row.low} to {row.high}"
    what = f"{'ZIP' if row.record == 'Z' else 'ZIP+4'} {span} from {row.starts_on}: {', '.join(map(str, row.places))}"
    return what if one.what == "added" else f"{what}; {_ends(one.was)}, now {_ends(row.ends_on)}"


def _ends(on: date | None) -> str:
    return f"ended {on}" if on else "without an end"
