"""What happens at the register, for the machine of money: sales, returns, gift certificates, unclaimed sales, layaways."""

from __future__ import annotations

from decimal import Decimal

from hypothesis import strategies as st
from hypothesis.stateful import rule
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.db import transaction
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.sales.claims import ask_claim, grant_claim, refuse_claim
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.gifts import certificate_left, sell_certificate
from coop.sales.layaway import Terms, agree_layaway, cancel_layaway, complete_layaway, take_layaway_payment
from coop.sales.layaway_books import held_of, total_on
from coop.sales.models import Claim, GiftCertificate, LayawayAgreement, Ticket, TicketLine
from coop.sales.service import take_tickets
from tests.integration.closing.money_hall import CENTS, CODES, DEALERS, MALLS, Hall


class Register(Hall):
    """Tickets, and what is sold or set aside without one."""

    # --- the register ---------------------------------------------------------------------------------------------------

    def ring(
        self, mall: str, lines: list[tuple[str, int]], tenders: tuple[TenderIn, ...], *, kind: str = "sale", buyer: str = ""
    ) -> None:
        number = self.key("t")

        def body(session: Session) -> None:
            at = self.mall(session, mall)
            items = tuple(
                LineIn(
                    position=n,
                    dealer_id=self.dealer(session, code).id if code else None,
                    tag=f"{code}-{abs(cents)}",
                    description="Glass bowl",
                    quantity=1 if cents > 0 else -1,
                    unit_price=Decimal(abs(cents)) / 100,
                    tag_cents=cents,
                )
                for n, (code, cents) in enumerate(lines, start=1)
            )
            sold = TicketIn(f"{mall}/{number}", number, "desk", kind, self.now, items, tenders, buyer_key=buyer or number)
            take_tickets(session, self.now, at, [sold])

        self.act(kind, body)

    @rule(
        mall=MALLS,
        lines=st.lists(st.tuples(st.sampled_from([*CODES, ""]), CENTS), min_size=1, max_size=3),
        card=CENTS,
        split=st.booleans(),
    )
    def sell(self, mall: str, lines: list[tuple[str, int]], card: int, split: bool) -> None:
        """For dealers and for nobody, by card and cash; split where the card pays a part."""
        split = split and card < sum(cents for _, cents in lines)
        self.ring(mall, lines, (TenderIn("card", card), TenderIn("cash")) if split else (TenderIn("card"),))

    @rule(mall=MALLS, dealer=DEALERS, cents=CENTS, tender=st.sampled_from(["cash", "check"]))
    def sell_for_cash(self, mall: str, dealer: str, cents: int, tender: str) -> None:
        self.ring(mall, [(dealer, cents)], (TenderIn(tender),))

    @rule(data=st.data(), tender=st.sampled_from(["cash", "card"]))
    def take_back(self, data: st.DataObject, tender: str) -> None:
        """A line that was sold, by its own buyer: tied to it, whoever's it is by now."""
        with transaction(self.sessions) as session:
            sold = session.execute(
                select(Mall.code, Dealer.code, TicketLine.tag_cents, Ticket.buyer_key)
                .join(Ticket, Ticket.id == TicketLine.ticket_id)
                .join(Mall, Mall.id == Ticket.mall_id)
                .outerjoin(Dealer, Dealer.id == TicketLine.dealer_id)
                .where(Ticket.kind == "sale", TicketLine.tag != "")
                .order_by(TicketLine.id)
            ).all()
        if sold:
            mall, dealer, cents, buyer = data.draw(st.sampled_from(sold))
            self.ring(mall, [(dealer or "", -cents)], (TenderIn(tender),), kind="return", buyer=buyer)

    @rule(mall=MALLS, dealer=DEALERS, cents=CENTS)
    def take_back_untied(self, mall: str, dealer: str, cents: int) -> None:
        self.ring(mall, [(dealer, -cents)], (TenderIn("cash"),), kind="return")

    # --- gift certificates, unclaimed sales, layaways -------------------------------------------------------------------

    @rule(mall=MALLS, cents=CENTS)
    def sell_gift(self, mall: str, cents: int) -> None:
        def body(session: Session) -> None:
            at = self.mall(session, mall)
            sell_certificate(session, self.now, at, amount_cents=cents, tender="cash", on=self.today, key=self.key())

        self.act("gift sold", body)

    @rule(data=st.data(), mall=MALLS, dealer=DEALERS, cents=CENTS)
    def pay_with_gift(self, data: st.DataObject, mall: str, dealer: str, cents: int) -> None:
        """Any part of it, and at times more than is left."""
        with transaction(self.sessions) as session:
            numbers = [(g.number, certificate_left(session, g)) for g in session.scalars(select(GiftCertificate))]
        if numbers:
            number, left = data.draw(st.sampled_from(numbers))
            used = data.draw(st.integers(1, min(cents, left + 5)))
            self.ring(mall, [(dealer, cents)], (TenderIn("gift", used, number), TenderIn("cash")))

    @rule(data=st.data(), dealer=DEALERS)
    def ask_for_sale(self, data: st.DataObject, dealer: str) -> None:
        def body(session: Session) -> None:
            line = self.one(session, TicketLine, data, TicketLine.credited_on.is_(None))
            ask_claim(session, self.now, line, self.dealer(session, dealer), words="Mine", user_id=None)

        self.act("claim asked", body)

    @rule(data=st.data(), grants=st.booleans())
    def decide_claim(self, data: st.DataObject, grants: bool) -> None:
        def body(session: Session) -> None:
            claim = self.one(session, Claim, data)
            if grants:
                grant_claim(session, self.now, claim, user_id=1)
            else:
                refuse_claim(session, self.now, claim, decision="Another's tag", user_id=1)

        self.act("claim decided", body)

    @rule(mall=MALLS, dealer=DEALERS, cents=st.integers(20_00, 300_00))
    def agree(self, mall: str, dealer: str, cents: int) -> None:
        def body(session: Session) -> None:
            who = self.dealer(session, dealer)
            item = LineIn(1, who.id, f"{dealer}-L{cents}", "Chest", 1, Decimal(cents) / 100, cents)
            terms, first = Terms("Orla Quint", due_days=30, fee_cents=5_00), TenderIn("cash", cents // 5)
            agree_layaway(session, self.now, self.mall(session, mall), [item], terms, deposit=first, key=self.key())

        self.act("layaway agreed", body)

    @rule(data=st.data(), how=st.sampled_from(["pay", "complete", "cancel", "pay and complete"]), cents=CENTS)
    def go_on_with_layaway(self, data: st.DataObject, how: str, cents: int) -> None:
        def body(session: Session) -> None:
            layaway = self.one(session, LayawayAgreement, data, LayawayAgreement.state == "open")
            if how == "pay":
                take_layaway_payment(session, self.now, layaway, TenderIn("card", cents), key=self.key())
            if how == "pay and complete":
                at = session.get_one(Mall, layaway.mall_id)
                left = total_on(session, at, layaway, self.today) - held_of(session, layaway)
                take_layaway_payment(session, self.now, layaway, TenderIn("cash", left), key=self.key())
            if how.endswith("complete"):
                complete_layaway(session, self.now, layaway)
            if how == "cancel":
                cancel_layaway(session, self.now, layaway)

        self.act(f"layaway, {how}", body)
