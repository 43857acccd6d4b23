"""Books that hold an entry of every kind the program makes: two months of two malls, through the services."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.bank_lines import bring_file
from coop.books.bank_months import bank_standing, reconcile_month
from coop.books.banking import Bill, cancel_lines, enter_bill, enter_interest, enter_unknown, settle_cards, take_to_bank
from coop.books.domain.hand import HandLine
from coop.books.journal import enter_journal, reverse_by_hand
from coop.books.models import BankLine
from coop.books.payments import bounce_check, charge_back, receive_payment
from coop.closing.steps import BODIES
from coop.core.db import Sessions, transaction
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.deposits import take_deposit
from coop.leases.models import Lease
from coop.leases.posting import post_fee
from coop.leases.turn_charges import charge_overflow, charge_turn
from coop.payouts.holding import decide_hold, hold_reasons
from coop.payouts.patronage import approve_patronage, propose_patronage
from coop.payouts.paying_out import mark_paid, mark_stale, return_payment
from coop.payouts.queries import lines_of
from coop.payouts.releases import approve_release, ask_releases, due_on
from coop.payouts.runs import approve_run, prepare_run
from coop.sales.claims import ask_claim, grant_claim
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.drawers import count_drawer, drawers_of, pay_out, put_float
from coop.sales.gifts import sell_certificate
from coop.sales.layaway import Terms, agree_layaway
from coop.sales.models import TicketLine
from coop.sales.service import take_tickets
from coop.tax.domain.returns import FilingPeriod
from coop.tax.filing import file_return, pay_office
from tests.factories.tax import OFFICE

ZONE = ZoneInfo("America/Chicago")
NOVEMBER, DECEMBER = Month(2026, 11), Month(2026, 12)
KINDS = {
    *("banked", "bank fee", "bank took back", "bill", "bounced", "card", "card batch", "chargeback", "claim", "commission"),
    *("correction", "deposit", "fee", "float", "gift", "interest", "journal", "layaway", "over or short", "overflow"),
    *("paid out", "patronage", "payment", "payout", "release", "rent", "return", "returned", "sale", "stale", "tax filed"),
    *("tax paid", "tax to dealer", "turn", "unknown receipt"),
}
"""Besides those of spaces that the hall does not let (case, shelf, wall), of the opening, and of late fees."""


def at(month: int, day: int, year: int = 2026) -> datetime:
    return datetime(year, month, day, 12, 0, tzinfo=ZONE)


def _mall(session: Session, code: str) -> Mall:
    return session.scalars(select(Mall).where(Mall.code == code)).one()


def _dealer(session: Session, code: str) -> Dealer:
    return session.scalars(select(Dealer).where(Dealer.code == code)).one()


def _ring(session: Session, mall: str, number: str, day: int, dealer: str, cents: int, *by: TenderIn, buyer: str = "") -> None:
    whose = _dealer(session, dealer).id if dealer else None
    line = LineIn(1, whose, f"{dealer}-{abs(cents)}", "Glass bowl", 1 if cents > 0 else -1, Decimal(abs(cents)) / 100, cents)
    kind = "sale" if cents > 0 else "return"
    ticket = TicketIn(f"{mall}/{number}", number, "desk", kind, at(11, day), (line,), by, buyer_key=buyer or number)
    take_tickets(session, at(11, day), _mall(session, mall), [ticket])


def lay_every_kind(sessions: Sessions) -> None:
    """On the ground of `tests.integration.closing.money_hall.found`."""
    with transaction(sessions) as session:
        _register(session)
    with transaction(sessions) as session:
        _dealers_money(session)
        _bank(session)
    for month, when in ((NOVEMBER, at(12, 2)), (DECEMBER, at(1, 2, 2027))):
        with transaction(sessions) as session:
            _close(session, month, when)
        if month == NOVEMBER:
            with transaction(sessions) as session:
                _pay(session)
    with transaction(sessions) as session:
        when, on = at(1, 5, 2027), date(2027, 1, 5)
        terms = {"surplus_cents": 100_01, "cash_percent": Decimal("33.3"), "on": on, "user_id": 1}
        approve_patronage(session, when, propose_patronage(session, when, 2026, **terms), user_id=2)


def _register(session: Session) -> None:
    main, card, cash = _mall(session, "MAIN"), TenderIn("card"), TenderIn("cash")
    _ring(session, "MAIN", "1", 2, "D01", 725_01, card)
    _ring(session, "EAST", "2", 2, "D02", 640_10, cash)
    _ring(session, "MAIN", "3", 3, "D03", 533_33, TenderIn("check"))
    _ring(session, "MAIN", "4", 3, "", 18_00, cash)
    _ring(session, "MAIN", "5", 3, "", 19_00, cash)
    sell_certificate(session, at(11, 3), main, amount_cents=50_00, tender="cash", on=date(2026, 11, 3), key="g", number="G-7")
    _ring(session, "EAST", "6", 4, "D01", 40_00, TenderIn("gift", 30_00, "G-7"), cash)
    _ring(session, "EAST", "7", 5, "D01", -40_00, TenderIn("gift", -9_99, "G-7"), cash, buyer="6")
    line = session.scalars(select(TicketLine).where(TicketLine.tag == "-1800")).one()
    claim = ask_claim(session, at(11, 5), line, _dealer(session, "D02"), words="Mine")
    grant_claim(session, at(11, 5), claim, user_id=1)
    chest = LineIn(1, _dealer(session, "D03").id, "D03-L", "Chest", 1, Decimal(200), 200_00)
    terms = Terms("Orla Quint", due_days=30, fee_cents=5_00)
    agree_layaway(session, at(11, 6), main, [chest], terms, deposit=TenderIn("cash", 40_00), key="lay")


def _dealers_money(session: Session) -> None:
    main, ida, amos, on, when = (
        _mall(session, "MAIN"),
        _dealer(session, "D01"),
        _dealer(session, "D02"),
        date(2026, 11, 9),
        at(11, 9),
    )
    lease = session.scalars(select(Lease).where(Lease.mall_id == main.id, Lease.dealer_id == amos.id)).one()
    take_deposit(session, when, lease, 100_00, on=on, reference="dep")
    charge_turn(session, when, lease, 35_00, key="t", label="Turn missed", working="nobody came", on=on)
    charge_overflow(session, when, lease, 20_00, key="o", label="Bay 4", working="a month of it", on=on)
    post_fee(session, when, lease, 12_00, key="f", label="Key", working="lost", on=on)
    how = {"paid_by": "check", "on": on}
    paid = receive_payment(session, when, main, amos, amount_cents=60_00, reference="81", **how)
    typed = receive_payment(session, when, main, amos, amount_cents=6_00, reference="82", **how)
    reverse_by_hand(session, when, typed, key="r", on=on, reason="Typed twice", user_id=1)
    take_to_bank(session, when, main, on, 20_00, 60_00, "slip 1")
    bounce_check(session, when, main, amos, paid, on=date(2026, 11, 10), reference="r81", bank_fee_cents=12_00)
    charge = {"on": date(2026, 11, 10), "reference": "cb", "reason": "Buyer disputes", "borne_by": "co-op"}
    charge_back(session, at(11, 10), main, dealer=ida, amount_cents=7_77, **charge)
    put_float(session, when, main, key="fl", drawer="front", amount_cents=50_00, on=on)
    pay_out(session, when, main, key="po", drawer="front", amount_cents=4_01, on=on, what_for="Postage", reason="Stamps")
    lines = [HandLine("Expenses:Audit", 9_99), HandLine("Assets:Bank", -9_99)]
    reason = 'Bill "7"; paid: late\\soon'
    enter_journal(session, when, key="j", mall=None, on=on, lines=lines, reason=reason, new_accounts=True, user_id=1)
    for code in ("MAIN", "EAST"):
        for drawer in drawers_of(session, _mall(session, code), NOVEMBER.last_day):
            counted = {"on": NOVEMBER.last_day, "counted_cents": drawer.balance_cents + 1, "counted_by": 1}
            count_drawer(session, at(11, 30), _mall(session, code), key=f"{code}{drawer.name}", drawer=drawer.name, **counted)


def _bank(session: Session) -> None:
    rows = ("750.00,CARDS", "0.01,INTEREST", "5.00,WHO", "-80.00,POWER", "30.00,TYPED WRONG", "-30.00,TAKEN BACK")
    content = "Date,Amount,Description\n" + "\n".join(f"2026-11-12,{row}" for row in rows)
    when, main = at(11, 20), _mall(session, "MAIN")
    bring_file(session, when, "november.csv", content.encode())
    cards, interest, unknown, power, wrong, back = session.scalars(select(BankLine).order_by(BankLine.id)).all()
    settle_cards(session, when, cards.id, main, 764_88)
    enter_interest(session, when, interest.id)
    enter_unknown(session, when, unknown.id)
    enter_bill(session, when, power.id, Bill("Utilities", main))
    cancel_lines(session, when, wrong.id, back.id)


def _close(session: Session, month: Month, when: datetime) -> None:
    if bank_standing(session, month).in_use:
        reconcile_month(session, when, month, bank_cents=1_00, explanation="The bank's statement is on its way")
    for mall in session.scalars(select(Mall).order_by(Mall.id)).all():
        for name, step in BODIES.items():
            if name == "holds":
                _decide(session, month, when)
            if name not in ("drawers", "payouts"):
                step(session, when, mall, month)


def _decide(session: Session, month: Month, when: datetime) -> None:
    for dealer in session.scalars(select(Dealer)).all():
        for reasons in hold_reasons(session, when, month, dealer_id=dealer.id).values():
            for reason in reasons:
                decide_hold(session, when, month, dealer, kind=reason.kind, pays=True, reason="Paid at the desk", user_id=1)


def _pay(session: Session) -> None:
    """Two dealers by check, one of whose payment comes back and one's is never cashed; the state's return; what is let go."""
    when = at(12, 3)
    run = prepare_run(session, when, NOVEMBER, user_id=1)
    assert run is not None
    approve_run(session, when, run, user_id=2, first_check=1041)
    mark_paid(session, when, run, on=date(2026, 12, 3), user_id=1)
    first, second, *_ = lines_of(session, run)
    return_payment(session, at(12, 9), first, on=date(2026, 12, 9), reason="lost in the mail")
    mark_stale(session, at(12, 10), second, on=date(2026, 12, 10))
    pay_office(session, when, OFFICE, amount_cents=10_00, on=date(2026, 12, 3), reference="ahead")
    filed = {"filed_on": date(2026, 12, 10), "reason": "Worked on paper"}
    file_return(session, at(12, 10), OFFICE, FilingPeriod(NOVEMBER, "month"), **filed)
    today = date(2026, 12, 20)
    for what in ("gift certificates", "unclaimed sales", "stale payouts"):
        due = due_on(session, today, what)
        for asked in ask_releases(session, at(12, 20), [(due[0].what, due[0].thing_id)], user_id=1):
            approve_release(session, at(12, 20), asked, user_id=2)
