"""A small invented co-op with everything its pages show: a mall, three dealers, sales, a month-end, statements, letters."""

from __future__ import annotations

import dataclasses
import hashlib
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.domain.opening_csv import EXAMPLE, read_opening_rows
from coop.books.models import Opening
from coop.books.service import ensure_period
from coop.closing.models import CloseStep, MonthClose
from coop.closing.service import group_of
from coop.closing.steps import TITLES
from coop.core import audit, jobs
from coop.core.clock import local_date
from coop.core.documents import keep_document
from coop.core.mail import MailAttempt, queue_mail
from coop.core.periods import Month
from coop.dealers import service as people
from coop.dealers.feeds import make_feed, running_feeds
from coop.dealers.membership import add_dealer, found_coop
from coop.dealers.models import Dealer, RoleGrant, SignInLink, UserAccount
from coop.floor.domain.plan import LEAST_CLEAR_IN16
from coop.floor.models import Mall
from coop.floor.planning import set_aisle_width
from coop.floor.service import add_mall, add_space
from coop.leases.agreements import make_lease
from coop.leases.rules import set_rate
from coop.sales.devices import register_device
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.layaway import Terms, agree_layaway
from coop.sales.service import take_tickets
from coop.statements.book import book_name
from coop.statements.domain import from_json, sha256, to_json
from coop.statements.line_pages import line_said
from coop.statements.models import Statement, StatementBook, StatementQuestion
from coop.tax.documents import pdf_name
from coop.tax.domain.returns import FilingPeriod
from coop.tax.filing import file_return
from tests.factories import statements
from tests.factories.banking import add_bank_lines
from tests.factories.by_hand import add_by_hand
from tests.factories.leasing import add_lease_rows
from tests.factories.overflow_house import OverflowLaid, add_overflow_rows
from tests.factories.payout_run import add_run
from tests.factories.resets import ResetsLaid, add_reset_rows
from tests.factories.tax import OFFICE, add_papers, make_filer
from tests.factories.turns import TurnsLaid, add_turn_rows
from tests.factories.unclaimed import add_unclaimed
from tests.factories.year_end import add_year_end

PASSPHRASE = "bakino tuvela domuri sapeko"
"""Of every user of the house."""
OCTOBER, NOVEMBER = Month(2026, 10), Month(2026, 11)
READERS = ("manager", "bookkeeper", "auditor")
"""Of the office's pages."""
LETTER = "$5,183.90 will be paid to you on Nov 10, 2026.\n\nThe statement is attached."
PDF = b"%PDF-1.7\n% bytes of a test, not a rendering\n%%EOF\n"

ONE_HASH = people.HASHER.hash(PASSPHRASE)


@dataclass(frozen=True)
class House:
    """Ids and names of what was built."""

    mall: Mall
    users: dict[str, int]
    """User id by role; `dealer` is D01's and `other dealer` D02's, `nobody` has no role."""
    tokens: dict[str, str]
    """A good session's cookie of each of them."""
    numbers: dict[str, str]
    """Statement number by dealer code."""
    feed_token: str
    """Secret of the manager's calendar feed of due dates."""
    feeds: dict[str, int]
    """Id of each office reader's own feed."""
    link_token: str
    """Secret of a link by which `nobody` chooses a passphrase."""
    sent_mail: int
    failed_mail: int
    unclaimed: int
    """Line of a ticket that is nobody's; D01 asks for it."""
    question: int
    """What D01 asks about October's commission; zero without a month-end."""
    plan_paper: int
    """A document: the hall's plan on paper."""
    turns: TurnsLaid
    """What stands on November's rota, and what the pages of turns name."""
    resets: ResetsLaid
    """D01's pieces, booth 12 as it was measured, and its sets."""
    overflow: OverflowLaid
    """Two bays, what of D01 and D02 stands there, and what D01 asked for."""


def add_person(session: Session, now: datetime, email: str, roles: tuple[str, ...], member_id: int | None = None) -> int:
    """A user who signs in with PASSPHRASE; the hash is shared, so that a test does not pay for each."""
    user = UserAccount(email=email, member_id=member_id, password_hash=ONE_HASH, disabled_at=None, created_at=now)
    user.grants = [RoleGrant(role=role) for role in roles]
    session.add(user)
    session.flush()
    return user.id


