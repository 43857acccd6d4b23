"""Letters: what each says, that it is written once for its key, and that a worker makes its paper and its mail."""

from __future__ import annotations

import dataclasses
import io
import json
from datetime import date, datetime, timedelta
from decimal import Decimal
from types import SimpleNamespace

import pikepdf
import pytest
from sqlalchemy import func, select

from coop.books.service import post_entry
from coop.core.db import Sessions, transaction
from coop.core.documents import Document
from coop.core.errors import Refusal
from coop.core.jobs import Job, claim_next, run_job
from coop.core.mail import Outbox
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.leases.agreements import Terms, sign_on_paper
from coop.leases.asking import Outsider, ask_for_space
from coop.leases.changing import reprice_space, share_space
from coop.leases.deposits import take_deposit
from coop.leases.documents import CAUTION, LAW, LetterUnreadable, from_value, letter_html, letter_mail, letter_pdf, to_value
from coop.leases.domain.deposit import Deduction
from coop.leases.leaving import give_notice, list_of, move_out, settle_leaving, tick_item
from coop.leases.letters import (
    send_letter_again,
    write_agreement,
    write_arrears,
    write_deposit,
    write_end,
    write_increase,
    write_offer,
    write_renewal,
)
from coop.leases.models import Lease, Letter
from coop.leases.offering import make_offer, withdraw_offer
from coop.leases.posting import post_rents
from coop.leases.pricing import Asked
from coop.leases.queries import charges_of
from coop.leases.rules import add_term, set_rules
from coop.leases.settling import open_dispute
from tests.factories.books import sale
from tests.factories.leases import make_rate
from tests.integration.leases.conftest import Yard


def on(month: int, day: int) -> date:
    return date(2026, month, day)


def words_of(letter: Letter) -> str:
    """All that a letter says, in one line."""
    value = from_value(letter.value)
    tables = [cell for table in value.tables for row in table.rows for cell in row]
    terms = [word for pair in value.terms for word in pair]
    signed = [word for one in value.signatures for word in (one.party, one.signed)]
    return " | ".join([value.title, value.outcome, *value.body, *tables, *terms, *value.clauses, *signed, value.caution])


# --- what each says -----------------------------------------------------------------------------------------------------


def test_the_agreement_says_every_term(yard: Yard) -> None:
    set_rules(
        yard.session,
        yard.mall,
        on(1, 1),
        rent_posts="advance",
        proration="thirty",
        late_how="greater",
        late_flat_cents=15_00,
        late_percent=Decimal(5),
        clauses="Nothing stands in the aisle.\n\nOpen flames stay out.",
        checklist=("Swept", "Keys given back"),
    )
    flat = Asked(yard.spaces["13"], area_sqft100=11500, agreed_per="flat", agreed_price=Decimal(240))
    lease = yard.lease("D01", "12", flat, terms=Terms(term_ends_on=date(2027, 5, 31), deposit_cents=510_00))
    add_term(yard.session, lease, "escalation", {"how": "percent", "percent": "3"}, starts_on=on(6, 1))
    letter = write_agreement(yard.session, yard.now, lease)
    said = words_of(letter)
    for words in (
        "Lantern Yard Dealers' Co-op leases Booth 12 and Booth 13 at Lantern Yard Antiques Hall to Ida Fenwick, "
        "from Jun 1, 2026.",
        "Booth 13 was measured at 120.00 sq ft on Nov 3, 2026; the rent goes by the 115.00 sq ft leased.",
        "Booth 12 | front | 120.00 sq ft | $2.25 a square foot a month | $270.00",
        "Booth 13 | front | 115.00 sq ft | $240.00 a month, flat, agreed for this lease | $240.00",
        "From Jun 1, 2026 through May 31, 2027; after that it runs on by the month, unless it is ended or renewed.",
        "$510.00 for a whole month at the prices above. It is charged in advance, on the first day of the month. "
        "A part of a month is charged by a month of thirty days.",
        "From Jun 1, 2026 on, the rent rises by 3% every year.",
        "Any other increase of the rent is told 30 days before it begins.",
        "10% of the month's net sales, once a month.",
        "What is unpaid after day 10 of a month costs $15.00 or 5% of it, whichever is more, once a month;",
        "$510.00. It stays the dealer's: after moving out it is returned, less what is owed and damage.",
        "30 days to the last day of a month, in writing, by either side; no earlier than the last day of the term.",
        "Gone through together: swept; keys given back.",
        "Nothing stands in the aisle. | Open flames stay out.",
        "For Lantern Yard Dealers' Co-op |  | The dealer, D01 | ",
        CAUTION,
    ):
        assert words in said, words
    sign_on_paper(yard.session, yard.now, lease, name="Ida Fenwick", on=on(5, 20))
    signed = write_agreement(yard.session, yard.now, lease)
    assert signed.id != letter.id
    assert "Signed by Ida Fenwick on May 20, 2026, on paper." in words_of(signed)


