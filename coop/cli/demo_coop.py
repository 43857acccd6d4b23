"""The invented co-op of the demo: names, spaces and days of selling, all from one seed.

Nothing here is a real person, firm or place.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from coop.core.money import round_half_up
from coop.core.periods import Month
from coop.sales.domain import LineIn, TenderIn, TicketIn

COOP_NAME = "Hollin Ferry Dealers' Co-op"
TIMEZONE = "America/Chicago"
JURISDICTIONS = (
    ("STATE", "State", "state", Decimal("5")),
    ("HOLLIN-COUNTY", "Hollin County", "county", Decimal("0.5")),
    ("HOLLIN-FERRY", "City of Hollin Ferry", "city", Decimal("2")),
)
TAX_OFFICE = "State Revenue Office"


@dataclass(frozen=True)
class DemoMall:
    """A mall of the demo, with the dealers (by number) who rent in it."""

    code: str
    name: str
    address: str
    dealers: range
    jurisdictions: tuple[str, ...]
    rates: tuple[tuple[str, str, str], ...]
    """(zone, price in dollars, unit)"""
    empty: int = 0
    """Booths that nobody has leased."""


MALLS = (
    DemoMall(
        "FERRY",
        "Ferry Street Hall",
        "14 Ferry Street\nHollin Ferry",
        range(1, 41),
        ("STATE", "HOLLIN-COUNTY", "HOLLIN-FERRY"),
        (("front", "2.75", "sqft"), ("middle", "2.25", "sqft"), ("back", "1.50", "sqft"), ("case", "62.00", "flat")),
        empty=2,
    ),
    DemoMall(
        "DAIRY",
        "The Old Dairy",
        "County Road 9\nHollin",
        range(36, 61),
        ("STATE", "HOLLIN-COUNTY"),
        (("front", "1.90", "sqft"), ("middle", "1.60", "sqft"), ("back", "1.10", "sqft"), ("case", "48.00", "flat")),
    ),
)

_FIRST = (
    "Ada Bram Cleo Dorrit Emlyn Fenna Gustav Hedda Ivo Jorun Kester Linnea Marit Nils Odile Pell Quilla Rurik Sunniva Tamsin "
    "Ulla Vesper Wilmot Xanthe Yrsa Zebedee Anselm Birgit Corwin Delphine"
).split()
_LAST = (
    "Ashgrove Bellweather Corncroft Dunmarsh Elderby Fallowfield Greystoke Hartsedge Inchbald Juniperson Kettleby Larkrise "
    "Mossgrave Nettlefold Oakshott Pennyroyal Quillfeather Rushbrook Stonecrop Thistlewood"
).split()
_SHOPS = (
    "Attic Barn Cellar Cupboard Drawer Gable Hearth Kettle Ladder Lantern Linen Mantel Orchard Pantry Porch Shed Shelf Trunk "
    "Washstand Workbench"
).split()
_WARES = {
    "furniture": (
        (
            "Oak washstand with towel bar",
            "Pine blanket box, old blue paint",
            "Pair of ladder-back chairs",
            "Walnut side table",
            "Painted corner cupboard",
            "Elm stool, three-legged",
            "Drop-leaf kitchen table",
            "Bookcase with glass doors",
        ),
        (45, 480),
    ),
    "glass": (
        (
            "Pressed glass cake stand",
            "Green depression tumbler",
            "Cut decanter, stopper chipped",
            "Milk glass hen dish",
            "Set of six cordials",
            "Amber bottle, embossed",
        ),
        (6, 85),
    ),
    "kitchen": (
        (
            "Enamel bread bin",
            "Yellowware mixing bowl",
            "Cast iron muffin pan",
            "Wooden butter mold",
            "Tin flour sifter",
            "Rolling pin, maple",
            "Stoneware crock, two gallon",
        ),
        (8, 95),
    ),
    "linen": (
        ("Quilt, nine patch", "Embroidered pillow cases, pair", "Crochet tablecloth", "Feed sack apron", "Grain sack runner"),
        (9, 160),
    ),
    "paper": (
        (
            "Postcard, river view",
            "Seed packet, unopened",
            "Road map 1951",
            "Sheet music",
            "Children's reader, worn",
            "Photograph, cabinet card",
        ),
        (1, 24),
    ),
    "tools": (
        ("Brace and three bits", "Block plane", "Folding rule, boxwood", "Hay hook", "Tin oiler", "Level, cherry and brass"),
        (5, 75),
    ),
    "jewelry": (
        ("Brooch, paste stones", "String of glass beads", "Cuff links, mother-of-pearl", "Watch fob", "Silver bangle"),
        (4, 140),
    ),
}
_KINDS = tuple(_WARES)


@dataclass(frozen=True)
class DemoDealer:
    """A dealer of the demo."""

    number: int
    name: str
    shop: str
    wares: str
    pull: float
    """How well the dealer sells, against the others."""

    @property
    def code(self) -> str:
        return f"D{self.number:02d}"

    @property
    def email(self) -> str:
        """Two dealers have no mail: their statements are printed."""
        return "" if self.number in (23, 51) else f"{self.code.lower()}@example.org"

    @property
    def address(self) -> str:
        return f"{self.number * 7 % 90 + 3} {_SHOPS[self.number % len(_SHOPS)]} Lane\nHollin Ferry"


def dealers(seed: int) -> list[DemoDealer]:
    """Sixty invented dealers."""
    chance = random.Random(f"{seed}:dealers")
    names = [f"{first} {last}" for first in _FIRST for last in _LAST]
    chosen = chance.sample(names, 60)
    return [
        DemoDealer(
            n,
            chosen[n - 1],
            f"{chosen[n - 1].split()[1]}'s {_SHOPS[n * 7 % len(_SHOPS)]}",
            _KINDS[n % len(_KINDS)],
            # A few sell next to nothing, so that some months end below zero.
            0.05 if n in (9, 28, 57) else chance.uniform(0.5, 1.8),
        )
        for n in range(1, 61)
    ]


def tickets(
    mall: DemoMall, people: dict[int, int], month: Month, through: date, *, seed: int, roster: Sequence[DemoDealer]
) -> Iterator[TicketIn]:
    """A month's tickets of a mall up to a day, in order of time. `people` maps a dealer's number to the dealer's id."""
    return _Selling(mall, people, month, [d for d in roster if d.number in people], seed).through(through)


