"""Invented statements: dealers, halls and wares that do not exist, and amounts that add up."""

from __future__ import annotations

import dataclasses
from datetime import date, timedelta
from fractions import Fraction

from coop.core.money import format_cents, round_half_up
from coop.core.periods import Month
from coop.statements.domain import (
    ChargeLine,
    FloorFigures,
    OwedTaxLine,
    PaymentLine,
    PendingLayaway,
    SaleLine,
    StatementValue,
    TaxLine,
    TurnLine,
    YearFigure,
)
from coop.statements.domain.lines import YEAR_FIGURES
from coop.statements.domain.proof import by_area

WARES = (
    "Oak washstand with tile back",
    "Blue ironstone pitcher",
    "Set of six pressed-glass tumblers",
    "Cane-seat side chair",
    "Brass desk lamp, rewired",
    "Quilt, wedding ring pattern",
    "Enamel bread box",
    "Framed map of a harbor",
    "Mercury-glass ornaments, boxed",
    "Walnut candle stand",
    "Tin of buttons",
    "Stoneware crock, two gallons, hairline",
)
REASONS = (
    ("standing", "10% on request over $20.00"),
    ("booth", "all of Booth 12, Dec 3 to Dec 31"),
    ("offer", "approved by D01"),
)


def sale_lines(count: int, code: str = "D01") -> tuple[SaleLine, ...]:
    """Sales spread over December 2010 in order of date; every seventh has a discount, every fifth more than one piece."""
    month = Month(2010, 12)
    lines = []
    for n in range(count):
        quantity = 1 if n % 5 else n % 4 + 2
        tag_cents = (395 + (n * 1117) % 18000) * quantity
        reason, authority = REASONS[n // 7 % 3] if n % 7 == 3 else ("", "")
        discount_cents = round_half_up(Fraction(tag_cents, 10)) if reason else 0
        day = month.first_day + timedelta(days=n * month.days // max(count, 1))
        lines.append(
            SaleLine(
                sold_on=day,
                ticket=str(20417 + n * 3 // 2),
                position=n % 3 + 1,
                tag=f"{code}-{1040 + n}",
                description=WARES[n % len(WARES)],
                quantity=quantity,
                tag_cents=tag_cents,
                discount_cents=discount_cents,
                discount_reason=reason,
                discount_authority=authority,
                price_cents=tag_cents - discount_cents,
                posted_on=day,
            )
        )
    return tuple(lines)


def return_line(sold: SaleLine, on: date, *, untied: bool = False) -> SaleLine:
    """The line that gives a sale back."""
    return dataclasses.replace(
        sold,
        sold_on=on,
        posted_on=on,
        ticket=f"{int(sold.ticket) + 500}",
        tag_cents=-sold.tag_cents,
        discount_cents=-sold.discount_cents,
        price_cents=-sold.price_cents,
        returns="" if untied else sold.ticket,
    )


def statement(
    sales: tuple[SaleLine, ...] = (),
    returns: tuple[SaleLine, ...] = (),
    *,
    opening_cents: int = 0,
    payments: tuple[PaymentLine, ...] = (),
    rent_cents: int = 27000,
    pay_on: date | None = date(2011, 1, 10),
    **changes: object,
) -> StatementValue:
    """A month of sales with 10% commission and a booth's rent; `changes` replace fields that are not amounts."""
    gross = sum(line.tag_cents for line in sales)
    discounts = sum(line.discount_cents for line in sales)
    given_back = -sum(line.price_cents for line in returns)
    net = gross - discounts - given_back
    commission = round_half_up(Fraction(net, 10))
    charges = (
        ChargeLine("rent", "Rent, Booth 12", "120.00 sq ft x $2.25", -rent_cents),
        ChargeLine("commission", "Commission", f"10% of net sales {format_cents(net)}", -commission),
    )
    charged = sum(line.amount_cents for line in charges)
    closing = opening_cents + net + charged + sum(line.amount_cents for line in payments)
    value = StatementValue(
        number="MAIN.D01.2010-12",
        coop_name="Lantern Yard Dealers' Co-op",
        mall_code="MAIN",
        mall_name="Lantern Yard Antiques Hall",
        mall_address="4 Weir Street\nMillrace, WI 53999",
        dealer_code="D01",
        dealer_name="Ida Fenwick",
        trade_name="Fenwick & Daughter",
        dealer_address="18 Tannery Lane\nMillrace, WI 53999",
        first_day=date(2010, 12, 1),
        last_day=date(2010, 12, 31),
        made_on=date(2011, 1, 3),
        spaces=("Booth 12, 120.00 sq ft",),
        paper="letter",
        opening_cents=opening_cents,
        sales=sales,
        returns=returns,
        gross_cents=gross,
        discounts_cents=discounts,
        returns_cents=given_back,
        net_cents=net,
        charges=charges,
        payments=payments,
        closing_cents=closing,
        pay_on=pay_on,
        tax_collected=(
            TaxLine("State of Wisconsin", max(0, net), round_half_up(Fraction(max(0, net), 20)), "5"),
            TaxLine("Millrace County", max(0, net), round_half_up(Fraction(max(0, net), 200)), "0.5"),
        ),
    )
    return dataclasses.replace(value, **changes)  # type: ignore[arg-type]


BEFORE = {"gross": 1204410, "net": 1176230, "commission": -117623, "rent": -297000, "fees": -2500, "paid": -759107}
"""What eleven months came to."""
NEXT_RENT = (ChargeLine("rent", "Booth 12", "120.00 sq ft × $2.25 a month", -27000),)


def in_full(value: StatementValue, *, paper: bool = False, **changes: object) -> StatementValue:
    """A statement with all that is told beside the balance; `paper` when half of the year before was on paper."""
    of_month = value.month_figures
    value = dataclasses.replace(
        value,
        year=tuple(YearFigure(what, BEFORE[what], of_month[what], BEFORE[what] // 2 if paper else 0) for what in YEAR_FIGURES),
        floor=FloorFigures(12000, by_area(value.net_cents, 12000), by_area(-of_month["rent"], 12000), 2140, 14),
        next_rent=NEXT_RENT,
        pay_how="by check" if value.pay_on and value.closing_cents > 0 else "",
    )
    return dataclasses.replace(value, **changes)  # type: ignore[arg-type]


def ten_sales() -> StatementValue:
    """Ten sales and a return; paid out."""
    sales = sale_lines(10)
    return in_full(statement(sales, (return_line(sales[3], date(2010, 12, 20)),)))


def two_pages(lines: int = 38) -> StatementValue:
    """Thirty-eight sales, a return, last month's payout, a second space: the usual busy month."""
    sales = sale_lines(lines)
    return in_full(
        statement(
            sales,
            (return_line(sales[3], date(2010, 12, 20)),),
            opening_cents=61240,
            payments=(PaymentLine(date(2010, 12, 10), "Paid to you for November 2010", -61240, "payout"),),
            spaces=("Booth 12, 120.00 sq ft", "Case 3"),
        )
    )


def of_before() -> StatementValue:
    """Sixty sales, as statements were before they told the year."""
    value = two_pages(60)
    payments = tuple(dataclasses.replace(line, kind="") for line in value.payments)
    return dataclasses.replace(value, payments=payments, year=(), floor=None, next_rent=(), pay_how="")


def three_pages() -> StatementValue:
    return two_pages(84)


def debt() -> StatementValue:
    """Three small sales do not cover the rent: the month ends owing, carried forward."""
    return in_full(statement(sale_lines(3), opening_cents=-4000))


def held() -> StatementValue:
    """Owed, and not paid: the tax form is missing. Of a mall with too few dealers for a median."""
    value = in_full(statement(sale_lines(20), pay_on=None), held=("Your tax form is not on file: hand it in at the office.",))
    assert value.floor is not None
    return dataclasses.replace(value, floor=dataclasses.replace(value.floor, median_cents=None, dealers=0))


def everything() -> StatementValue:
    """One of each: every group of charges, every kind of payment, layaways, turns, rent that stays back, another mall."""
    sales = list(sale_lines(14))
    sales[0] = dataclasses.replace(
        sales[0], sold_on=date(2010, 11, 20), posted_on=date(2010, 11, 20), claimed_on=date(2010, 12, 4)
    )
    sales[1] = dataclasses.replace(sales[1], sold_on=date(2010, 11, 29), posted_on=date(2010, 12, 1))
    base = statement(
        tuple(sales),
        (return_line(sales[3], date(2010, 12, 20)), return_line(sales[5], date(2010, 12, 22), untied=True)),
        opening_cents=61240,
        payments=(
            PaymentLine(date(2010, 12, 2), "Your payment by check, 2207", 10000, "payment"),
            PaymentLine(date(2010, 12, 9), "Your check came back unpaid: 2207", -10000, "bounced"),
            PaymentLine(date(2010, 12, 10), "Paid to you, check 311", -61240, "payout"),
            PaymentLine(
                date(2010, 12, 15), "Puts right “Paid to you, check 311” of Dec 10, 2010: lost in the mail", 61240, "payout"
            ),
            PaymentLine(date(2010, 12, 28), "Your share of the co-op's surplus: for 2009", 4200, "patronage"),
        ),
        spaces=("Booth 12, 120.00 sq ft", "Case 3"),
        deposit_cents=30000,
    )
    more = (
        ChargeLine("case", "Case 3", "$35.00 a month × 20/31 days", -2258),
        ChargeLine("rent", "Discount", "$270.00 of rent, less 5% for members ($13.50)", 1350),
        ChargeLine("overflow", "Bay 2", "40.00 sq ft × $0.50 a month", -2000),
        ChargeLine("card", "Card cost", "2.5% of $312.44, the part of your sales paid by card", -781),
        ChargeLine("late", "Late fee", "$25.00, for what was overdue after Dec 10, 2010", -2500),
        ChargeLine("fee", "Key", "a second key to the case", -800),
        ChargeLine("turn", "Turn beyond those owed", "1 turn × $40.00", 4000),
    )
    charges = (base.charges[0], *more, base.charges[1])
    closing = base.closing_cents + sum(line.amount_cents for line in more)
    value = dataclasses.replace(base, charges=charges, closing_cents=closing)
    return in_full(
        value,
        paper=True,
        next_rent=(*NEXT_RENT, ChargeLine("case", "Case 3", "$35.00 a month", -3500)),
        next_rent_netted=True,
        layaways=(
            PendingLayaway(31, "Bow-front chest", "D01-77", date(2010, 11, 30), date(2011, 2, 28), 24000, 9600),
            PendingLayaway(34, "Pair of brass candlesticks", "D01-1101", date(2010, 12, 18), date(2011, 3, 18), 8800, 2000),
        ),
        turns=(
            TurnLine("Owed", "2", "2 a month by your lease"),
            TurnLine("Worked", "3", "Dec 4, Dec 11, Dec 19"),
            TurnLine("Credited", "1", "beyond those owed, at $40.00"),
        ),
        elsewhere=("Harbor Road Antiques",),
    )


def left() -> StatementValue:
    """A dealer who has left: no space, a return of what was sold under her lease, a balance she owes."""
    sold = sale_lines(1)[0]
    value = statement((), (return_line(sold, date(2010, 12, 20)),), rent_cents=0, pay_on=None, spaces=())
    value = dataclasses.replace(value, charges=value.charges[1:])
    return in_full(value, next_rent=(), floor=None, left_on=date(2010, 11, 30))


def empty() -> StatementValue:
    """Nothing sold, nothing charged, nothing owed."""
    return dataclasses.replace(statement(rent_cents=0, pay_on=None), charges=(), tax_collected=(), spaces=(), trade_name="")


def untied_return() -> StatementValue:
    """One return names its sale, one names none; a sale of November that reached the books late."""
    sales = sale_lines(8)
    late = dataclasses.replace(sales[0], sold_on=date(2010, 11, 28))
    return statement(
        (late, *sales[1:]),
        (
            return_line(sales[3], date(2010, 12, 20)),
            return_line(sales[5], date(2010, 12, 22), untied=True),
        ),
    )


def own_tax() -> StatementValue:
    """She files the state's tax herself, on two classes; the county's is the co-op's. One sale with a coupon, one trade-in."""
    sales = list(sale_lines(10))
    sales[0] = dataclasses.replace(sales[0], discount_cents=100, coupon_cents=100, price_cents=sales[0].tag_cents - 100)
    owed = (
        OwedTaxLine("State of Wisconsin", "2", 20000, 400, "Office of Revenue", "October to December 2010", date(2011, 1, 31)),
        OwedTaxLine("State of Wisconsin", "5", 50000, 2500, "Office of Revenue", "October to December 2010", date(2011, 1, 31)),
        OwedTaxLine("Weir Market District", "0.25", 50000, 125, "", "", None),
    )
    trade_in = PaymentLine(date(2010, 12, 9), "Trade-in on ticket 20420, which you took in part payment", -1500)
    value = statement(tuple(sales), payments=(trade_in,), tax_collected=(TaxLine("Millrace County", 70000, 350, "0.5"),))
    return dataclasses.replace(value, tax_owed=owed, closing_cents=value.closing_cents + 3025)


def odd_characters() -> StatementValue:
    """Markup, other scripts, pictures, marks and blanks where words were expected."""
    odd = (
        "<script>alert('x')</script> & \"quoted\"",
        "\u4e2d\u56fd\u74f7\u5668 vase",
        "\u0421\u0430\u043c\u043e\u0432\u0430\u0440, br\u00fbl\u00e9, \u0141\u00f3d\u017a, na\u00efve e\u0301",
        "\U0001f4a1 lamp \U0001f469\u200d\U0001f527 \u2764\ufe0f",
        "\u05e9\u05dc\u05d5\u05dd \u0645\u0631\u062d\u0628\u0627",
        "tab\tnew\nline\u2028and\u00a0nbsp\u200bzero \u2011 hyphen \x07 bell",
        "{{ 7*7 }} {% raw %} &amp; &#x4e2d;",
        "\u216b \uff11\uff12\uff13 \ufb01ne \u00bd \u2033 \u01fa",
    )
    sales = tuple(dataclasses.replace(line, description=text) for line, text in zip(sale_lines(len(odd)), odd, strict=True))
    return statement(sales, dealer_name="Zo\u00eb \u0141uczak \u674e", trade_name="\u201cThe Attic\u201d \u2014 R&D")


def long_words() -> StatementValue:
    """Words that fit no column, and amounts that nearly do not."""
    sales = sale_lines(6)
    long = dataclasses.replace(
        sales[0],
        description="Hippopotomonstrosesquippedaliophobia" * 5,
        tag="D01-" + "9" * 36,
        ticket="536365" * 5,
    )
    dear = dataclasses.replace(sales[1], tag_cents=1234567890, price_cents=1234567890 - sales[1].discount_cents)
    return statement(
        (long, dear, *sales[2:]),
        dealer_name="Wolfeschlegelsteinhausenbergerdorff" * 3,
        trade_name="Unbreakable" * 12,
        mall_name="Theverylongmallnamewithoutanyspace" * 2,
        spaces=tuple(f"Booth {n}, 120.00 sq ft" for n in range(1, 15)),
    )


SAMPLES = {
    "ten sales": ten_sales,
    "two pages": two_pages,
    "three pages": three_pages,
    "everything": everything,
    "held": held,
    "left": left,
    "debt": debt,
    "empty": empty,
    "untied return": untied_return,
    "her own tax": own_tax,
    "odd characters": odd_characters,
    "long words": long_words,
}
"""By what is particular about each."""