def test_the_agreement_of_one_who_shares_says_her_part(yard: Yard) -> None:
    own, other = yard.lease("D01", "12", starts_on=on(12, 1)), yard.lease("D02")
    share_space(yard.session, yard.now, yard.held(own), [(own, Decimal(60)), (other, Decimal(40))], on=on(12, 1))
    yard.on(on(12, 1))
    for lease, rent in ((own, "$162.00"), (other, "$108.00")):
        said = words_of(write_agreement(yard.session, yard.now, lease))
        assert "its rent is paid 60% by D01, 40% by D02. What each sells stays her own." in said
        assert f"{rent} for a whole month at the prices and shares above." in said


def test_an_agreement_without_a_price_is_refused(yard: Yard) -> None:
    yard.spaces["12"].zone = "loft"
    lease = yard.lease("D01", "12")
    with pytest.raises(Refusal, match="Booth 12 is in zone loft, and there is no rate in force on 2026-11-03 in zone loft"):
        write_agreement(yard.session, yard.now, lease)


def test_an_offer_s_letter(yard: Yard) -> None:
    asked = ask_for_space(yard.session, yard.now, yard.mall, yard.member("D01"), asked_on=on(10, 1))
    offer = make_offer(yard.session, yard.now, yard.spaces["12"], asked, starts_on=on(12, 1))
    letter = write_offer(yard.session, yard.now, offer)
    said = words_of(letter)
    for words in (
        "Booth 12 is yours from Dec 1, 2026 if you say so by Nov 10, 2026.",
        "You have been on the waiting list of Lantern Yard Antiques Hall since Oct 1, 2026.",
        "Rent | $270.00 a whole month: 120.00 sq ft × $2.25 a month",
        "Deposit | $270.00: one month's rent, $270.00 a month",
        "Why you | A member in good standing, the only one it can go to, waiting since Oct 1, 2026.",
        LAW,
    ):
        assert words in said, words
    assert from_value(letter.value).to == ("Ida Fenwick",)
    withdraw_offer(yard.session, yard.now, offer)
    with pytest.raises(Refusal, match="This offer is withdrawn: make a new one to write of"):
        write_offer(yard.session, yard.now, offer)


def test_a_renewal_says_what_happens_and_by_when_to_leave(yard: Yard) -> None:
    lease = yard.lease("D01", "12", terms=Terms(term_ends_on=on(12, 31)))
    said = words_of(write_renewal(yard.session, yard.now, lease))
    assert "The term of your lease of Booth 12 runs through Dec 31, 2026." in said
    assert "To leave with the term, give notice by Dec 1, 2026." in said
    assert "Rent now | $270.00 a whole month: 120.00 sq ft × $2.25 a month" in said
    with pytest.raises(Refusal, match="The lease of D02 has no term that runs: it goes on by the month"):
        write_renewal(yard.session, yard.now, yard.lease("D02", "11"))


