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
from decimal import Decimal
from typing import Any, BinaryIO, Literal

from sqlalchemy import delete, exists, func, insert, select, text, update
from sqlalchemy.orm import Session, undefer

from coop.books.service import ensure_account
from coop.core import audit
from coop.core.db import dialect_name
from coop.core.errors import Refusal
from coop.core.jobs import Job
from coop.tax.boundaries import Judged, Walk, apply_boundaries, day, iso, judge_boundaries, not_in_file, undo_boundaries
from coop.tax.domain.boundary_files import BoundaryRow
from coop.tax.domain.proposals import Changed, Proposal, propose_rates
from coop.tax.domain.rate_files import RATE_CLASSES, FileRefused, Place, RateRow, RatesRead, RefusedRow, read_rates
from coop.tax.domain.ticket_json import plain_percent
from coop.tax.models import Jurisdiction, TaxBoundary, TaxCharged, TaxImport, TaxPlaceJurisdiction, TaxRate, TaxRule, TaxSetting
from coop.tax.queries import place_of

Kind = Literal["rates", "boundary"]
SHOWN = 500
"""Sentences of one sort that a proposal keeps; its counts are of all."""
COUNTED = ("added", "ended", "changed", "unchanged", "overlapping", "refused", "not_in_file")
CHUNK = 5000


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
        work.done = _apply_rates(session, _propose_rates(session, lines_of(work.content)))
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
        _undo_rates(session, work.done)
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
            return _show_rates(_propose_rates(session, lines_of(content)))
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


# --- rates --------------------------------------------------------------------------------------------------------------------


def _stored(session: Session, states: Iterable[str]) -> dict[RateRow, int]:
    """The stored rows of these states that a file could have, without row numbers, and their ids."""
    rows = session.execute(
        select(TaxRate, Jurisdiction)
        .join(Jurisdiction, Jurisdiction.id == TaxRate.jurisdiction_id)
        .where(Jurisdiction.state_fips.in_(states), Jurisdiction.fips.is_not(None), TaxRate.tax_class.in_(RATE_CLASSES))
        .order_by(TaxRate.id)
    )
    return {RateRow(place_of(j), rate.tax_class, rate.percent, rate.starts_on, rate.ends_on): rate.id for rate, j in rows}


def _propose_rates(session: Session, lines: Iterable[bytes]) -> Proposal[RateRow]:
    read = _storable(read_rates(lines))
    stored = _stored(session, {row.place.state for row in read.rows})
    proposal = propose_rates(stored, read)
    faults = _against_tickets(session, stored, [*proposal.ended, *proposal.changed])
    if not faults:
        return proposal
    # Of a jurisdiction and class where one row cannot be, none is taken: the others would stand beside what it leaves.
    touched = {row.row for row in proposal.added if (row.place, row.tax_class) in faults}
    touched |= {c.now.row for c in (*proposal.ended, *proposal.changed) if (c.now.place, c.now.tax_class) in faults}
    kept = tuple(row for row in read.rows if row.row not in touched or (row.place, row.tax_class) not in faults)
    refused = [
        RefusedRow(row.row, faults[row.place, row.tax_class])
        for row in read.rows
        if row.row in touched and (row.place, row.tax_class) in faults
    ]
    return propose_rates(stored, RatesRead(kept, (*read.refused, *refused)))


def _storable(read: RatesRead) -> RatesRead:
    """The rows without those that a rate row or a jurisdiction here could not hold."""
    refused: dict[int, str] = {}
    for row in read.rows:
        if row.percent != round(row.percent, 6):
            refused[row.row] = f"has a rate of {row.percent} percent: more than six decimals."
        elif row.place.code != row.place.code.upper():
            refused[row.row] = f"has the jurisdiction {row.place.code!r}: write its letters as capitals."
    kept = tuple(row for row in read.rows if row.row not in refused)
    return RatesRead(kept, (*read.refused, *(RefusedRow(*item) for item in refused.items())))


