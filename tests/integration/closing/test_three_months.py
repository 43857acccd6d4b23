"""Three months of a small hall worked by hand: the first one from paper, a busy one, a negative one.

Each table was worked out on paper from the events; the program has to come to every figure. Rent in advance: booth 1 120.00 sq ft
x 2.25 = 270.00, booth 2 90.00 x 2.25 = 202.50, case A 45.00 flat. Commission 10% (D02: 12.5%), card cost 3% of what was paid by
card net of tax, sales tax 5.5% and 0.5%.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.bank_lines import bring_file
from coop.books.bank_matching import match_proposed
from coop.books.bank_months import reconcile_month
from coop.books.banking import bounce_from_line, settle_cards, take_to_bank
from coop.books.models import BankLine
from coop.books.payments import receive_payment
from coop.books.queries import balances
from coop.books.rules import Rules, set_rules
from coop.cli.machine import BOOKS
from coop.closing.opening import read_opening, sign_opening
from coop.closing.steps import BODIES
from coop.core.db import Sessions, transaction
from coop.core.money import parse_cents
from coop.core.periods import Month
from coop.dealers.models import Dealer, UserAccount
from coop.floor.models import Mall
from coop.floor.service import add_space
from coop.leases.agreements import make_lease
from coop.leases.models import Lease
from coop.leases.posting import post_fee, post_rents
from coop.leases.rules import set_rate
from coop.leases.rules import set_rules as set_lease_rules
from coop.leases.turn_charges import charge_turn
from coop.payouts.paying_out import mark_paid
from coop.payouts.runs import approve_run, prepare_run
from coop.sales.claims import ask_claim, grant_claim
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.drawers import count_drawer
from coop.sales.layaway import complete_layaway, take_layaway_payment
from coop.sales.models import LayawayAgreement, TicketLine
from coop.sales.service import take_tickets
from coop.statements.domain import StatementValue, from_json
from coop.statements.service import freeze_statement
from coop.tax import service as tax
from tests.factories.people import make_coop, make_dealer, make_mall

MARCH, APRIL, MAY = Month(2025, 3), Month(2025, 4), Month(2025, 5)
CODES = ("D01", "D02", "D03")

FROM_PAPER = """\
kind,mall,dealer,what,number,amount,price,on,due,words,buyer
dealer,MAIN,D01,,,120.00,,,,,
dealer,MAIN,D02,,,-45.00,,,,,
deposit,MAIN,D01,,,270.00,,,,,
layaway,MAIN,D01,,3,60.00,180.00,2025-02-04,2025-05-05,Walnut chest,Orla Quint
gift,MAIN,,,G-7,25.00,,2024-12-09,,,
unclaimed,MAIN,,,911,12.00,,2025-01-22,,Blue crock,
tax,,,STATE,,88.00,,,,,
tax,,,COUNTY,,8.00,,,,,
bank,,,,,1500.00,,,,,
outstanding,,,,1041,-60.00,,2025-02-26,,,
drawer,MAIN,,,,100.00,,,,,
equity,,,,,1002.00,,,,,
year,MAIN,D01,gross,,800.00,,,,,
year,MAIN,D01,net,,780.00,,,,,
year,MAIN,D01,commission,,78.00,,,,,
total,,,dealer,2,75.00,,,,,
total,,,deposit,1,270.00,,,,,
total,,,layaway,1,60.00,,,,,
total,,,gift,1,25.00,,,,,
total,,,unclaimed,1,12.00,,,,,
total,,,tax,2,96.00,,,,,
total,,,bank,1,1500.00,,,,,
total,,,outstanding,1,-60.00,,,,,
total,,,drawer,1,100.00,,,,,
total,,,equity,1,1002.00,,,,,
total,,,year,3,1658.00,,,,,
"""

MARCH_STATED = """
                       D01       D02       D03