def test_an_increase_is_told_in_time_with_before_and_after(yard: Yard) -> None:
    lease = yard.lease("D01", "12")
    make_rate(yard.session, yard.mall, "2.50", starts_on=on(12, 1))
    with pytest.raises(Refusal, match="The rent of D01: an increase from Dec 1, 2026 takes 30 days of notice"):
        write_increase(yard.session, yard.now, lease, begins_on=on(12, 1))
    yard.on(on(11, 1))
    said = words_of(write_increase(yard.session, yard.now, lease, begins_on=on(12, 1)))
    assert "From Dec 1, 2026 your rent is $300.00 a month, $30.00 more than now." in said
    assert "This tells you 30 days before it begins; the lease asks for 30." in said
    assert "Through Nov 30, 2026 | 120.00 sq ft × $2.25 a month | $270.00" in said
    assert "From Dec 1, 2026 | 120.00 sq ft × $2.50 a month | $300.00 | More |  | $30.00" in said
    with pytest.raises(Refusal, match=r"The rent of D01 does not rise on Jan 1, 2027: it is .* before"):
        write_increase(yard.session, yard.now, lease, begins_on=date(2027, 1, 1))


def test_a_raise_agreed_beforehand_may_be_told_late(yard: Yard) -> None:
    lease = yard.lease("D01", "12", starts_on=date(2025, 12, 1))
    add_term(yard.session, lease, "escalation", {"how": "percent", "percent": "3"})
    said = words_of(write_increase(yard.session, yard.now, lease, begins_on=on(12, 1)))
    assert "120.00 sq ft × $2.25 a month × 1.03 (3% more from Dec 1, 2026)" in said


def test_arrears_are_listed_without_what_is_disputed(yard: Yard) -> None:
    set_rules(yard.session, yard.mall, on(1, 1), rent_posts="advance")
    lease = yard.lease("D01", "12")
    with pytest.raises(Refusal, match="D01 owes nothing that is past due on Nov 3, 2026"):
        write_arrears(yard.session, yard.now, lease)
    for month in (9, 10, 11):
        post_rents(yard.session, yard.now, yard.mall, Month(2026, month))
    charge = charges_of(yard.session, yard.mall.id, Month(2026, 10))[0]
    open_dispute(yard.session, charge, on=on(10, 20), reason="The roof leaked.")
    said = words_of(write_arrears(yard.session, yard.now, lease))
    assert "$540.00 on your account is past due." in said
    assert "Booth 12, September 2026 | Sep 1, 2026 | $270.00" in said
    assert "Booth 12, October 2026, in dispute | Oct 1, 2026 | $270.00" in said
    assert "What is in dispute is listed, and not in the sum." in said


def leave(yard: Yard) -> Lease:
    lease = yard.lease("D01", "12", terms=Terms(deposit_cents=270_00))
    take_deposit(yard.session, yard.now, lease, 270_00, on=on(6, 1))
    give_notice(yard.session, yard.now, lease, by="coop", given_on=on(9, 1))
    return lease


def test_the_end_is_confirmed_with_its_list(yard: Yard) -> None:
    with pytest.raises(Refusal, match="The lease of D02 is not under notice: give notice first"):
        write_end(yard.session, yard.now, yard.lease("D02", "11"))
    lease = leave(yard)
    tick_item(yard.session, yard.now, list_of(yard.session, lease)[0], by="Ruth Ambler")
    said = words_of(write_end(yard.session, yard.now, lease))
    assert "Your lease of Booth 12 ends on Oct 31, 2026." in said
    assert "Notice was given by the co-op on Sep 1, 2026. Rent runs through Oct 31, 2026." in said
    assert "Space cleared and swept | done Nov 3, 2026 | Walls and fixtures as they were | to do" in said


