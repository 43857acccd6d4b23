"""Rates of a file against those that are stored: compared, shown, applied, taken back. `importing` keeps the files."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from itertools import chain
from typing import Any

from sqlalchemy import delete, func, insert, select, update
from sqlalchemy.orm import Session

from coop.books.accounts import ensure_account
from coop.core.errors import Refusal
from coop.core.money import format_decimal
from coop.tax.boundaries import day, iso
from coop.tax.domain.own_rates import is_heading, read_own_rates
from coop.tax.domain.proposals import Changed, Proposal, propose_rates
from coop.tax.domain.rate_files import RATE_CLASSES, Place, RateRow, RatesRead, RefusedRow, read_rates
from coop.tax.domain.rules import Span
from coop.tax.models import Jurisdiction, TaxCharged, TaxPlaceJurisdiction, TaxRate, TaxRule, TaxSetting
from coop.tax.queries import place_of
from coop.tax.taxed_days import days_left, last_ticket_there

SHOWN = 500
"""Sentences of one sort that a proposal keeps; its counts are of all."""
COUNTED = ("added", "ended", "changed", "unchanged", "overlapping", "refused", "not_in_file")
CHUNK = 5000


def _read(lines: Iterable[bytes]) -> RatesRead:
    """A file of rates: a state's, or the co-op's own, known by its heading."""
    every = iter(lines)
    first = next(every, b"")
    whole = chain([first] if first else [], every)
    return read_own_rates(whole) if is_heading(first) else read_rates(whole)


def _stored(session: Session, read: RatesRead) -> dict[RateRow, int]:
    """The stored rows of a file's states that it could have, without row numbers, and their ids."""
    states, classes = {row.place.state for row in read.rows}, {*RATE_CLASSES, *(row.tax_class for row in read.rows)}
    rows = session.execute(
        select(TaxRate, Jurisdiction)
        .join(Jurisdiction, Jurisdiction.id == TaxRate.jurisdiction_id)
        .where(Jurisdiction.state_fips.in_(states), Jurisdiction.fips.is_not(None), TaxRate.tax_class.in_(classes))
        .order_by(TaxRate.id)
    )
    return {RateRow(place_of(j), rate.tax_class, rate.percent, rate.starts_on, rate.ends_on): rate.id for rate, j in rows}


def propose_rates_of(session: Session, lines: Iterable[bytes]) -> Proposal[RateRow]:
    """What a file of rates would do to those that are stored."""
    return _compared(session, _storable(_read(lines)))


def _compared(session: Session, read: RatesRead) -> Proposal[RateRow]:
    stored = _stored(session, read)
    proposal = propose_rates(stored, read)
    faults = _against_tickets(session, stored, [*proposal.ended, *proposal.changed])
    faults |= _over_taxed_days(session, stored, proposal)
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
    return replace(read, rows=kept, refused=(*read.refused, *(RefusedRow(*item) for item in refused.items())))


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


def _over_taxed_days(session: Session, stored: Iterable[RateRow], proposal: Proposal[RateRow]) -> dict[tuple[Place, str], str]:
    """By jurisdiction and class: why it cannot have a rate on days that it had none for the class, and tickets were taxed."""
    coming = [*proposal.added, *(change.now for change in (*proposal.ended, *proposal.changed))]
    states = {row.place.state for row in coming}
    taxing = select(TaxPlaceJurisdiction.jurisdiction_id)
    rows = select(Jurisdiction).where(Jurisdiction.state_fips.in_(states), Jurisdiction.id.in_(taxing))
    ids = {place_of(jurisdiction): jurisdiction.id for jurisdiction in session.scalars(rows)}
    held: dict[tuple[Place, str], list[Span]] = defaultdict(list)
    for row in stored:
        if row.place in ids:
            held[row.place, row.tax_class].append(Span(row.starts_on, row.ends_on))
    last: dict[tuple[Place, str], date] = {}
    for row in coming:
        if row.place in ids:
            key = (row.place, row.tax_class)
            for fresh in days_left(Span(row.starts_on, row.ends_on), held[key]):
                found = last_ticket_there(session, ids[row.place], fresh)
                if found is not None:
                    last[key] = max(found, last.get(key, found))
    return {
        (place, tax_class): f"gives {place} a {tax_class} rate on days that tickets were taxed without it, the last on {on}; "
        f"they keep their tax: begin it on {on + timedelta(days=1)} or later."
        for (place, tax_class), on in last.items()
    }


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


def show_rates(proposal: Proposal[RateRow]) -> dict[str, Any]:
    """A proposal as it is kept and shown: counts, and sentences of each sort."""
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
    return f"{format_decimal(row.percent)}% from {row.starts_on} {f'to {row.ends_on}' if row.ends_on else 'on'}"


def apply_rates(session: Session, lines: Iterable[bytes]) -> dict[str, Any]:
    """Do what a file of rates proposes; what `undo_rates` needs for taking it back."""
    read = _storable(_read(lines))
    proposal, stored = _compared(session, read), _stored(session, read)
    changes = [
        (stored[was], (was.percent, was.ends_on), (now.percent, now.ends_on)) for was, now in (*proposal.ended, *proposal.changed)
    ]
    _move(session, changes)
    known, made = _jurisdictions(session, dict.fromkeys(row.place for row in proposal.added), read.names)
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


def _jurisdictions(session: Session, places: Collection[Place], names: Mapping[Place, str]) -> tuple[dict[Place, int], list[int]]:
    """Ids of all jurisdictions of these places' states by place, those that were not there made; and the ids of the made.

    Until one taxes a mall it shares its state's account: a state's file has thousands, a mall a handful.
    """
    states = {place.state for place in places}
    known = {
        place_of(j): j.id
        for j in session.scalars(select(Jurisdiction).where(Jurisdiction.state_fips.in_(states), Jurisdiction.fips.is_not(None)))
    }
    fresh = [place for place in places if place not in known]
    rows = [
        {
            "code": jurisdiction_code(place),
            "name": names.get(place) or _plain_name(place),
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


def _plain_name(place: Place) -> str:
    return f"{place.kind.capitalize()} {place.code}" + ("" if place.kind == "state" else f" of state {place.state}")


def jurisdiction_code(place: Place) -> str:
    """`US-55`, `US-55-COUNTY-079`: the code of a jurisdiction that came with a file, and of its account."""
    return f"US-{place.code}" if place.kind == "state" else f"US-{place.state}-{place.kind.upper()}-{place.code}"


def undo_rates(session: Session, done: dict[str, Any]) -> None:
    """Take back what `apply_rates` did. Refuses when tickets, places or later changes stand on it."""
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
