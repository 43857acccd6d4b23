"""How a new co-op begins: from a mall to its first month that is closed, each step with its page and whether it is done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from flask import current_app, url_for
from sqlalchemy import func, literal, select, union_all
from sqlalchemy.orm import Session

from coop.books.models import Entry, Opening, Period
from coop.core.web import Visitor, allowed_at, may
from coop.dealers.models import Dealer, UserAccount
from coop.floor.models import Mall, Space
from coop.leases.models import Lease, LeaseRule, RentRate
from coop.sales.models import Ticket
from coop.shifts.models import Rota
from coop.tax.models import TaxPlace


@dataclass(frozen=True)
class Step:
    """A step of the beginning."""

    name: str
    words: str
    done: bool
    address: str = ""
    """Where it is done; empty for who may not, and for what must wait for a mall."""
    by_choice: bool = False
    """Whether a co-op may do without it."""


@dataclass(frozen=True)
class Beginning:
    """The steps in their order."""

    steps: Sequence[Step]

    @property
    def next(self) -> Step | None:
        """The first that is to be done."""
        return next((step for step in self.steps if not step.done and not step.by_choice), None)


def beginning_of(session: Session, who: Visitor, malls: Sequence[Mall]) -> Beginning | None:
    """The steps as they stand; None once a month that was sold in is closed. One query."""
    there = _there(session)
    if "month" in there:
        return None
    code = malls[0].code if malls else ""

    def at(endpoint: str, *, of_mall: bool = True) -> str:
        if (of_mall and not code) or not may(who, allowed_at(current_app, endpoint)):
            return ""
        return url_for(endpoint, mall_code=code) if of_mall else url_for(endpoint)

    bring_paper = at("opening.page", of_mall=False) if code and "entry" not in there else ""
    return Beginning(
        [
            Step(
                "A mall",
                "The building, its time zone and its code.",
                bool(malls),
                at("settings.mall") if malls else at("office.new_mall", of_mall=False),
            ),
            Step("Its plan", "Booths, cases, shelves and walls, drawn or brought as a file.", "space" in there, at("floor.edit")),
            Step("Rent", "What each zone costs a month.", "rate" in there, at("leases.rates")),
            Step("House rules", "Notice, proration, late fee, deposit.", "rules" in there, at("leases.rules"), by_choice=True),
            Step(
                "People",
                "Who signs in, with which role. What pays money out needs two people.",
                "people" in there,
                at("settings.people_page", of_mall=False),
            ),
            Step(
                "Dealers",
                "Each with a code, name and address: one by one, or all from a file.",
                "dealer" in there,
                at("dealers.listed", of_mall=False),
            ),
            Step("Leases", "Who holds what, from when.", "lease" in there, at("leases.new_lease")),
            Step("Sales tax", "The jurisdictions that tax what the mall sells.", "tax" in there, at("tax.place")),
            Step(
                "The rota",
                "When the mall is open, who its posts need, and the first month of turns.",
                "rota" in there,
                at("rota_house.hours"),
                by_choice=True,
            ),
            Step(
                "Balances from paper",
                "Only for a co-op that was there before, and before the first sale.",
                "opening" in there,
                bring_paper,
                by_choice=True,
            ),
            Step(
                "The first sale",
                "A file of another register comes in on the command line: coop sales import.",
                "ticket" in there,
                at("sales.overview"),
            ),
            Step(
                "The first month-end",
                "Charges rent and commission, closes the month, makes the statements.",
                False,
                at("office.months", of_mall=False),
            ),
        ]
    )


def _there(session: Session) -> set[str]:
    """What the co-op has of all this."""
    of_a_month_sold_in = select(Entry.id).where(Entry.period_id == Period.id, Entry.source_kind == "ticket").exists()
    kinds = {
        "space": select(Space.id),
        "rate": select(RentRate.id),
        "rules": select(LeaseRule.id),
        "people": select(UserAccount.id).where(UserAccount.id > select(func.min(UserAccount.id)).scalar_subquery()),
        "dealer": select(Dealer.id),
        "lease": select(Lease.id),
        "tax": select(TaxPlace.id),
        "rota": select(Rota.id).where(Rota.state == "published"),
        "opening": select(Opening.id).where(Opening.state == "signed"),
        "entry": select(Entry.id),
        "ticket": select(Ticket.id),
        "month": select(Period.id).where(Period.state == "closed", Period.mall_id.is_not(None), of_a_month_sold_in),
    }
    return set(session.scalars(union_all(*(select(literal(kind)).where(which.exists()) for kind, which in kinds.items()))))