opening             120.00    -45.00      0.00   as on paper
sale 1001           525.00     19.99         -   4 March, by card: with tax 577.69
sale 1002                -         -     36.00   8 March, 40.00 less 10% of her sale, cash 38.16
sale 1003                -     30.00         -   12 March, certificate G-7 25.00 and cash 6.80
sale 1004                -         -     18.00   20 March, nobody's; hers from the 25th, cash 19.08
rent               -270.00         -   -202.50   posted on the 1st
case                     -    -45.00         -
commission          -52.50     -6.25     -5.40   10% of 525.00; 12.5% of 49.99 = 6.24875; 10% of 54.00
card                -15.75     -0.60         -   3% of 525.00; 3% of 19.99 = 0.5997
payment                  -     45.00         -   10 March, check 77
closing             306.75     -1.86   -153.90
"""
MARCH_BOOKS = """
Assets:Bank                       2145.36   1500.00 - 60.00 outstanding + 560.36 cards + 145.00 deposit
Assets:Drawer:MAIN                 113.04   100.00 + 38.16 + 6.80 + 50.00 + 19.08 - 100.00 - 1.00 short
Assets:Card-clearing:MAIN            0.00
Assets:Checks-to-deposit:MAIN        0.00
Liabilities:Deposits:MAIN:D01     -270.00
Liabilities:Layaway:MAIN          -110.00   60.00 + 50.00
Liabilities:Gift-certificates        0.00
Liabilities:Unclaimed:MAIN         -12.00   12.00 + 18.00 - 18.00
Income:Booth-rent:MAIN            -472.50
Income:Case-rent:MAIN              -45.00
Income:Commission:MAIN             -64.15
Income:Card-cost-recovered:MAIN    -16.35
Expenses:Card-cost:MAIN             17.33   577.69 - 560.36
Expenses:Over-short:MAIN             1.00
Liabilities:Tax:STATE              -34.59   29.97 + 1.98 + 1.65 + 0.99; the 88.00 from paper are filed on paper
Liabilities:Tax:COUNTY              -3.15    2.73 + 0.18 + 0.15 + 0.09
"""

APRIL_STATED = """
                       D01       D02       D03
opening             306.75     -1.86   -153.90
sale 1005           200.00         -     60.00   2 April, check 275.60
sale L3             180.00         -         -   20 April, layaway 3: 110.00 held and 80.80
sale 1006                -    400.00         -   25 April, card 250.00 and cash 174.00
return R1          -525.00         -         -   12 April, ticket 1001, after it was paid out
return R2                -         -    -36.00   22 April, ticket 1002, after she left
rent               -270.00         -   -101.25   D03 left on the 15th: 15/30
case                     -    -45.00         -
turn                     -         -    -35.00   11 April, nobody came
commission           14.50    -50.00     -2.40   10% of -145.00; 12.5% of 400.00; 10% of 24.00
card                 15.75     -7.08         -   3% of -525.00; 3% of 400.00 x 250/424 = 7.0755
payout             -306.75         -         -   10 April, check 501
closing            -384.75    296.06   -268.55
"""
APRIL_BOOKS = """
Assets:Bank                       2000.21   2145.36 - 306.75 - 556.50 + 242.50 + 475.60
Assets:Drawer:MAIN                 129.68   113.04 + 80.80 - 38.16 + 174.00 - 200.00
Assets:Card-clearing:MAIN            0.00
Liabilities:Layaway:MAIN             0.00
Income:Turns:MAIN                  -35.00
Income:Commission:MAIN            -102.05   64.15 + 37.90
Income:Card-cost-recovered:MAIN     -7.68   16.35 - 8.67
Expenses:Card-cost:MAIN             24.83   17.33 + 7.50
Liabilities:Tax:STATE              -49.94   34.59 + 14.30 - 28.87 + 9.90 - 1.98 + 22.00
Liabilities:Tax:COUNTY              -4.54    3.15 +  1.30 -  2.63 + 0.90 - 0.18 +  2.00
"""

MAY_STATED = """
                       D01       D02       D03
