"""The ground of the machine that tries every order of what moves money: the co-op it runs on, and what is always so."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Sequence
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from hypothesis import event, note
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from coop.books.models import ReleaseRule
from coop.books.queries import balances, dealer_balances_before
from coop.books.rules import Rules, set_rules
from coop.cli.machine import BOOKS
from coop.core.db import make_engine, make_sessions, transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.models import Dealer, RoleGrant, UserAccount
from coop.floor.models import Mall
from coop.floor.service import add_space
from coop.leases.agreements import make_lease
from coop.leases.models import Lease
from coop.leases.rules import set_rate
from coop.statements.building import build_value
from coop.tax.filing import move_tax_to_dealers
from coop.tax.service import set_place
from tests.factories.people import make_coop, make_dealer, make_mall
from tests.factories.tax import make_filer, setting

ZONE = ZoneInfo("America/Chicago")
BEGIN = datetime(2026, 11, 1, 12, 0, tzinfo=ZONE)
CODES = ("D01", "D02", "D03")
MALLS, DEALERS, CENTS = st.sampled_from(["MAIN", "EAST"]), st.sampled_from(CODES), st.integers(1, 900_00)
SMALL = st.integers(1, 30_00)
"""Of what is charged, so that months end with something to pay."""


def found(session: Session) -> None:
    """Two malls, three dealers with a booth at each, taxed sales (EAST's dealers file theirs), house rules, two in the office."""
    make_coop(session, BEGIN)
    set_rules(session, BEGIN, Rules(card_percent=Decimal(3), journal_limit_cents=50_00, stale_days=5), starts_on=date(2026, 1, 1))
    for what in ("gift certificates", "unclaimed sales", "stale payouts"):
        # At once, which a person is not let say: so that a run of some months has something to release.
        to_state = {"after_days": 0, "goes_to": "state", "said_by": "Elm Code 7", "set_at": BEGIN}
        session.add(ReleaseRule(what=what, starts_on=date(2026, 1, 1), **to_state))
    for n in (1, 2):
        session.add(UserAccount(id=n, email=f"office{n}@example.org", password_hash="x", created_at=BEGIN))
    session.flush()
    session.add_all([RoleGrant(user_id=1, role="manager"), RoleGrant(user_id=2, role="bookkeeper")])
    dealers = [make_dealer(session, BEGIN, code) for code in CODES]
    malls = [make_mall(session, BEGIN, code) for code in ("MAIN", "EAST")]
    filer = make_filer(session, BEGIN, malls[0], dealers)
    set_place(session, malls[1].id, filer.jurisdictions, starts_on=date(2020, 1, 1))
    setting(session, starts_on=date(2020, 1, 1), mall_id=malls[1].id, owed_by="dealer")
    for mall in malls:
        set_rate(session, mall, "front", Decimal("0.25"), per="sqft", starts_on=date(2026, 1, 1))
        for n, dealer in enumerate(dealers):
            booth = add_space(
                session, BEGIN, mall, str(n), kind="booth", zone="front", width_in16=1920, depth_in16=1600 + 400 * n
            )
            terms = {"starts_on": date(2026, 11, 1), "commission_percent": Decimal(10), "spaces": [booth]}
            make_lease(session, BEGIN, mall, dealer, **terms)


class Hall(RuleBasedStateMachine):
    """What is done, at the clock's moment; what is kept here is only what is needed to do the next thing."""

    template: Path

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="coop-money-"))
        shutil.copyfile(self.template, self.folder / "coop.sqlite3")
        self.engine: Engine = make_engine(f"sqlite:///{self.folder / 'coop.sqlite3'}")
        self.sessions = make_sessions(self.engine)
        self.now = BEGIN
        self.count = self.steps = 0

    def teardown(self) -> None:
        try:
            self.prove(CODES)
        finally:
            self.put_away()

    def put_away(self) -> None:
        self.engine.dispose()
        shutil.rmtree(self.folder)

    # --- how ------------------------------------------------------------------------------------------------------------

    @property
    def today(self) -> date:
        return self.now.astimezone(ZONE).date()

    def key(self, what: str = "k") -> str:
        self.count += 1
        return f"{what}{self.count}"

    def act(self, what: str, body: Callable[[Session], object]) -> bool:
        """Do something in a transaction of its own; whether it was done."""
        try:
            with transaction(self.sessions) as session:
                body(session)
        except Refusal as refusal:
            event(f"{what}: refused")
            note(f"{what} refused: {refusal}")
            return False
        event(f"{what}: done")
        return True

    def mall(self, session: Session, code: str) -> Mall:
        return session.scalars(select(Mall).where(Mall.code == code)).one()

    def dealer(self, session: Session, code: str) -> Dealer:
        return session.scalars(select(Dealer).where(Dealer.code == code)).one()

    def lease(self, session: Session, mall: str, dealer: str) -> Lease:
        of = select(Lease).where(Lease.mall_id == self.mall(session, mall).id, Lease.dealer_id == self.dealer(session, dealer).id)
        return session.scalars(of).one()

    def one(self, session: Session, table: Any, data: st.DataObject, *which: Any) -> Any:
        """Any row of a table, or a refusal where there is none."""
        ids = list(session.scalars(select(table.id).where(*which).order_by(table.id)))
        if not ids:
            raise Refusal("there is none")
        return session.get_one(table, data.draw(st.sampled_from(ids)))

    # --- what is always so ----------------------------------------------------------------------------------------------

    @invariant()
    def holds(self) -> None:
        """One dealer's statements after each step, everybody's at the end."""
        self.steps += 1
        self.prove([CODES[self.steps % len(CODES)]])

    def prove(self, codes: Sequence[str]) -> None:
        with self.sessions() as session:
            assert {what: found for what, check in BOOKS if (found := check(session))} == {}
            assert sum(balance.amount_cents for balance in balances(session)) == 0
            month = Month.of(self.today)
            for mall in session.scalars(select(Mall)).all():
                # As the month-end does before it states anything; taken back when the transaction ends.
                move_tax_to_dealers(session, self.now, mall, month)
                owed = dealer_balances_before(session, mall.id, month.next.first_day)
                for code in codes:
                    dealer = self.dealer(session, code)
                    value = build_value(session, mall, dealer, month, made_on=self.today)
                    assert value.closing_cents == owed.get(dealer.id, 0)
            session.rollback()
