"""The list of a mall's leases: its columns, what it is sorted by and what narrows it."""

from __future__ import annotations

from datetime import date

from coop.core.csv_text import defused
from coop.core.listing import Column, Listing, OneOf, Words
from coop.core.money import format_cents
from coop.leases.wording import STATES
from coop.office.lease_queries import LeaseRow

RUNNING = "running"
"""Every lease that has not ended."""


def _cents(amount_cents: int) -> str:
    return format_cents(amount_cents, grouped=False)


def _states(row: LeaseRow) -> tuple[str, ...]:
    return (row.state,) if row.state == "ended" else (row.state, RUNNING)


LEASES: Listing[LeaseRow] = Listing(
    columns=(
        Column("lease", "Lease", lambda row: str(row.lease.id)),
        Column("dealer", "Dealer", lambda row: defused(row.dealer_code), by=lambda row: row.dealer_code),
        Column("name", "Name", lambda row: defused(row.dealer_name)),
        Column("state", "State", lambda row: row.words, by=lambda row: list(STATES).index(row.state)),
        Column("spaces", "Spaces", lambda row: defused(row.spaces), by=lambda row: row.spaces or "~"),
        Column("starts", "From", lambda row: row.lease.starts_on.isoformat(), by=lambda row: row.lease.starts_on),
        Column("until", "Until", lambda row: row.until.isoformat() if row.until else "", by=lambda row: row.until or date.max),
        Column("signed", "Signed", lambda row: row.lease.signed_on.isoformat() if row.lease.signed_on else ""),
        Column("rent", "Rent this month", lambda row: _cents(row.rent_cents), by=lambda row: row.rent_cents, amount=True),
        Column("deposit", "Deposit held", lambda row: _cents(row.deposit_cents), by=lambda row: row.deposit_cents, amount=True),
        Column("late", "Late", lambda row: _cents(row.late_cents), by=lambda row: row.late_cents, amount=True),
    ),
    usual="dealer",
    filters=(
        Words("find", "Dealer or space", of=lambda row: (f"{row.dealer_code} {row.dealer_name} {row.spaces}",)),
        OneOf("state", "State", ((RUNNING, "all that have not ended"), *STATES.items()), of=_states),
        OneOf("zone", "Zone", (), of=lambda row: row.zones),
    ),
    usually={"state": RUNNING},
)