opening            -384.75    296.06   -268.55
sale 1007            50.00         -         -   14 May, cash 53.00
return R3                -   -400.00         -   12 May, ticket 1006, after it was paid out: card 250.00, cash 174.00
rent               -270.00         -         -
case                     -    -45.00         -
fee                 -12.00         -         -   what the bank asked for her check
commission           -5.00     50.00         -
card                     -      7.08         -   given back: 3% of 235.849
payment             100.00         -    268.55   15 May, check 81; 18 May, check 90
bounced            -100.00         -         -   20 May, check 81
payout                   -   -296.06         -   9 May, check 502
closing            -621.75   -387.92      0.00
"""
MAY_BOOKS = """
Assets:Bank                       1710.70   2000.21 - 296.06 + 368.55 - 100.00 - 12.00 - 250.00
Assets:Drawer:MAIN                   8.68   129.68 - 174.00 + 53.00
Assets:Card-clearing:MAIN            0.00
Assets:Checks-to-deposit:MAIN        0.00
Income:Fees:MAIN                   -12.00
Income:Commission:MAIN             -57.05   102.05 + 5.00 - 50.00
Income:Card-cost-recovered:MAIN     -0.60   7.68 - 7.08
Liabilities:Tax:STATE              -30.69   49.94 - 22.00 + 2.75
Liabilities:Tax:COUNTY              -2.79    4.54 -  2.00 + 0.25
"""


# --- what happened ------------------------------------------------------------------------------------------------------


def at(month: int, day: int) -> datetime:
    """Half past one in the hall."""
    return datetime(2025, month, day, 18, 30, tzinfo=UTC)


class Hall:
    """The hall in one transaction."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.mall = session.scalars(select(Mall)).one()
        self.dealers = {dealer.code: dealer for dealer in session.scalars(select(Dealer))}

    def lease(self, code: str) -> Lease:
        return self.session.scalars(select(Lease).where(Lease.dealer_id == self.dealers[code].id)).one()

    def ring(
        self,
        number: str,
        when: datetime,
        *items: tuple[str, int, int],
        by: tuple[TenderIn, ...],
        buyer: str = "",
        back: bool = False,
    ) -> None:
        """Items as (dealer, tag price, discount) in cents; of a return below zero."""
        lines = tuple(
            LineIn(
                position=n,
                dealer_id=self.dealers[code].id if code else None,
                tag=f"{code or 'lost'}-{abs(cents)}",
                description="Glass bowl",
                quantity=-1 if back else 1,
                unit_price=Decimal(abs(cents)) / 100,
                tag_cents=cents,
                discount_cents=discount,
                discount_reason="booth" if discount else "",
                discount_authority="Spring sale" if discount else "",
            )
            for n, (code, cents, discount) in enumerate(items, start=1)
        )
        kind = "return" if back else "sale"
        ticket = TicketIn(f"desk/{number}", number, "desk", kind, when, lines, by, buyer_key=buyer or number)
        take_tickets(self.session, when, self.mall, [ticket])

    def read_bank(self, name: str, when: datetime, *rows: str) -> list[BankLine]:
        """The bank's file of a month, what is sure in it matched; its lines."""
        content = "\n".join(["Date,Amount,Check Number,Description,Balance", *rows])
        file = bring_file(self.session, when, name, content.encode())
        match_proposed(self.session, when)
        return list(self.session.scalars(select(BankLine).where(BankLine.file_id == file.id).order_by(BankLine.on, BankLine.id)))

    def count(self, when: datetime, day: date, cents: int) -> None:
        who = {"counted_by": 1, "seconded_by": 2}
        count_drawer(self.session, when, self.mall, key=f"count {day}", drawer="", on=day, counted_cents=cents, **who)

    def pay_out(self, month: Month, when: datetime, first_check: int) -> None:
        run = prepare_run(self.session, when, month, user_id=1)
        assert run is not None
        approve_run(self.session, when, run, user_id=2, first_check=first_check)
        mark_paid(self.session, when, run, on=when.date(), user_id=1)


