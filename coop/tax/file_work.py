"""Large files in the background: read, applied in batches, undone; each may be left, stopped, and run twice.

    work = receive_file(session, now, "MNB.csv", stream, by=user_id)     # small: proposed at once; large: a job reads it
    start_applying(session, now, work.id, by=user_id); stop_applying(session, now, work.id)
    start_undoing(session, now, work.id, by=user_id)

While rows are written the import stays a proposal, and no place is found by them; the last transaction sets the ends and says
that it is applied. Stopped before, the rows are taken away again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Any, BinaryIO

from sqlalchemy import select
from sqlalchemy.orm import Session, undefer

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.job_groups import pending_in, retry_failed
from coop.core.jobs import Job, JobRun, long_job, name_job, short_job
from coop.tax.boundaries import Ends, Judged, Walk, add_rows, judge_batch, not_in_file, read_batches, remove_rows, set_ends
from coop.tax.domain.boundary_files import COLUMNS, BoundaryRow
from coop.tax.domain.own_rates import COLUMNS as OWN_COLUMNS
from coop.tax.domain.own_rates import is_heading
from coop.tax.domain.rate_files import FileRefused, RefusedRow
from coop.tax.importing import (
    CHANGED,
    ProposedFile,
    apply_import,
    group_of,
    keep_proposal,
    kind_of,
    lines_of,
    locked,
    note_applied,
    pack_file,
    proposal_of,
    require_applicable,
    show_boundaries,
    take_turn,
    undo_import,
)
from coop.tax.models import TaxBoundary, TaxImport
from coop.tax.rates import CHUNK

SMALL = 512 * 1024
"""Bytes, unpacked, that are read within a request."""
STOP = {"stop": True}
"""What `done` holds of a file that is being applied once somebody has asked to stop."""

# --- bringing in ----------------------------------------------------------------------------------------------------------


def receive_file(session: Session, now: datetime, file_name: str, file: BinaryIO, *, by: int | None = None) -> TaxImport:
    """A file as a proposal; a large one is named to a job that reads it. What kind it is its first row says, not its name.

    `file` can be read from its beginning. Refuses one that is neither of rates nor of boundaries.
    """
    kind = kind_of_rows(file)
    content, sha256 = pack_file(file)
    small = file.tell() <= SMALL
    proposal = proposal_of(session, kind, file_name, content) if small else {}
    work = keep_proposal(session, now, ProposedFile(kind, file_name[:200], sha256, content, proposal), by=by)
    if not small:
        _name(session, now, "tax.read", work.id)
    audit.record(session, now, "tax file read", "tax import", work.id, user_id=by, detail=work.file_name)
    return work


def kind_of_rows(file: BinaryIO) -> Any:
    """`rates` or `boundary`, by the first line; the file is put back to its beginning. Refuses what is neither."""
    first = file.readline(1 << 16)
    file.seek(0)
    if first.startswith((b"PK\x03\x04", b"\x1f\x8b")):
        raise Refusal("This file is packed: unpack it, and choose the CSV file that was in it.")
    if is_heading(first):
        return "rates"
    columns = first.count(b",") + 1
    if not first.strip():
        raise Refusal("This file is empty: choose the state's file again.")
    if columns not in (9, COLUMNS):
        raise Refusal(
            f"This is no file of rates or boundaries: its first row has {columns} columns. One of rates has 9, one of "
            f"boundaries {COLUMNS}, both without headings; the co-op's own begins with the heading {','.join(OWN_COLUMNS)}."
        )
    return "rates" if columns == 9 else "boundary"


def discard_import(session: Session, now: datetime, import_id: int, *, by: int | None = None) -> None:
    """Take a proposal away, or a file that is still being read. Refuses one that was applied, and one that is being applied."""
    work = locked(session, import_id)
    if work.state != "proposed":
        raise Refusal(f"{work.file_name} is no longer a proposal: it stays in the list.")
    under_way = work_on(session, import_id)
    if (under_way and under_way.pending and under_way.kind == "tax.apply") or halfway(session, import_id):
        raise Refusal(f"{work.file_name} is being applied: stop that first.")
    session.delete(work)
    audit.record(session, now, "tax file taken away", "tax import", import_id, user_id=by, detail=work.file_name)
    session.flush()


# --- naming the work ------------------------------------------------------------------------------------------------------


def start_applying(
    session: Session, now: datetime, import_id: int, *, by: int | None = None, without_refused: bool = False
) -> TaxImport:
    """Apply a proposal: rates at once, boundaries in the background. Asked again while it is under way, it changes nothing."""
    work = locked(session, import_id)
    if work.kind == "rates" or work.state == "applied":
        return apply_import(session, now, import_id, by=by, without_refused=without_refused)
    require_applicable(work, without_refused=without_refused)
    take_turn(session, import_id)
    if not pending_in(session, group_of(import_id)) and not retry_failed(session, now, group_of(import_id)):
        _name(session, now, "tax.apply", import_id, by=by)
    return work


def stop_applying(session: Session, now: datetime, import_id: int, *, by: int | None = None) -> TaxImport:
    """Ask the work on a file to stop; what it has written is taken away, and the file is a proposal as before."""
    work = locked(session, import_id)
    if halfway(session, import_id):
        retry_failed(session, now, group_of(import_id))
    if work.state != "proposed" or "counts" not in work.proposal or not pending_in(session, group_of(import_id)):
        raise Refusal(f"{work.file_name} is not being applied: there is nothing to stop.")
    work.done = STOP
    audit.record(session, now, "tax file stopped", "tax import", import_id, user_id=by, detail=work.file_name)
    session.flush()
    return work


def start_undoing(session: Session, now: datetime, import_id: int, *, by: int | None = None) -> TaxImport:
    """Undo an import: rates at once, boundaries in the background."""
    work = locked(session, import_id)
    if work.kind == "rates" or work.state != "applied":
        return undo_import(session, now, import_id, by=by)
    take_turn(session, import_id)
    if not pending_in(session, group_of(import_id)) and not retry_failed(session, now, group_of(import_id)):
        _name(session, now, "tax.undo", import_id, by=by)
    return work


def _name(session: Session, now: datetime, kind: str, import_id: int, **more: Any) -> None:
    name_job(session, now, kind, {"import_id": import_id, **more}, queue="imports", group_key=group_of(import_id))


# --- how it stands --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class FileWork:
    """The last work on a file: `kind` is tax.read, tax.apply or tax.undo; how far it is out of `total`; why it stopped."""

    kind: str
    pending: bool
    done: int
    total: int
    error: str


def work_on(session: Session, import_id: int) -> FileWork | None:
    """The last background work on a file that has not ended well; None when nothing is under way and nothing stopped."""
    job = session.scalar(select(Job).where(Job.group_key == group_of(import_id)).order_by(Job.id.desc()).limit(1))
    if job is None or job.state == "done":
        return None
    pending = job.state in ("queued", "running")
    return FileWork(job.kind, pending, job.progress_done, job.progress_total, "" if pending else job.error)


def halfway(session: Session, import_id: int) -> bool:
    """Whether a proposal has rows already: its applying is under way, or stopped without a word."""
    written = select(TaxBoundary.id).join(TaxImport, TaxImport.id == TaxBoundary.import_id)
    return session.scalar(written.where(TaxImport.id == import_id, TaxImport.state == "proposed").limit(1)) is not None


# --- the work -------------------------------------------------------------------------------------------------------------


class _Stopped(Exception):
    """Somebody asked to stop, or the file is a proposal no longer."""


@contextmanager
def _held(run: JobRun, import_id: int) -> Iterator[tuple[Session, TaxImport]]:
    """A transaction that holds the import, as long as it is a proposal nobody has asked to stop. Raises _Stopped."""
    with run.transaction() as session:
        work = session.scalar(
            select(TaxImport).where(TaxImport.id == import_id).options(undefer(TaxImport.done)).with_for_update()
        )
        if work is None or work.state != "proposed" or work.done == STOP:
            raise _Stopped
        yield session, work


def _content(run: JobRun, import_id: int) -> TaxImport:
    with _held(run, import_id) as (session, work):
        session.refresh(work, ["content"])
        return work


@long_job("tax.read", queue="imports")
def _read(run: JobRun, args: dict[str, Any]) -> None:
    import_id: int = args["import_id"]
    try:
        work = _content(run, import_id)
        proposal = _proposed(run, work)
        with _held(run, import_id) as (session, there):
            there.proposal = proposal
            run.finish(session)
    except _Stopped:
        with run.transaction() as session:
            run.finish(session)


def _proposed(run: JobRun, work: TaxImport) -> dict[str, Any]:
    """What a file would do, read in short transactions."""
    if work.kind == "rates":
        with _held(run, work.id) as (session, _):
            return proposal_of(session, kind_of(work), work.file_name, work.content)
    walk = Walk()
    size = len(work.content)

    def judged() -> Iterator[Sequence[Judged | RefusedRow]]:
        for batch, at in _batches(work, walk):
            with _held(run, work.id) as (session, _):
                found = judge_batch(session, batch, walk, ours=work.id)
                run.progress(at, size, session)
            yield found

    def kept() -> int:
        with _held(run, work.id) as (session, _):
            return not_in_file(session, walk)

    return show_boundaries(judged(), walk, kept)


def _batches(work: TaxImport, walk: Walk) -> Iterator[tuple[list[BoundaryRow | RefusedRow], int]]:
    """Batches of a file's rows, and how many packed bytes have been read by then. Refuses a file that is none."""
    lines: Any = lines_of(work.content)
    try:
        for batch in read_batches(lines, walk):
            yield batch, lines.fileobj.tell()
    except FileRefused as error:
        raise Refusal(f"{work.file_name}: {error}") from error


