"""The invented co-op of the demo: its malls, its dealers and their wares, and the months it looks back on, all from one seed.

Nothing here is a real person, firm or place.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.cli.context import Coop
from coop.core.periods import Month
from coop.dealers.models import Dealer, UserAccount
from coop.floor.models import Mall

COOP_NAME = "Hollin Ferry Dealers' Co-op"
TIMEZONE = "America/Chicago"
JURISDICTIONS = (
    ("STATE", "State", "state", Decimal("5")),
    ("HOLLIN-COUNTY", "Hollin County", "county", Decimal("0.5")),
    ("HOLLIN-FERRY", "City of Hollin Ferry", "city", Decimal("2")),
)
TAX_OFFICE = "State Revenue Office"
MANAGER, BOOKKEEPER, DESK = "manager@example.org", "bookkeeper@example.org", "desk@example.org"


def at(day: date, hour: int, minute: int = 0) -> datetime:
    """A moment of the malls' day, in UTC."""
    return datetime.combine(day, time(hour, minute), ZoneInfo(TIMEZONE)).astimezone(UTC)


def turn_of(month: Month) -> datetime:
    """When a closed month's documents come among the work that waits behind: those of the newest month first."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(hours=(9999 - month.year) * 12 - month.month)


@dataclass(frozen=True)
class Months:
    """The months of the demo: those that are closed, from the first, and the running one after them."""

    first: Month
    running: Month

    @property
    def closed(self) -> list[Month]:
        """From the first to the last before the running one."""
        months = [self.first]
        while months[-1].next < self.running:
            months.append(months[-1].next)
        return months

    def back(self, count: int) -> Month:
        """The month so many before the running one; the first, where the demo does not go back so far."""
        return (self.closed[-count:] or [self.running])[0] if count else self.running


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
WARES = {
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
_KINDS = tuple(WARES)


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
    def phone(self) -> str:
        """One of the numbers that are kept free for stories."""
        return f"555 01{self.number + 39}"

    @property
    def address(self) -> str:
        return f"{self.number * 7 % 90 + 3} {_SHOPS[self.number % len(_SHOPS)]} Lane\nHollin Ferry"


_PULLS = {9: 0.06, 57: 0.08, 29: 1.3, 7: 1.5, 16: 1.5, 22: 1.5, 26: 1.5}
"""Two sell next to nothing, so that their months end below zero; who leaves owes nothing; whose booths are re-laid sell enough to
see what it did.
"""
_PULL_OF_WARES = {"furniture": 0.4, "paper": 1.6}
"""What costs much is sold seldom."""


def _shop_names(surnames: Sequence[str]) -> list[str]:
    """Each dealer's trade name, no two alike though surnames recur."""
    made: list[str] = []
    for n, surname in enumerate(surnames, start=1):
        shops = (_SHOPS[(n * 7 + further) % len(_SHOPS)] for further in range(len(_SHOPS)))
        made.append(next(name for shop in shops if (name := f"{surname}'s {shop}") not in made))
    return made


def dealers(seed: int) -> list[DemoDealer]:
    """Sixty invented dealers."""
    chance = random.Random(f"{seed}:dealers")
    names = [f"{first} {last}" for first in _FIRST for last in _LAST]
    chosen = chance.sample(names, 60)
    shops = _shop_names([name.split()[1] for name in chosen])
    return [
        DemoDealer(
            n,
            chosen[n - 1],
            shops[n - 1],
            _KINDS[n % len(_KINDS)],
            (_PULLS.get(n) or chance.uniform(0.6, 1.8)) * _PULL_OF_WARES.get(_KINDS[n % len(_KINDS)], 1.0),
        )
        for n in range(1, 61)
    ]


@dataclass(frozen=True)
class Demo:
    """A demo in the making: where, when, and the dealers it invents."""

    coop: Coop
    now: datetime
    seed: int
    months: Months
    roster: tuple[DemoDealer, ...]

    def here(self, mall: DemoMall) -> list[DemoDealer]:
        """The dealers of a mall."""
        return [dealer for dealer in self.roster if dealer.number in mall.dealers]


def mall_of(session: Session, made: DemoMall) -> Mall:
    """A mall of the demo as it is in the database."""
    return session.scalars(select(Mall).where(Mall.code == made.code)).one()


def dealer_of(session: Session, number: int) -> Dealer:
    """A dealer of the demo as she is in the database."""
    return session.scalars(select(Dealer).where(Dealer.code == f"D{number:02d}")).one()


def user_of(session: Session, email: str) -> int:
    """Who signs in with an address."""
    return session.scalars(select(UserAccount.id).where(UserAccount.email == email)).one()