def begin(session: Session) -> None:
    when = at(3, 1)
    make_coop(session, when)
    for n in (1, 2):
        session.add(UserAccount(id=n, email=f"office{n}@example.org", password_hash="x", created_at=when))
    mall = make_mall(session, when)
    set_rules(session, when, Rules(card_percent=Decimal(3)), starts_on=date(2025, 1, 1))
    set_lease_rules(session, mall, date(2025, 1, 1), rent_posts="advance")
    stack = []
    for code, percent in (("STATE", "5.5"), ("COUNTY", "0.5")):
        body = tax.add_jurisdiction(session, code=code, name=code.title(), kind="state" if code == "STATE" else "county")
        tax.set_rate(session, body, Decimal(percent), starts_on=date(2025, 1, 1))
        stack.append(body)
    tax.set_place(session, mall.id, stack, starts_on=date(2025, 1, 1))
    set_rate(session, mall, "front", Decimal("2.25"), per="sqft", starts_on=date(2025, 1, 1))
    set_rate(session, mall, "cases", Decimal(45), per="flat", starts_on=date(2025, 1, 1))
    foot = 192
    for code, space, kind, zone, deep, percent, left in (
        ("D01", "1", "booth", "front", 12, "10", None),
        ("D02", "A", "case", "cases", 2, "12.5", None),
        ("D03", "2", "booth", "front", 9, "10", date(2025, 4, 15)),
    ):
        held = add_space(session, when, mall, space, kind=kind, zone=zone, width_in16=10 * foot, depth_in16=deep * foot)
        terms = {"starts_on": date(2025, 3, 1), "ends_on": left, "commission_percent": Decimal(percent), "spaces": [held]}
        make_lease(session, when, mall, make_dealer(session, when, code), **terms)
    opening = read_opening(session, when, content=FROM_PAPER.encode(), file_name="paper.csv", first_month=MARCH, user_id=1)
    sign_opening(session, when, opening, user_id=2)


def march(hall: Hall) -> None:
    session, mall = hall.session, hall.mall
    post_rents(session, at(3, 1), mall, MARCH)
    hall.ring("1001", at(3, 4), ("D01", 525_00, 0), ("D02", 19_99, 0), by=(TenderIn("card"),))
    hall.ring("1002", at(3, 8), ("D03", 40_00, 4_00), by=(TenderIn("cash"),))
    pays = {"amount_cents": 45_00, "paid_by": "check", "on": date(2025, 3, 10), "reference": "77"}
    receive_payment(session, at(3, 10), mall, hall.dealers["D02"], **pays)
    hall.ring("1003", at(3, 12), ("D02", 30_00, 0), by=(TenderIn("gift", 25_00, "G-7"), TenderIn("cash")))
    layaway = session.scalars(select(LayawayAgreement)).one()
    take_layaway_payment(session, at(3, 15), layaway, TenderIn("cash", 50_00), key="march")
    hall.ring("1004", at(3, 20), ("", 18_00, 0), by=(TenderIn("cash"),))
    lost = session.scalars(select(TicketLine).where(TicketLine.tag == "lost-1800")).one()
    grant_claim(session, at(3, 25), ask_claim(session, at(3, 25), lost, hall.dealers["D03"], words="Mine"), user_id=1)
    take_to_bank(session, at(3, 28), mall, date(2025, 3, 28), 100_00, 45_00, "slip 1")
    hall.count(at(3, 31), date(2025, 3, 31), 113_04)
    _, cards, _ = hall.read_bank(
        "march.csv",
        at(4, 1),
        "2025-03-05,-60.00,1041,CHECK,1440.00",
        "2025-03-07,560.36,,CARDS,2000.36",
        "2025-03-28,145.00,,DEPOSIT,2145.36",
    )
    settle_cards(session, at(4, 1), cards.id, mall, 577_69)