def _against_tickets(
    session: Session, stored: dict[RateRow, int], changes: Sequence[Changed[RateRow]]
) -> dict[tuple[Place, str], str]:
    """By jurisdiction and class: why its stored rate cannot change so, since tickets were taxed at it."""
    used = _last_uses(session, [stored[change.was] for change in changes])
    faults: dict[tuple[Place, str], str] = {}
    for was, now in changes:
        last = used.get(stored[was])
        if last is None:
            continue
        whose = f"the {was.tax_class} rate of {was.place} held from {was.starts_on}, at which tickets were taxed"
        if was.percent != now.percent:
            reason = f"changes {whose}: end that rate by hand and set the new one from its day."
        elif now.ends_on is not None and now.ends_on < last:
            reason = f"ends {whose}, the last on {last}, already on {now.ends_on}: end it by hand, then or later."
        else:
            continue
        faults[was.place, was.tax_class] = reason
    return faults


def _last_uses(session: Session, rate_ids: Sequence[int]) -> dict[int, date]:
    """The last day a ticket was taxed at each of these rates; those of none are absent."""
    found: dict[int, date] = {}
    last = func.max(func.coalesce(TaxCharged.sold_on, TaxCharged.posting_date))
    for at in range(0, len(rate_ids), CHUNK):
        rows = (
            select(TaxCharged.rate_id, last).where(TaxCharged.rate_id.in_(rate_ids[at : at + CHUNK])).group_by(TaxCharged.rate_id)
        )
        found.update((rate_id, on) for rate_id, on in session.execute(rows))
    return found


def _show_rates(proposal: Proposal[RateRow]) -> dict[str, Any]:
    counts = {what: len(getattr(proposal, what)) for what in COUNTED}
    counts["jurisdictions"] = len({row.place for row in (*proposal.added, *proposal.unchanged)})
    changes = {
        what: [f"{_rate_sentence(c.was)}; now {_rate_terms(c.now)}" for c in list(getattr(proposal, what))[:SHOWN]]
        for what in ("ended", "changed")
    }
    return {
        "counts": counts,
        "added": [_rate_sentence(row) for row in proposal.added[:SHOWN]],
        **changes,
        "overlapping": [overlap.sentence for overlap in proposal.overlapping[:SHOWN]],
        "refused": [list(row) for row in proposal.refused[:SHOWN]],
    }


def _rate_sentence(row: RateRow) -> str:
    return f"{row.place}, {row.tax_class}: {_rate_terms(row)}"


def _rate_terms(row: RateRow) -> str:
    return f"{plain_percent(row.percent)}% from {row.starts_on} {f'to {row.ends_on}' if row.ends_on else 'on'}"


def _apply_rates(session: Session, proposal: Proposal[RateRow]) -> dict[str, Any]:
    states = {row.place.state for row in proposal.added} | {c.was.place.state for c in (*proposal.ended, *proposal.changed)}
    stored = _stored(session, states)
    changes = [
        (stored[was], (was.percent, was.ends_on), (now.percent, now.ends_on)) for was, now in (*proposal.ended, *proposal.changed)
    ]
    _move(session, changes)
    known, made = _jurisdictions(session, states, dict.fromkeys(row.place for row in proposal.added))
    added = [
        {
            "jurisdiction_id": known[row.place],
            "tax_class": row.tax_class,
            "percent": row.percent,
            "starts_on": row.starts_on,
            "ends_on": row.ends_on,
        }
        for row in proposal.added
    ]
    ids = session.scalars(insert(TaxRate).returning(TaxRate.id, sort_by_parameter_order=True), added).all() if added else []
    return {
        "added": [[rate_id, str(row.percent), iso(row.ends_on)] for rate_id, row in zip(ids, proposal.added, strict=True)],
        "changed": [[rate_id, str(was[0]), iso(was[1]), str(now[0]), iso(now[1])] for rate_id, was, now in changes],
        "jurisdictions": made,
    }


Value = tuple[Decimal, date | None]


def _move(session: Session, changes: Iterable[tuple[int, Value, Value]]) -> None:
    """Rates from one percent and end to another. First days stay, so in whatever order this is done no two ever overlap."""
    for rate_id, _, (percent, ends_on) in changes:
        session.execute(update(TaxRate).where(TaxRate.id == rate_id).values(percent=percent, ends_on=ends_on))


