"""`coop rent`: a month's rents shown before they post, posted once though the process is killed, and an index from a file."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import func, select

from coop.books.checking import check_books
from coop.core.db import make_engine, make_sessions, transaction
from coop.leases.models import Charge, PriceIndex
from tests.factories.hall import ADVANCE, Hall
from tests.functional.warm import Ended, WarmCoop

MONTH = datetime.now(UTC).strftime("%Y-%m")


class Rent:
    """`coop rent` in a folder."""

    def __init__(self, data: Path, url: str, coop: WarmCoop) -> None:
        self.data, self.sessions, self.coop = data, make_sessions(make_engine(url)), coop

    def __call__(self, *words: str, **env: str) -> Ended:
        return self.coop("rent", *words, COOP_DATA=str(self.data), **env)

    def charged(self) -> list[int]:
        with transaction(self.sessions) as session:
            assert check_books(session) == []
            return list(session.scalars(select(Charge.amount_cents).order_by(Charge.id)))


@pytest.fixture(scope="module")
def coop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WarmCoop]:
    with WarmCoop(tmp_path_factory.mktemp("commands")) as command:
        yield command


@pytest.fixture
def rent(sqlite_url: str, tmp_path: Path, coop: WarmCoop) -> Rent:
    made = Rent(tmp_path, sqlite_url, coop)
    with transaction(made.sessions) as session:
        hall = Hall(session, datetime.now(UTC), **ADVANCE)
        hall.lease(hall.ida, hall.booth)
        hall.lease(hall.amos, hall.case)
    return made


def test_rents_are_shown_with_their_working_before_they_post(rent: Rent) -> None:
    shown = rent("show", "--mall", "main", MONTH)
    assert shown.out.splitlines() == [
        "dealer  charge                 amount     posted    to post  working",
        "D01     Booth 12               270.00       0.00     270.00  120.00 sq ft × $2.25 a month",
        "D02     Case C3                 45.00       0.00      45.00  $45.00 a month",
        "all                            315.00       0.00     315.00",
    ]
    assert rent.charged() == []
    assert rent("post", "--mall", "main", MONTH).out.startswith("2 charges posted for ")
    assert rent("post", "--mall", "main", MONTH).out.startswith("0 charges posted for ")
    rows = list(csv.DictReader(io.StringIO(rent("show", "--mall", "main", MONTH, "--csv").out)))
    assert [(row["dealer"], row["amount"], row["posted"], row["to_post"]) for row in rows] == [
        ("D01", "270.00", "270.00", "0.00"),
        ("D02", "45.00", "45.00", "0.00"),
    ]
    assert rent.charged() == [270_00, 45_00]


def test_killed_while_it_posts_it_posts_once_when_run_again(rent: Rent) -> None:
    assert rent("post", "--mall", "main", MONTH, COOP_KILL_AT="books:before-proof").killed
    assert rent.charged() == []
    assert rent("post", "--mall", "main", MONTH).code == 0
    assert rent.charged() == [270_00, 45_00]


def test_months_that_are_refused(rent: Rent) -> None:
    rent("post", "--mall", "main", MONTH)
    for month, said in (("2019-01", "rent of before is not in them"), ("2090-01", "January 2090 is too far ahead")):
        done = rent("post", "--mall", "main", month)
        assert (done.code, said in done.err) == (2, True)


def test_an_index_from_a_file(rent: Rent) -> None:
    file = rent.data / "index.csv"
    file.write_text("series,month,value\nCPI-U,2026-05,332.1\nCPI-U,2026-06,x\n")
    done = rent("import-index", str(file))
    assert (done.code, done.err) == (
        2,
        "coop: Row 3, value: 'x' is no index value; write it as published, such as 322.561.\n",
    )
    file.write_text("series,month,value\nCPI-U,2026-05,332.1\n")
    assert [rent("import-index", str(file)).out for _ in range(2)] == ["1 value taken.\n", "0 values taken.\n"]
    with transaction(rent.sessions) as session:
        assert session.scalar(select(func.count(PriceIndex.id))) == 1