class _Selling:
    """A month at a mall's desk: who may sell, and the numbers given out so far."""

    def __init__(self, mall: DemoMall, people: dict[int, int], month: Month, here: list[DemoDealer], seed: int) -> None:
        self.mall, self.people, self.month, self.here = mall, people, month, here
        self.chance = random.Random(f"{seed}:{mall.code}:{month}")
        self.tagged: Counter[int] = Counter()

    def through(self, last: date) -> Iterator[TicketIn]:
        season = {11: 1.3, 12: 1.6, 1: 0.7, 2: 0.7}.get(self.month.month, 1.0)
        number = 0
        for day in self.month.each_day():
            if day > last:
                return
            if day.weekday() == 0:  # closed on Mondays
                continue
            busy = season * (1.7 if day.weekday() >= 5 else 1.0)
            count = round(self.chance.uniform(1.2, 2.0) * len(self.here) / 2.2 * busy)
            for minutes in sorted(self.chance.randrange(0, 450) for _ in range(count)):
                number += 1
                at = datetime.combine(day, time(10, 0), ZoneInfo(TIMEZONE)) + timedelta(minutes=minutes)
                name = f"{self.mall.code[0]}{self.month.year % 100:02d}{self.month.month:02d}-{number:04d}"
                yield from self.checkout(name, at.astimezone(UTC))

    def checkout(self, number: str, at: datetime) -> Iterator[TicketIn]:
        """A ticket, and now and then a part of it brought back."""
        dealers = self.chance.choices(self.here, [d.pull for d in self.here], k=self.chance.choice((1, 1, 1, 2, 2, 3, 4)))
        lines = tuple(self.line(dealer, position) for position, dealer in enumerate(dealers, 1))
        source, key = f"{self.mall.code}/desk", f"{self.mall.code}/desk/{number}"
        tender = (TenderIn(self.chance.choices(("card", "cash", "check"), (6, 3, 1))[0]),)
        buyer = key if self.chance.random() < 0.03 else ""
        yield TicketIn(key, number, source, "sale", at, lines, tender, buyer_key=buyer)
        sold = lines[0]
        if buyer and sold.dealer_id is not None and sold.quantity == 1:
            back = replace(sold, quantity=-1, tag_cents=-sold.tag_cents, discount_cents=-sold.discount_cents)
            later = at + timedelta(minutes=20)
            yield TicketIn(f"{key}/R", f"{number}R", source, "return", later, (back,), tender, buyer_key=buyer)

    def line(self, dealer: DemoDealer, position: int) -> LineIn:
        chance = self.chance
        words, (low, high) = _WARES[dealer.wares]
        dollars = low + (high - low) * chance.randrange(100) * chance.randrange(100) // 10000
        unit = dollars + chance.choice((Decimal(0), Decimal("0.50"), Decimal("0.95")))
        quantity = chance.choice((1, 1, 1, 1, 1, 2)) if unit < 20 else 1
        cents = round_half_up(unit * quantity * 100)
        discount, reason, authority = 0, "", ""
        if unit > 20 and chance.random() < 0.25:
            discount, reason, authority = round_half_up(Decimal(cents) / 10), "standing", "10% over $20, on request"
        elif chance.random() < 0.04:
            discount, reason, authority = round_half_up(Decimal(cents) / 5), "booth", f"20% off, by {dealer.code}"
        self.tagged[dealer.number] += 1
        unclaimed = chance.random() < 0.006
        item = f"{self.mall.code[0]}{self.month.month:02d}{self.tagged[dealer.number]:03d}"
        return LineIn(
            position=position,
            dealer_id=None if unclaimed else self.people[dealer.number],
            tag="" if unclaimed else f"{dealer.code}-{item}",
            description=chance.choice(words),
            quantity=quantity,
            unit_price=unit,
            tag_cents=cents,
            discount_cents=discount,
            discount_reason=reason,
            discount_authority=authority,
        )