def _jurisdictions(session: Session, states: Iterable[str], places: Iterable[Place]) -> tuple[dict[Place, int], list[int]]:
    """Ids of all jurisdictions of these states by place, those that were not there made; and the ids of the made.

    Until one taxes a mall it shares its state's account: a state's file has thousands, a mall a handful.
    """
    known = {
        place_of(j): j.id
        for j in session.scalars(select(Jurisdiction).where(Jurisdiction.state_fips.in_(states), Jurisdiction.fips.is_not(None)))
    }
    fresh = [place for place in places if place not in known]
    rows = [
        {
            "code": jurisdiction_code(place),
            "name": f"{place.kind.capitalize()} {place.code}" + ("" if place.kind == "state" else f" of state {place.state}"),
            "kind": place.kind,
            "account_id": ensure_account(session, f"Liabilities:Tax:US-{place.state}", "tax"),
            "state_fips": place.state,
            "fips": place.code,
        }
        for place in fresh
    ]
    if not rows:
        return known, []
    ids = list(session.scalars(insert(Jurisdiction).returning(Jurisdiction.id, sort_by_parameter_order=True), rows))
    return known | dict(zip(fresh, ids, strict=True)), ids


def jurisdiction_code(place: Place) -> str:
    """`US-55`, `US-55-COUNTY-079`: the code of a jurisdiction that came with a file, and of its account."""
    return f"US-{place.code}" if place.kind == "state" else f"US-{place.state}-{place.kind.upper()}-{place.code}"


def _undo_rates(session: Session, done: dict[str, Any]) -> None:
    changes = [
        (rate_id, (Decimal(now), day(now_end)), (Decimal(was), day(was_end)))
        for rate_id, was, was_end, now, now_end in done["changed"]
    ]
    added = {rate_id: (Decimal(percent), day(ends_on)) for rate_id, percent, ends_on in done["added"]}
    expected = added | {rate_id: now for rate_id, now, _ in changes}
    found: dict[int, Value] = {}
    ids = list(expected)
    for at in range(0, len(ids), CHUNK):
        query = select(TaxRate.id, TaxRate.percent, TaxRate.ends_on).where(TaxRate.id.in_(ids[at : at + CHUNK]))
        found.update((rate_id, (percent, ends_on)) for rate_id, percent, ends_on in session.execute(query))
    if found != expected:
        raise Refusal("Rates of this import have changed since: undo the later import, or put the rates back, first.")
    used = _last_uses(session, ids)
    if used.keys() & added.keys():
        raise Refusal("Tickets were taxed at rates of this import: it stays. End or change single rates by hand.")
    for rate_id, (now_percent, _), (percent, ends_on) in changes:
        last = used.get(rate_id)
        if last is not None and (percent != now_percent or (ends_on is not None and ends_on < last)):
            raise Refusal("Tickets were taxed at rates that this import changed: it stays. Change single rates by hand.")
    made = done["jurisdictions"]
    for table in (TaxPlaceJurisdiction, TaxRule, TaxSetting):
        if _any_of(session, table, made):
            raise Refusal("A place, a rule or a setting uses a jurisdiction of this import: it stays. Change that first.")
    for at in range(0, len(ids), CHUNK):
        session.execute(delete(TaxRate).where(TaxRate.id.in_([i for i in ids[at : at + CHUNK] if i in added])))
    _move(session, changes)
    others = {
        jurisdiction_id for at in range(0, len(made), CHUNK) for jurisdiction_id in _with_rates(session, made[at : at + CHUNK])
    }
    for at in range(0, len(made), CHUNK):
        gone = [jurisdiction_id for jurisdiction_id in made[at : at + CHUNK] if jurisdiction_id not in others]
        session.execute(delete(Jurisdiction).where(Jurisdiction.id.in_(gone)))


def _with_rates(session: Session, jurisdiction_ids: Sequence[int]) -> Iterable[int]:
    return session.scalars(select(TaxRate.jurisdiction_id).where(TaxRate.jurisdiction_id.in_(jurisdiction_ids)).distinct())


def _any_of(
    session: Session, table: type[TaxPlaceJurisdiction] | type[TaxRule] | type[TaxSetting], jurisdiction_ids: Sequence[int]
) -> bool:
    return any(
        session.scalar(select(func.count()).where(table.jurisdiction_id.in_(jurisdiction_ids[at : at + CHUNK])))
        for at in range(0, len(jurisdiction_ids), CHUNK)
    )