def build_house(session: Session, now: datetime, *, month_end: bool = True) -> House:
    """Build it at `now` (3 November 2026): October's statements are made (unless `month_end` is false), November is open."""
    found_coop(session, now, "Lantern Yard Dealers' Co-op", commission_percent=Decimal(10))
    mall = add_mall(session, now, "MAIN", name="Lantern Yard Antiques Hall", timezone="America/Chicago")
    booth = add_space(session, now, mall, "12", kind="booth", zone="front", width_in16=1920, depth_in16=2304)
    ida = add_dealer(
        session,
        now,
        "D01",
        name="Ida Fenwick",
        email="ida@example.org",
        trade_name="Fenwick & Daughter",
        joined_on=date(2025, 3, 1),
    )
    amos = add_dealer(session, now, "D02", name="Amos Pell", email="amos@example.org", joined_on=date(2025, 3, 1))
    set_rate(session, mall, "front", Decimal("2.25"), per="sqft", starts_on=date(2026, 1, 1))
    make_lease(session, now, mall, ida, starts_on=date(2026, 10, 1), commission_percent=Decimal(10), spaces=[booth])
    make_lease(session, now, mall, amos, starts_on=date(2026, 10, 1), commission_percent=Decimal(10))
    _sell(session, now, mall, ida, amos)
    ensure_period(session, mall.id, OCTOBER)
    ensure_period(session, mall.id, NOVEMBER)
    emails = {
        "manager": ("manager@example.org", ("manager",), None),
        "bookkeeper": ("books@example.org", ("bookkeeper",), None),
        "auditor": ("auditor@example.org", ("auditor",), None),
        "desk": ("desk@example.org", ("desk",), None),
        "dealer": ("ida@example.org", ("dealer",), ida.member_id),
        "other dealer": ("amos@example.org", ("dealer",), amos.member_id),
        "nobody": ("nobody@example.org", (), None),
    }
    users = {name: add_person(session, now, email, roles, member_id) for name, (email, roles, member_id) in emails.items()}
    tokens = {
        name: people.begin_session(session, now, user_id, address="192.0.2.7", agent="Firefox/140.0 (X11; Linux)")
        for name, user_id in users.items()
    }
    numbers: dict[str, str] = {}
    mails = [0, 0]
    if month_end:
        mails = []
        _close(session, now, mall, users["manager"])
    for dealer, name in ((ida, "Ida Fenwick"), (amos, "Amos Pell")) if month_end else ():
        statement, mail_id = _state(session, now, mall, dealer, name)
        numbers[dealer.code] = statement.number
        mails.append(mail_id)
    if month_end:
        _bind(session, now, mall)
    audit.record(session, now, "month-end begun", "month close", "MAIN 2026-10", user_id=users["manager"])
    filer = make_filer(session, now, mall, [ida, amos])
    add_papers(session, now, filer)
    file_return(session, now, OFFICE, FilingPeriod(OCTOBER, "month"), filed_on=date(2026, 11, 2), user_id=users["manager"])
    name = pdf_name("elder-revenue-office.2026-10")
    keep_document(session, now, file_name=name, media_type="application/pdf", content=PDF + b"return", made_with="a test")
    name = "tax-return-elder-revenue-office.2026-11-draft-000000000000.pdf"
    keep_document(session, now, file_name=name, media_type="application/pdf", content=PDF + b"draft", made_with="a test")
    name = "floor-plan-MAIN-v1-2026-11-03-1to48-letter.pdf"
    paper = keep_document(session, now, file_name=name, media_type="application/pdf", content=PDF + b"plan", made_with="a test")
    set_aisle_width(session, now, mall, "", local_date(now, mall.timezone), LEAST_CLEAR_IN16, said_by="the co-op's meeting")
    add_lease_rows(session, now, mall)
    _set_aside(session, now, mall, ida)
    _paper(session, now, users["manager"])
    add_bank_lines(session, now)
    unclaimed = add_unclaimed(session, now, mall, ida)
    add_year_end(session, now, mall, ida, users["bookkeeper"])
    add_by_hand(session, now, mall, users["bookkeeper"])
    register_device(session, now, mall, "front desk")
    add_run(session, now, mall, ida, users["bookkeeper"], users["manager"])
    question = _ask(session, now, numbers.get("D01"), users["dealer"])
    turns = add_turn_rows(session, now, mall, users["manager"])
    resets = add_reset_rows(session, now, mall, ida, booth)
    overflow = add_overflow_rows(session, now, mall, ida, amos)
    secrets = {who: make_feed(session, now, users[who], "tax", label="Office computer") for who in READERS}
    feeds = {who: running_feeds(session, users[who], "tax")[0].id for who in READERS}
    session.flush()
    return House(
        mall,
        users,
        tokens,
        numbers,
        secrets["manager"],
        feeds,
        _link(session, now, users["nobody"]),
        sent_mail=mails[0],
        failed_mail=mails[1],
        plan_paper=paper.id,
        turns=turns,
        resets=resets,
        overflow=overflow,
        unclaimed=unclaimed,
        question=question,
    )


