"""The list of members who work a mall's turns: its rows, its columns, what they are sorted by and what narrows them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from sqlalchemy.orm import Session

from coop.core.listing import Column, Listing, OneOf, Words
from coop.core.periods import Month
from coop.core.templating import day as written
from coop.floor.models import Mall
from coop.office.rota_house_queries import fact_said
from coop.shifts.domain.owed import Owed
from coop.shifts.models import TurnFact
from coop.shifts.owing import balances, owed_of_month, workers_of
from coop.shifts.people import fact_rows, helpers_of

KINDS = {
    "untrained": "not written down as trained",
    "keyless": "not written down with a key",
    "spared": "with an office, or exempt",
    "behind": "owing from before",
}


@dataclass(frozen=True)
class PersonRow:
    member_id: int
    name: str
    code: str
    trained: str
    """`yes`, `from Dec 1, 2026`, `until Dec 31, 2026`; empty: no. So are keys."""
    keys: str
    others: tuple[str, ...]
    """Offices and exemptions, in words."""
    helpers: tuple[str, ...]
    owed: Owed | None
    balance: Decimal

    @property
    def owes(self) -> Decimal:
        """Turns owed of this month."""
        return self.owed.turns if self.owed else Decimal(0)

    @property
    def kinds(self) -> tuple[str, ...]:
        """Those of KINDS that it is one of."""
        those = {"untrained": not self.trained, "keyless": not self.keys, "spared": bool(self.others), "behind": self.balance < 0}
        return tuple(kind for kind, is_one in those.items() if is_one)


def person_rows(session: Session, mall: Mall, today: date) -> list[PersonRow]:
    """Who takes part at a mall this month or the next, by code, with what turns go by."""
    month = Month.of(today)
    workers = {one.member_id: one for one in workers_of(session, mall, month.next)}
    workers |= {one.member_id: one for one in workers_of(session, mall, month)}
    facts = fact_rows(session, mall.id, today, date.max, member_ids=workers)
    helpers = helpers_of(session, today, member_ids=workers)
    owed, had = owed_of_month(session, mall, month), balances(session, [mall.id])
    rows = []
    for one in sorted(workers.values(), key=lambda one: one.dealer_code):
        own = facts.get(one.member_id, ())
        rows.append(
            PersonRow(
                one.member_id,
                one.name,
                one.dealer_code,
                _since(own, "trained", today),
                _since(own, "keys", today),
                tuple(fact_said(fact, today) for fact in own if fact.kind in ("office", "exempt")),
                tuple(helper.name for helper in helpers.get(one.member_id, ())),
                owed.get(one.member_id),
                had.get((mall.id, one.member_id), Decimal(0)),
            )
        )
    return rows


def _since(facts: Sequence[TurnFact], kind: str, today: date) -> str:
    fact = next((fact for fact in facts if fact.kind == kind), None)
    if fact is None:
        return ""
    begins = f"from {written(fact.starts_on)}" if fact.starts_on > today else ""
    ends = f"until {written(fact.ends_on)}" if fact.ends_on else ""
    return " ".join(said for said in (begins, ends) if said) or "yes"


PEOPLE: Listing[PersonRow] = Listing(
    columns=(
        Column("code", "Code", lambda row: row.code),
        Column("member", "Member", lambda row: row.name, by=lambda row: row.code),
        Column("trained", "Trained", lambda row: row.trained or "no", by=lambda row: (row.trained, row.code)),
        Column("keys", "Key", lambda row: row.keys or "no", by=lambda row: (row.keys, row.code)),
        Column("others", "Office or exempt", lambda row: "; ".join(row.others)),
        Column("helpers", "Helpers", lambda row: ", ".join(row.helpers)),
        Column("owes", "Owes", lambda row: f"{row.owes:f}", by=lambda row: row.owes, amount=True),
        Column("balance", "Balance", lambda row: f"{row.balance:f}", by=lambda row: row.balance, amount=True),
    ),
    usual="member",
    filters=(
        Words("find", "Code or name", of=lambda row: (f"{row.code} {row.name}",)),
        OneOf("who", "Who", tuple(KINDS.items()), of=lambda row: row.kinds, every="everybody"),
    ),
)