def test_the_deposit_is_told_line_by_line(yard: Yard) -> None:
    lease = leave(yard)
    with pytest.raises(Refusal, match=r"The deposit of D01 is not settled: \$270.00 is held"):
        write_deposit(yard.session, yard.now, lease)
    for item in list_of(yard.session, lease):
        tick_item(yard.session, yard.now, item, by="Ruth Ambler")
    move_out(yard.session, yard.now, lease, on=on(10, 31))
    # Her sales are what the rent of June to October takes, five months that are all open.
    dealer = yard.session.get_one(Dealer, lease.dealer_id)
    post_entry(yard.session, yard.now, sale(yard.session, yard.mall, dealer, 5 * 270_00, on(10, 5), "october"))
    settle_leaving(yard.session, yard.now, lease, on=on(11, 2), damages=[Deduction("a broken pane", 20_00)])
    said = words_of(write_deposit(yard.session, yard.now, lease))
    assert "$250.00 of your deposit was returned to you." in said
    assert "Taken Jun 1, 2026 |  | $270.00 | Kept Nov 2, 2026 | a broken pane | −$20.00" in said
    assert "Returned Nov 2, 2026 |  | −$250.00 | Left |  | $0.00" in said


# --- once for a key -----------------------------------------------------------------------------------------------------


def test_a_letter_is_written_once_for_its_key_and_a_copy_when_asked(yard: Yard) -> None:
    lease = yard.lease("D01", "12")
    first = write_agreement(yard.session, yard.now, lease)
    assert write_agreement(yard.session, yard.now, lease) is first
    reprice_space(yard.session, yard.now, yard.held(lease), on=on(11, 10), per="flat", price=Decimal(200), told_on=yard.today)
    assert write_agreement(yard.session, yard.now, lease).value == first.value
    copies = [write_agreement(yard.session, yard.now, lease, again=True) for _ in range(2)]
    assert [letter.key for letter in (first, *copies)] == [
        f"agreement/lease:{lease.id}/to-sign{end}" for end in ("", "/copy:2", "/copy:3")
    ]
    assert copies[0].value != first.value
    jobs = yard.session.scalars(select(Job.key).where(Job.kind == "leases.letter").order_by(Job.id)).all()
    assert jobs == [f"letter:{letter.id}" for letter in (first, *copies)]


def test_a_stored_letter_reads_back_or_is_refused(yard: Yard) -> None:
    letter = write_agreement(yard.session, yard.now, yard.lease("D01", "12"))
    value = from_value(letter.value)
    assert from_value(json.loads(json.dumps(to_value(value)))) == value
    for wrong in ({}, dict(letter.value) | {"made_on": "soon"}, dict(letter.value) | {"more": 1}):
        with pytest.raises(LetterUnreadable):
            from_value(wrong)


# --- paper and mail -----------------------------------------------------------------------------------------------------


def test_a_paper_is_tagged_in_one_family_and_the_same_again(yard: Yard) -> None:
    lease = yard.lease("D01", "12", "13")
    value = from_value(write_agreement(yard.session, yard.now, lease).value)
    content = letter_pdf(value)
    assert letter_pdf(value) == content
    for paper, size in (("letter", [612, 792]), ("a4", [595, 842])):
        with pikepdf.open(io.BytesIO(letter_pdf(dataclasses.replace(value, paper=paper)))) as pdf:
            assert str(pdf.docinfo["/Title"]) == "Lease agreement, D01"
            assert bool(pdf.Root.MarkInfo.Marked)
            assert [round(float(side)) for side in pdf.pages[0].mediabox[2:]] == size
            fonts = {str(font.BaseFont) for page in pdf.pages for font in page.Resources.Font.values()}
            assert all("Source-Serif-Pro" in name for name in fonts)


def test_what_people_wrote_is_text_and_a_header_is_one_line(yard: Yard) -> None:
    letter = from_value(write_agreement(yard.session, yard.now, yard.lease("D01", "12")).value)
    hostile = dataclasses.replace(letter, title="A\nBcc: x@example.org", clauses=("<b>& {{ 1 }}</b>",), body=("<script>",))
    assert "&lt;b&gt;&amp; {{ 1 }}&lt;/b&gt;" in letter_html(hostile)
    subject, text, html = letter_mail(hostile)
    assert subject == "A Bcc: x@example.org: Lantern Yard Antiques Hall"
    assert text.startswith(letter.outcome)
    assert "&lt;script&gt;" in html