def april(hall: Hall) -> None:
    session, mall = hall.session, hall.mall
    post_rents(session, at(4, 1), mall, APRIL)
    hall.ring("1005", at(4, 2), ("D01", 200_00, 0), ("D03", 60_00, 0), by=(TenderIn("check"),))
    hall.pay_out(MARCH, at(4, 10), 501)
    missed = {"key": "turn 11 April", "label": "Turn missed", "working": "April 11, nobody came", "on": date(2025, 4, 11)}
    charge_turn(session, at(4, 11), hall.lease("D03"), 35_00, **missed)
    hall.ring("R1", at(4, 12), ("D01", -525_00, 0), by=(TenderIn("card"),), buyer="1001", back=True)
    layaway = session.scalars(select(LayawayAgreement)).one()
    take_layaway_payment(session, at(4, 20), layaway, TenderIn("cash", 80_80), key="april")
    complete_layaway(session, at(4, 20), layaway)
    hall.ring("R2", at(4, 22), ("D03", -40_00, -4_00), by=(TenderIn("cash"),), buyer="1002", back=True)
    hall.ring("1006", at(4, 25), ("D02", 400_00, 0), by=(TenderIn("card", 250_00), TenderIn("cash")))
    take_to_bank(session, at(4, 28), mall, date(2025, 4, 28), 200_00, 275_60, "slip 2")
    hall.count(at(4, 30), date(2025, 4, 30), 129_68)
    check, back, cards, _ = hall.read_bank(
        "april.csv",
        at(5, 1),
        "2025-04-14,-306.75,501,CHECK,1838.61",
        "2025-04-15,-556.50,,CARDS,1282.11",
        "2025-04-27,242.50,,CARDS,1524.61",
        "2025-04-28,475.60,,DEPOSIT,2000.21",
    )
    assert check.reference == "501"
    settle_cards(session, at(5, 1), back.id, mall, -556_50)
    settle_cards(session, at(5, 1), cards.id, mall, 250_00)


def may(hall: Hall) -> None:
    session, mall = hall.session, hall.mall
    post_rents(session, at(5, 1), mall, MAY)
    hall.pay_out(APRIL, at(5, 9), 502)
    both = (TenderIn("card", -250_00), TenderIn("cash"))
    hall.ring("R3", at(5, 12), ("D02", -400_00, 0), by=both, buyer="1006", back=True)
    hall.ring("1007", at(5, 14), ("D01", 50_00, 0), by=(TenderIn("cash"),))
    checks = {}
    for code, day, cents, number in (("D01", 15, 100_00, "81"), ("D03", 18, 268_55, "90")):
        pays = {"amount_cents": cents, "paid_by": "check", "on": date(2025, 5, day), "reference": number}
        checks[number] = receive_payment(session, at(5, day), mall, hall.dealers[code], **pays)
    take_to_bank(session, at(5, 19), mall, date(2025, 5, 19), 0, 368_55, "slip 3")
    lines = hall.read_bank(
        "may.csv",
        at(6, 1),
        "2025-05-12,-296.06,502,CHECK,1704.15",
        "2025-05-14,-250.00,,CARDS,1454.15",
        "2025-05-19,368.55,,DEPOSIT,1822.70",
        "2025-05-20,-112.00,,RETURNED ITEM 81,1710.70",
    )
    settle_cards(session, at(6, 1), lines[1].id, mall, -250_00)
    bounce_from_line(session, at(6, 1), lines[3].id, checks["81"], reference="returned 81")
    words = {"key": "check 81", "label": "Returned check", "working": "what the bank asked for check 81", "on": date(2025, 5, 20)}
    post_fee(session, at(6, 1), hall.lease("D01"), 12_00, **words)
    hall.count(at(5, 31), date(2025, 5, 31), 8_68)


# --- how it is read -----------------------------------------------------------------------------------------------------