@long_job("tax.apply", queue="imports")
def _apply(run: JobRun, args: dict[str, Any]) -> None:
    """Judge the whole file again; write what it adds, a batch a transaction; then set the ends and mark it applied, in one."""
    import_id: int = args["import_id"]
    try:
        work = _content(run, import_id)
        if _proposed(run, work) != work.proposal:
            raise Refusal(CHANGED)
        walk = Walk()
        ends: list[Ends] = []
        for batch, at in _batches(work, walk):
            with _held(run, import_id) as (session, _):
                ends += add_rows(session, judge_batch(session, batch, walk, ours=import_id), import_id)
                run.progress(at, len(work.content), session)
        with _held(run, import_id) as (session, there):
            there.done = {"added": walk.counts.get("added", 0), "changed": set_ends(session, ends)}
            note_applied(session, run.clock(), there, by=args.get("by"))
            run.finish(session)
    except _Stopped:
        _take_back(run, import_id, finish=True)
    except Refusal:
        _take_back(run, import_id, finish=False)
        raise


def _take_back(run: JobRun, import_id: int, *, finish: bool) -> None:
    """Take away what a stopped run had written; an import that is applied by now, or gone, is left as it is."""
    more = True
    while more:
        with run.transaction() as session:
            work = session.scalar(
                select(TaxImport).where(TaxImport.id == import_id).options(undefer(TaxImport.done)).with_for_update()
            )
            ours = work is not None and work.state == "proposed"
            more = ours and remove_rows(session, import_id, CHUNK) == CHUNK
            run.progress(0, 0, session)
            if not more and ours and work is not None:
                work.done = None
            if not more and finish:
                run.finish(session)


@short_job("tax.undo", queue="imports")
def _undo(session: Session, now: datetime, args: dict[str, Any]) -> None:
    undo_import(session, now, args["import_id"], by=args.get("by"))