def _sell(session: Session, now: datetime, mall: Mall, ida: Dealer, amos: Dealer) -> None:
    tickets = []
    for n, (dealer, day, cents) in enumerate(
        ((ida, date(2026, 11, 1), 12500), (ida, date(2026, 11, 2), 4250), (amos, date(2026, 11, 2), 999))
    ):
        line = LineIn(
            position=1,
            dealer_id=dealer.id,
            tag=f"{dealer.code}-{100 + n}",
            description="Oak washstand",
            quantity=1,
            unit_price=Decimal(cents) / 100,
            tag_cents=cents,
        )
        sold_at = datetime(day.year, day.month, day.day, 18, 0, tzinfo=UTC)
        tickets.append(
            TicketIn(
                key=f"test:{n}",
                number=str(500 + n),
                source="desk-1",
                kind="sale",
                sold_at=sold_at,
                lines=(line,),
                tenders=(TenderIn("cash"),),
                taxed=False,
            )
        )
    take_tickets(session, now, mall, tickets)


def _paper(session: Session, now: datetime, user_id: int) -> None:
    """A file of balances from paper that nobody has signed; the books have begun meanwhile."""
    opening = Opening(
        file_name="paper.csv",
        file_sha256=hashlib.sha256(EXAMPLE.encode()).hexdigest(),
        content=EXAMPLE,
        first_day=OCTOBER.first_day,
        totals=read_opening_rows(EXAMPLE).totals,
        state="read",
        read_by=user_id,
        read_at=now,
    )
    session.add(opening)


def _set_aside(session: Session, now: datetime, mall: Mall, dealer: Dealer) -> None:
    """Layaway 1: a chest at $240, a fifth of it paid."""
    chest = LineIn(
        position=1,
        dealer_id=dealer.id,
        tag="D01-77",
        description="Bow-front chest",
        quantity=1,
        unit_price=Decimal(240),
        tag_cents=240_00,
    )
    terms = Terms("Orla Quint", due_days=90, buyer_contact="orla@example.org", fee_percent=Decimal(10))
    agree_layaway(session, now, mall, [chest], terms, deposit=TenderIn("cash", 48_00), key="the house's")