def stated_by_hand(table: str) -> dict[str, dict[str, int]]:
    """A table of statements: dealer -> line -> cents; a dash is no such line."""
    heading, *rows = table.strip("\n").splitlines()
    found: dict[str, dict[str, int]] = {code: {} for code in heading.split()}
    for row in rows:
        label, *figures = row[:18].strip(), *row[18:].split()[: len(found)]
        for code, figure in zip(found, figures, strict=True):
            if figure != "-":
                found[code][label] = parse_cents(figure)
    return found


def as_stated(value: StatementValue) -> dict[str, int]:
    """A statement's lines by what they are, added up."""
    lines = [("opening", value.opening_cents), ("closing", value.closing_cents)]
    lines += [(f"sale {line.ticket}", line.price_cents) for line in value.sales]
    lines += [(f"return {line.ticket}", line.price_cents) for line in value.returns]
    lines += [(line.kind, line.amount_cents) for line in value.charges]
    # What puts a payment right is told under the payment's kind, with the other sign.
    for line in value.payments:
        lines.append(("bounced" if line.kind == "payment" and line.amount_cents < 0 else line.kind, line.amount_cents))
    found: dict[str, int] = {}
    for label, cents in lines:
        found[label] = found.get(label, 0) + cents
    return found


def booked_by_hand(table: str) -> dict[str, int]:
    return {row.split()[0]: parse_cents(row.split()[1]) for row in table.strip("\n").splitlines()}


def close(session: Session, month: Month, when: datetime, bank_cents: int) -> dict[str, StatementValue]:
    """Reconcile the bank, do every step up to the lock, and state the month; by dealer's code."""
    hall = Hall(session)
    bank = reconcile_month(session, when, month, bank_cents=bank_cents)
    assert (bank.difference_cents, bank.outstanding_cents) == (0, 0)
    for step in BODIES.values():
        step(session, when, hall.mall, month)
    made = {code: freeze_statement(session, when, hall.mall, dealer, month) for code, dealer in hall.dealers.items()}
    return {code: from_json(statement.value_json) for code, statement in made.items()}


def test_three_months_come_out_as_they_were_worked_by_hand(sessions: Sessions) -> None:
    with transaction(sessions) as session:
        begin(session)
    months: list[tuple[Month, Callable[[Hall], None], datetime, str, str]] = [
        (MARCH, march, at(4, 2), MARCH_STATED, MARCH_BOOKS),
        (APRIL, april, at(5, 2), APRIL_STATED, APRIL_BOOKS),
        (MAY, may, at(6, 2), MAY_STATED, MAY_BOOKS),
    ]
    for month, happens, closed_at, stated, booked in months:
        with transaction(sessions) as session:
            happens(Hall(session))
        with transaction(sessions) as session:
            values = close(session, month, closed_at, booked_by_hand(booked)["Assets:Bank"])
        expected = stated_by_hand(stated)
        for code in CODES:
            lines = expected[code]
            assert sum(cents for label, cents in lines.items() if label != "closing") == lines["closing"], "the table itself"
            assert {label: cents for label, cents in as_stated(values[code]).items() if cents or label in lines} == lines
        with transaction(sessions) as session:
            found = {b.path: b.amount_cents for b in balances(session, through=month.last_day)}
            assert {path: found.get(path, 0) for path in booked_by_hand(booked)} == booked_by_hand(booked)
            assert {what: faults for what, check in BOOKS if (faults := check(session))} == {}


def test_the_first_month_from_paper_says_the_year_before_it(sessions: Sessions) -> None:
    """800.00 gross and 78.00 of commission on paper, 525.00 and 52.50 in March."""
    with transaction(sessions) as session:
        begin(session)
        march(Hall(session))
    with transaction(sessions) as session:
        year = {figure.what: figure for figure in close(session, MARCH, at(4, 2), 2145_36)["D01"].year}
    assert (year["gross"].paper_cents, year["gross"].total_cents) == (800_00, 1325_00)
    assert (year["commission"].paper_cents, year["commission"].total_cents) == (-78_00, -130_50)