def work(sessions: Sessions, now: datetime) -> None:
    """Run the letters' jobs that are ready."""
    settings = SimpleNamespace(mail_domain="example.org")
    while True:
        with transaction(sessions) as session:
            claimed = claim_next(session, now, timedelta(seconds=60), queues=("statements",))
        if claimed is None:
            return
        run_job(sessions, claimed[0], lease=timedelta(seconds=60), token=claimed[1], settings=settings, clock=lambda: now)


def test_a_worker_makes_the_paper_and_mails_whom_it_can(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        yard = Yard(session, now)
        yard.member("D01").email = "ida@example.org"
        ida = write_agreement(session, now, yard.lease("D01", "12")).id
        amos = write_agreement(session, now, yard.lease("D02", "11")).id
        asked = ask_for_space(session, now, yard.mall, Outsider("Mina Sorrel", email="mina@example.org"))
        mina = write_offer(session, now, make_offer(session, now, yard.spaces["13"], asked)).id
    work(sessions, now)
    with transaction(sessions) as session:
        letters = {letter.id: letter for letter in session.scalars(select(Letter))}
        assert all(letter.document_id for letter in letters.values())
        names = session.scalars(select(Document.file_name).order_by(Document.id)).all()
        assert names == [
            f"agreement-D01-2026-11-03-{ida}.pdf",
            f"agreement-D02-2026-11-03-{amos}.pdf",
            f"offer-number-{asked.id}-on-the-waiting-list-2026-11-03-{mina}.pdf",
        ]
        mails = session.scalars(select(Outbox).order_by(Outbox.id)).all()
        assert [(mail.recipient, mail.document_id) for mail in mails] == [
            ("ida@example.org", letters[ida].document_id),
            ("mina@example.org", letters[mina].document_id),
        ]
        assert letters[amos].outbox_id is None
        with pytest.raises(Refusal, match=r"there is no mail address\. Print it, or write down an address first"):
            send_letter_again(session, now, letters[amos], mail_domain="example.org")
        # Run twice, each is once.
        job = session.scalars(select(Job).where(Job.key == f"letter:{ida}")).one()
        job.state = "queued"
    work(sessions, now)
    with transaction(sessions) as session:
        assert session.scalar(select(func.count(Document.id))) == 3
        assert session.scalar(select(func.count(Outbox.id))) == 2


def test_a_person_s_resend_has_a_message_id_of_its_own(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        yard = Yard(session, now)
        yard.member("D01").email = "ida@example.org"
        letter = write_agreement(session, now, yard.lease("D01", "12"))
        with pytest.raises(Refusal, match="Lease agreement, D01: its paper is being made; try again in a moment"):
            send_letter_again(session, now, letter, mail_domain="example.org")
    work(sessions, now)
    with transaction(sessions) as session:
        letter = session.scalars(select(Letter)).one()
        first = session.get_one(Outbox, letter.outbox_id)
        with pytest.raises(Refusal, match="This mail is still on its way"):
            send_letter_again(session, now, letter, mail_domain="example.org")
        first.state = "sent"
        again = send_letter_again(session, now, letter, mail_domain="example.org")
        assert (again.key, again.resend_of_id) == (f"letter/{letter.key}/2", first.id)
        assert again.message_id != first.message_id


def test_a_letter_that_was_printed_is_mailed_once_there_is_an_address(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        yard = Yard(session, now)
        write_agreement(session, now, yard.lease("D01", "12"))
        member = yard.member("D01")
    work(sessions, now)
    with transaction(sessions) as session:
        session.merge(member).email = "ida@example.org"
        session.flush()
        letter = session.scalars(select(Letter)).one()
        mail = send_letter_again(session, now, letter, mail_domain="example.org")
        assert (mail.key, mail.recipient, letter.outbox_id) == (f"letter/{letter.key}", "ida@example.org", mail.id)