def _state(session: Session, now: datetime, mall: Mall, dealer: Dealer, name: str) -> tuple[Statement, int]:
    """An October statement of forty sales, its document and its mail: sent for D01, refused for D02."""
    sold = tuple(
        dataclasses.replace(
            line, sold_on=line.sold_on.replace(year=2026, month=10), posted_on=line.posted_on.replace(year=2026, month=10)
        )
        for line in statements.sale_lines(40, code=dealer.code)
    )
    back = statements.return_line(sold[3], date(2026, 10, 20))
    opening = 61240 if dealer.code == "D01" else -5000
    made = statements.in_full(statements.statement(sold, (back,), opening_cents=opening, pay_on=date(2026, 11, 10)))
    value = dataclasses.replace(
        made,
        number=f"MAIN.{dealer.code}.2026-10",
        mall_name=mall.name,
        dealer_code=dealer.code,
        dealer_name=name,
        trade_name=dealer.trade_name,
        first_day=OCTOBER.first_day,
        last_day=OCTOBER.last_day,
        made_on=date(2026, 11, 2),
    )
    text = to_json(value)
    document = keep_document(
        session,
        now,
        file_name=f"statement-{value.number}.pdf",
        media_type="application/pdf",
        content=PDF + dealer.code.encode(),
        made_with="a test",
    )
    mail = queue_mail(
        session,
        now,
        key=f"statement/MAIN/{dealer.code}/2026-10",
        kind="statement",
        recipient=f"{dealer.code}@example.org".lower(),
        subject=f"Your statement for October 2026 ({dealer.code})",
        text_body=LETTER,
        document_id=document.id,
        mail_domain="example.org",
    )
    sent = dealer.code == "D01"
    mail.state, mail.attempts = ("sent" if sent else "failed"), 1
    mail.sent_at = now if sent else None
    mail.error = "" if sent else "550 5.1.1 no such mailbox"
    session.add(
        MailAttempt(
            outbox_id=mail.id,
            started_at=now,
            ended_at=now + timedelta(seconds=1),
            outcome="sent" if sent else "refused",
            reply="250 2.0.0 taken" if sent else "550 5.1.1 no such mailbox",
        )
    )
    statement = Statement(
        number=value.number,
        mall_id=mall.id,
        dealer_id=dealer.id,
        first_day=value.first_day,
        value_json=text,
        value_sha256=sha256(text),
        opening_cents=value.opening_cents,
        closing_cents=value.closing_cents,
        document_id=document.id,
        outbox_id=mail.id,
        created_at=now,
    )
    session.add(statement)
    session.flush()
    return statement, mail.id


def _ask(session: Session, now: datetime, number: str | None, user_id: int) -> int:
    """A question about the commission of a statement, which waits; its id."""
    if number is None:
        return 0
    statement = session.scalars(select(Statement).where(Statement.number == number)).one()
    row = StatementQuestion(
        statement_id=statement.id,
        line="charges/1",
        said=line_said(from_json(statement.value_json), "charges/1"),
        question="Why is commission taken on the oak washstand, which came back?",
        asked_by=user_id,
        asked_at=now,
    )
    session.add(row)
    session.flush()
    return row.id


def _link(session: Session, now: datetime, user_id: int) -> str:
    token = "a-secret-of-the-tests-that-is-as-long-as-others"
    made = {"user_id": user_id, "purpose": "passphrase", "made_by": None, "created_at": now, "used_at": None, "ended_at": None}
    session.add(SignInLink(token_sha256=people.hash_token(token), token_sealed="", expires_at=now + timedelta(hours=2), **made))
    return token


def _bind(session: Session, now: datetime, mall: Mall) -> None:
    """October's statements in one file."""
    name = book_name(mall.code, OCTOBER, without_mail=False)
    file = keep_document(session, now, file_name=name, media_type="application/pdf", content=PDF + b"book", made_with="a test")
    session.add(
        StatementBook(
            mall_id=mall.id,
            first_day=OCTOBER.first_day,
            without_mail=False,
            statements=2,
            document_id=file.id,
            made_at=now,
        )
    )


def _close(session: Session, now: datetime, mall: Mall, user_id: int) -> None:
    """October's month-end while its statements are being made."""
    close = MonthClose(mall_id=mall.id, first_day=OCTOBER.first_day, started_by=user_id, started_at=now)
    session.add(close)
    session.flush()
    before = list(TITLES).index("statements")
    for position, name in enumerate(TITLES):
        state = "done" if position < before else "running" if position == before else "waiting"
        session.add(
            CloseStep(
                close_id=close.id,
                name=name,
                position=position,
                state=state,
                report="Done, as a test has it." if state == "done" else "",
                progress_done=1 if state == "running" else 0,
                progress_total=2 if state == "running" else 0,
                finished_at=now if state == "done" else None,
            )
        )
    jobs.name_job(
        session, now, "closing.watch", {"close_id": close.id, "step": "statements"}, queue="default", group_key=group_of(close.id)
    )
