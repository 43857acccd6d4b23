"""What the books can say of themselves: the trial balance, every entry against its proof and month, and every seal."""

from __future__ import annotations

from sqlalchemy import case, func, or_, select, true
from sqlalchemy.orm import Session

from coop.books.domain.entries import GENESIS, seal_hash
from coop.books.models import Entry, EntryProof, Period, Posting, Seal
from coop.books.service import sealed_entries
from coop.core.money import format_cents
from coop.core.periods import Month


def check_trial_balance(session: Session, period_id: int | None = None) -> list[str]:
    """Faults of the trial balance, of all the books or of one period: its sum, every entry against its proof and month."""
    faults_found = []
    within = true() if period_id is None else Entry.period_id == period_id
    sum_of = select(func.coalesce(func.sum(Posting.amount_cents), 0))
    if period_id is not None:
        sum_of = sum_of.join(Entry, Entry.id == Posting.entry_id).where(within)
    total = int(session.scalar(sum_of) or 0)  # PostgreSQL adds up integers into a numeric.
    if total:
        faults_found.append(f"The trial balance is off by {format_cents(total)}.")
    balance, count = func.coalesce(func.sum(Posting.amount_cents), 0), func.count(Posting.id)
    debits = func.coalesce(func.sum(case((Posting.amount_cents > 0, Posting.amount_cents), else_=0)), 0)
    wrong = session.execute(
        select(Entry.id, balance, count, debits, EntryProof.debits_cents)
        .outerjoin(Posting, Posting.entry_id == Entry.id)
        .outerjoin(EntryProof, EntryProof.entry_id == Entry.id)
        .where(within)
        .group_by(Entry.id, EntryProof.entry_id, EntryProof.postings, EntryProof.debits_cents)
        .having(or_(balance != 0, count < 2, count != EntryProof.postings, debits != EntryProof.debits_cents))
        .order_by(Entry.id)
        .limit(20)
    )
    for entry_id, off, postings, debit, proved in wrong:
        if off or postings < 2:
            faults_found.append(f"Entry {entry_id} has {postings} postings and is off by {format_cents(int(off))}.")
        else:
            faults_found.append(
                f"Entry {entry_id} was posted with debits of {format_cents(proved)} and now has {format_cents(int(debit))}."
            )
    astray = session.scalars(
        select(Entry.id)
        .join(Period, Period.id == Entry.period_id)
        .where(
            within,
            Entry.mall_id.is_distinct_from(Period.mall_id) | ~Entry.business_date.between(Period.first_day, Period.last_day),
        )
        .order_by(Entry.id)
        .limit(20)
    )
    faults_found += [f"Entry {entry_id} stands in a month that is not of its mall and date." for entry_id in astray]
    unproved = session.scalar(
        select(func.count())
        .select_from(Entry)
        .outerjoin(EntryProof, EntryProof.entry_id == Entry.id)
        .where(within, EntryProof.entry_id.is_(None))
    )
    if unproved:
        faults_found.append(f"{unproved} entries have no proof of balance.")
    return faults_found


def check_seals(session: Session) -> list[str]:
    """Recompute every seal and the chains; a sentence for each that does not hold."""
    faults_found = []
    last: dict[str, Seal] = {}
    for seal in session.scalars(select(Seal).order_by(Seal.chain, Seal.number)).all():
        before = last.get(seal.chain)
        name = f"Seal {seal.number} of {seal.chain}"
        if seal.number != (before.number + 1 if before else 1):
            faults_found.append(f"{name}: the seal before it is missing.")
        if seal.previous_sha256 != (before.sha256 if before else GENESIS):
            faults_found.append(f"{name} does not follow the seal before it.")
        digest, count, debits = seal_hash(
            seal.previous_sha256,
            sealed_entries(session, seal.period_id, seal.after_entry_id, seal.last_entry_id),
        )
        if (count, debits) != (seal.entries, seal.debits_cents):
            faults_found.append(
                f"{name} covered {seal.entries} entries with debits of {format_cents(seal.debits_cents)}; "
                f"there are now {count} with {format_cents(debits)}."
            )
        elif digest != seal.sha256:
            faults_found.append(f"{name}: an entry it covers was changed.")
        last[seal.chain] = seal
    # By count, so that an entry slipped in under a number already passed is missed too.
    sealed = (
        select(Seal.period_id, func.sum(Seal.entries).label("n"), func.max(Seal.last_entry_id).label("last"))
        .group_by(Seal.period_id)
        .subquery()
    )
    under_seal = func.coalesce(sealed.c.n, 0)
    unsealed = session.execute(
        select(Period.first_day, Period.state, func.count(Entry.id), under_seal)
        .join(Entry, Entry.period_id == Period.id)
        .outerjoin(sealed, sealed.c.period_id == Period.id)
        .where(or_(Period.state == "closed", Entry.id <= sealed.c.last))
        .group_by(Period.id, Period.first_day, Period.state, sealed.c.n)
        .having(func.count(Entry.id) != under_seal)
        .order_by(Period.id)
    )
    for first_day, state, entries, covered in unsealed:
        stands = "is closed with" if state == "closed" else "has, up to its last seal,"
        faults_found.append(f"{Month.of(first_day).name} {stands} {entries} entries, of which {covered} are under a seal.")
    shut = or_(Period.closed_at.is_not(None), Period.id.in_(select(Seal.period_id).where(Seal.reason == "close")))
    opened = session.scalars(select(Period.first_day).where(Period.state == "open", shut).order_by(Period.id))
    return faults_found + [f"{Month.of(first_day).name} was closed and is open again." for first_day in opened]


def check_books(session: Session) -> list[str]:
    """Everything the books can say of themselves; empty when they hold."""
    return check_trial_balance(session) + check_seals(session)
