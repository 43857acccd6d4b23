"""Leases in the office: what a form writes, what is refused at which field, and how many queries a list takes."""

from __future__ import annotations

import io
import re
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from sqlalchemy import func, select

from coop.core.audit import AuditLog
from coop.core.db import transaction
from coop.dealers.membership import add_dealer
from coop.dealers.models import Dealer, Member
from coop.floor.models import Mall, Space
from coop.floor.service import add_space
from coop.leases import asking
from coop.leases.agreements import Terms, make_lease
from coop.leases.models import (
    Charge,
    Dispute,
    Lease,
    LeaseRule,
    LeaseSpace,
    LeaseTerm,
    Letter,
    MoveOutItem,
    Offer,
    PriceIndex,
    RentRate,
    Waiting,
)
from tests.factories.leasing import Leasing
from tests.integration.web.conftest import Web, form_token, send
from tests.integration.web.test_office import count_queries
from tests.integration.web.test_tax_terms import mistake_at

MALL = "/office/leases/MAIN"
TABLES = (Charge, Dispute, Lease, LeaseRule, LeaseSpace, LeaseTerm, Letter, Offer, PriceIndex, RentRate, Waiting, Dealer, Member)
LATER = {"starts_on": "2026-12-01"}
FREE = {"starts_on": "2026-11-10", "commission_percent": "10", "proration": "actual", "notice_days": "30", "notice_to": "month"}


def rows(web: Web) -> dict[str, int]:
    """How many rows there are of what these pages write."""
    with web.sessions() as session:
        return {table.__tablename__: session.scalar(select(func.count()).select_from(table)) or 0 for table in TABLES}


def space_id(web: Web, code: str) -> str:
    with web.sessions() as session:
        return str(session.scalars(select(Space.id).where(Space.code == code)).one())


# --- refused at the field, nothing written ----------------------------------------------------------------------------------

WRONG: list[tuple[str, dict[str, str], str, str]] = [
    ("/rates", {"zone": "", "price": "2", "per": "sqft", "starts_on": "2027-03-01"}, "zone", "Name the zone"),
    ("/rates", {"zone": "front", "price": "-1", "per": "sqft", "starts_on": "2027-03-01"}, "price", "cannot be negative"),
    ("/rates", {"zone": "front", "price": "9", "per": "sqft", "starts_on": "2026-11-10"}, "starts_on", "takes 30 days of notice"),
    ("/rules/change", {"starts_on": "2027-02-01", "late_how": "flat"}, "late_flat", "Write how many dollars"),
    ("/rules/change", {"starts_on": "2027-02-01", "late_after_day": "31"}, "late_after_day", "from 1 to 28"),
    ("/index-values", {"series": "CPI-X", "month": "2026-13", "value": "320"}, "month", "is not a month"),
    ("/index-values", {"series": "CPI-X", "month": "2026-09", "value": "99"}, "value", "already"),
    ("/new", {"dealer": "", **FREE}, "dealer", "Choose whose lease it is."),
    ("/new", {"dealer": "1", **FREE, "term_ends_on": "2026-11-01"}, "term_ends_on", "Write a day after 2026-11-10"),
    ("/new", {"dealer": "1", **FREE, "commission_percent": "ten"}, "commission_percent", "not a percent"),
    ("/1/sign", {"name": "", "on": "2026-11-01"}, "name", "Write the full name"),
    ("/1/sign", {"name": "Ida Fenwick", "on": "2026-12-01"}, "on", "a day to come"),
    ("/1/notice", {"by": "dealer", "given_on": "2026-11-03", "last_day": "2026-11-05"}, "last_day", "ends on Dec 31, 2026"),
    ("/1/deposit", {"amount": "lots", "on": "2026-11-03", "how": "bank"}, "amount", "is not an amount"),
    ("/1/deposit", {"amount": "999", "on": "2026-11-03", "how": "account"}, "amount", "is on it"),
    ("/1/spaces/1/resize", {"on": "2026-12-01", "area": "0"}, "area", "above zero"),
    ("/1/spaces/1/price", {"on": "2026-11-10", "price": "3", "per": "sqft", "told_on": "2026-11-03"}, "on", "30 days of notice"),
    ("/1/spaces/1/give-up", {"last_day": "2020-01-01"}, "last_day", "held from"),
    (
        "/1/spaces/1/share",
        {"on": "2026-12-01", "shares-0-lease": "1", "shares-0-percent": "50", "shares-1-lease": "2", "shares-1-percent": "40"},
        "shares-1-percent",
        "Together they are 90%, not 100%",
    ),
    ("/1/terms/discount", {"starts_on": "2026-12-01", "reason": "member", "name": "so"}, "percent", "a percent or dollars"),
    (
        "/1/terms/steps",
        {"starts_on": "2026-12-01", "steps-0-on": "2026-11-01", "steps-0-percent": "3"},
        "steps-0-on",
        "begins on",
    ),
    (
        "/1/terms/commission",
        {"starts_on": "2026-12-01", "tiers-0-upto": "50", "tiers-0-percent": "9"},
        "tiers-0-upto",
        "last tier",
    ),
    ("/1/terms/rise", {"starts_on": "2026-12-01", "ends_on": "2026-11-30"}, "ends_on", "would end before it starts"),
    ("/waiting/new", {"kind": "booth", "asked_on": "2026-11-03"}, "name", "Choose a member above, or write who asks."),
    ("/waiting/new", {"name": "Bo", "kind": "booth", "asked_on": "2026-11-03"}, "email", "to be reached by"),
    ("/waiting/new", {"name": "Bo", "phone": "1", "kind": "booth", "asked_on": "2027-01-01"}, "asked_on", "is to come"),
    (
        "/waiting/new",
        {"name": "Bo", "phone": "1", "kind": "booth", "asked_on": "2026-11-03", "least": "90", "most": "80"},
        "most",
        "turn the two round",
    ),
    ("/offers/1/accept", {"answered_on": "2026-11-03", "commission_percent": "10", "deposit": ""}, "deposit", "0 for none"),
]


@pytest.mark.parametrize(("end", "fields", "at", "sentence"), WRONG)
def test_what_is_wrong_is_told_at_its_field_and_nothing_is_written(
    web: Web, leasing: Leasing, end: str, fields: dict[str, str], at: str, sentence: str
) -> None:
    before = rows(web)
    answer = send(web.browser("manager"), MALL + end, **fields)
    assert answer.status_code == 422
    assert sentence in mistake_at(answer.text, at).replace("&#34;", '"')
    for name, typed in fields.items():
        if typed and name != "per" and not typed.isdigit():
            assert f'value="{typed}"' in answer.text or f">{typed}<" in answer.text, name
    assert rows(web) == before


def test_a_file_of_index_values_with_a_bad_row_is_left_out_whole(web: Web, leasing: Leasing) -> None:
    client = web.browser("manager")

    def bring(text: str) -> object:
        sent = {"csrf_token": form_token(client), "file": (io.BytesIO(text.encode()), "cpi.csv")}
        return client.post(f"{MALL}/index-values/file", data=sent)

    wrong = bring("series,month,value\nCPI-X,2026-10,325.1\nCPI-X,2026-11,none\n")
    assert wrong.status_code == 422  # type: ignore[attr-defined]
    assert "Row 3, value:" in mistake_at(wrong.text, "file")  # type: ignore[attr-defined]
    assert rows(web)["price_index"] == 1
    assert bring("series,month,value\nCPI-X,2026-10,325.1\n").status_code == 303  # type: ignore[attr-defined]
    assert rows(web)["price_index"] == 2


# --- done, said back, and undone --------------------------------------------------------------------------------------------


def test_a_term_is_said_back_in_a_sentence_and_taken_back(web: Web, leasing: Leasing) -> None:
    client = web.browser("manager")
    fields = {"starts_on": "2027-01-01", "reason": "introductory", "name": "in the first months", "percent": "25"}
    answer = client.post(
        f"{MALL}/{leasing.noticed}/terms/discount", data={"csrf_token": form_token(client), **fields}, follow_redirects=True
    )
    assert "From Jan 1, 2027 on, the rent is 25% less in the first months." in answer.text
    with web.sessions() as session:
        term = session.scalars(select(LeaseTerm).where(LeaseTerm.lease_id == leasing.noticed)).one()
        assert term.terms == {"reason": "introductory", "name": "in the first months", "percent": "25"}
    assert send(client, f"{MALL}/{leasing.noticed}/terms/{term.id}/withdraw").status_code == 303
    with web.sessions() as session:
        assert session.get(LeaseTerm, term.id) is None
        log = session.scalars(select(AuditLog.action).where(AuditLog.subject_id == str(leasing.noticed)).order_by(AuditLog.id))
        assert list(log)[-2:] == ["lease term set", "lease term taken back"]


def test_a_booth_grows_from_a_day_and_the_change_is_taken_back(web: Web, leasing: Leasing) -> None:
    client = web.browser("manager")
    assert send(client, f"{MALL}/1/spaces/1/resize", on="2026-12-10", area="150").status_code == 303
    with web.sessions() as session:
        spans = session.scalars(select(LeaseSpace).where(LeaseSpace.lease_id == 1).order_by(LeaseSpace.id)).all()
        assert [(s.starts_on, s.ends_on, s.leased_area_sqft100) for s in spans] == [
            (date(2026, 10, 1), date(2026, 12, 9), 12000),
            (date(2026, 12, 10), None, 15000),
        ]
    assert send(client, f"{MALL}/1/spaces/{spans[1].id}/withdraw").status_code == 303
    page = client.get(f"{MALL}/1").text
    assert "150.00 sq ft" not in page


def test_notice_is_given_and_taken_back(web: Web, leasing: Leasing) -> None:
    client = web.browser("manager")
    sent = {"by": "coop", "given_on": "2026-11-03", "last_day": "2026-12-31", "agreed": ""}
    assert send(client, f"{MALL}/1/notice", **sent).status_code == 303
    assert "Take the notice back" in client.get(f"{MALL}/1").text
    assert send(client, f"{MALL}/1/notice/take-back").status_code == 303
    with web.sessions() as session:
        assert session.get_one(Lease, 1).ends_on is None


def test_a_list_for_moving_out_is_ticked_as_one_form(web: Web, leasing: Leasing) -> None:
    client = web.browser("manager")
    page = f"{MALL}/{leasing.noticed}"
    with web.sessions() as session:
        listed = session.scalars(select(MoveOutItem.id).where(MoveOutItem.lease_id == leasing.noticed)).all()
    assert len(listed) > 2
    first, second, *rest = map(str, listed)
    nobody = send(client, f"{page}/list", items=[first], done_by="", note="a nail left")
    nothing = send(client, f"{page}/list", done_by="Ruth Ambler")
    assert (nobody.status_code, nothing.status_code) == (422, 422)
    assert "Write who looked at it." in mistake_at(nobody.text, "done_by")
    assert 'value="a nail left"' in nobody.text
    assert re.search(rf"<input checked[^>]*name=\"items\"[^>]*value=\"{first}\"", nobody.text), re.findall(
        "<input[^>]*items[^>]*>", nobody.text
    )
    assert "Tick what was looked at." in mistake_at(nothing.text, "items")
    assert send(client, f"{page}/list", items=["1000"], done_by="Ruth Ambler").status_code == 404
    assert send(client, f"{page}/list", items=[first, second], done_by="Ruth Ambler").status_code == 303
    with web.sessions() as session:
        done = {item.id: item.done_by for item in session.scalars(select(MoveOutItem)) if item.done_on}
    assert done == {int(first): "Ruth Ambler", int(second): "Ruth Ambler"}
    shown = client.get(page).text
    assert shown.count('name="items"') == len(rest)
    assert "Looked at by" in shown


def test_a_lease_is_made_with_its_deposit_by_the_house_rules(web: Web, leasing: Leasing) -> None:
    """14 is 80.00 sq ft at $2.25: one month's rent is $180.00."""
    client = web.browser("manager")
    fields = {**FREE, "dealer": "2", "spaces-0-space": space_id(web, "14")}
    answer = send(client, f"{MALL}/new", **fields)
    assert answer.status_code == 303
    with web.sessions() as session:
        lease = session.scalars(select(Lease).order_by(Lease.id.desc())).first()
        assert lease is not None
        assert (lease.deposit_cents, lease.starts_on, lease.notice_days) == (18000, date(2026, 11, 10), 30)
    assert send(client, f"{MALL}/{lease.id}/take-back").status_code == 303
    again = send(client, f"{MALL}/new", **(fields | {"dealer": "3"}))
    assert again.status_code == 303


def test_a_rate_of_a_zone_without_a_space_is_taken_and_said_so(web: Web, leasing: Leasing) -> None:
    """Prices may come before the floor is drawn; a misspelt zone is seen."""
    client = web.browser("manager")
    page = client.get(f"{MALL}/rates").text
    assert 'list="floor-zones"' in page
    assert '<option value="front">' in page, "the plan's own zones are offered"
    for zone, said in (("frnot", True), ("front", False)):
        fields = {"zone": zone, "price": "2.25", "per": "sqft", "starts_on": "2027-03-01"}
        assert send(client, f"{MALL}/rates", **fields).status_code == 303
        page = client.get(f"{MALL}/rates").text
        assert ("No space is in that zone yet." in page) is said
        assert page.count("no space is in this zone") == 1
        assert '<option value="frnot">' not in page


def test_a_letter_is_written_once(web: Web, leasing: Leasing) -> None:
    client = web.browser("manager")
    for _ in range(2):
        assert send(client, f"{MALL}/{leasing.fixed}/letters/renewal").status_code == 303
    assert send(client, f"{MALL}/{leasing.fixed}/letters/increase", on="2026-12-01").status_code == 303
    with web.sessions() as session:
        kinds = session.scalars(select(Letter.kind).where(Letter.lease_id == leasing.fixed).order_by(Letter.id)).all()
    assert kinds == ["renewal", "increase"]
    assert "Your term ends, D03" in client.get(f"{MALL}/letters").text


def test_the_envelope_of_a_letter_without_a_name_is_read_beside_it_until_the_name_is_removed(web: Web, leasing: Leasing) -> None:
    with transaction(web.sessions) as session:
        outsider = Waiting(
            mall_id=web.house.mall.id,
            name="Nell Sparrow",
            phone="555-0188",
            address="4 Mill Lane\nAlder Creek",
            asked_on=date(2026, 10, 2),
            state="offered",
        )
        session.add(outsider)
        session.flush()
        space = session.scalars(select(Space).where(Space.code == "14")).one()
        offer = Offer(
            waiting_id=outsider.id,
            space_id=space.id,
            why="Booth 14 goes to her: the only one who waits.",
            made_on=date(2026, 11, 3),
            answer_by=date(2026, 11, 10),
            starts_on=date(2026, 11, 10),
        )
        session.add(offer)
        session.flush()
        asked_id, offer_id = outsider.id, offer.id
    client = web.browser("manager")
    assert send(client, f"{MALL}/offers/{offer_id}/letter").status_code == 303
    with web.sessions() as session:
        value = session.scalars(select(Letter.value).where(Letter.offer_id == offer_id)).one()
    assert "Sparrow" not in str(value)
    for page in (f"{MALL}/offers/{offer_id}", f"{MALL}/letters"):
        assert "On the envelope:<br>Nell Sparrow<br>4 Mill Lane<br>Alder Creek</small>" in client.get(page).text
    assert send(client, f"{MALL}/offers/{offer_id}/end", how="withdraw").status_code == 303
    assert send(client, f"{MALL}/waiting/{asked_id}/withdraw").status_code == 303
    assert send(client, f"{MALL}/waiting/{asked_id}/forget").status_code == 303
    assert "On the envelope" not in client.get(f"{MALL}/letters").text


def test_who_withdrew_is_forgotten_on_request(web: Web, leasing: Leasing) -> None:
    client = web.browser("manager")
    with web.sessions() as session:
        row = session.scalars(select(Waiting).where(Waiting.name == "Perry Loom")).one()
    assert "Perry Loom" in client.get(f"{MALL}/waiting").text
    assert send(client, f"{MALL}/waiting/{row.id}/forget").status_code == 303
    page = client.get(f"{MALL}/waiting").text
    assert "Perry Loom" not in page
    assert "name removed" in page


# --- what waits, and lists --------------------------------------------------------------------------------------------------


def test_the_work_list_names_all_that_waits(web: Web, leasing: Leasing) -> None:
    page = web.browser("manager").get(MALL).text
    for heading in (
        "Offers that wait",
        "Agreements not signed",
        "Renewals to ask",
        "Increases that come",
        "Leaving",
        "Late",
        "Vacant",
    ):
        assert heading in page, heading
    assert "The ledger agrees with what is held." in page


def test_a_deposit_that_is_agreed_and_not_taken_leads_to_the_form_that_takes_it(web: Web, leasing: Leasing) -> None:
    """D03 has paid $100.00 of $140.00, D01 nothing yet."""
    with transaction(web.sessions) as session:
        session.get_one(Lease, leasing.running).deposit_cents = 270_00
    client = web.browser("manager")
    page = client.get(MALL).text
    for lease_id, code, said in ((leasing.running, "D01", "yet"), (leasing.fixed, "D03", "all")):
        assert f"{code}</a><small>agreed, not {said} taken</small>" in page
        assert f'href="{MALL}/{lease_id}/deposit">Take it<span class="unseen"> from {code}</span>' in page
        assert client.get(f"{MALL}/{lease_id}/deposit").status_code == 200


def test_leases_are_sorted_filtered_and_taken_as_csv(web: Web, leasing: Leasing) -> None:
    client = web.browser("manager")
    lines = client.get(f"{MALL}/all?sort=-rent&as=csv").text.splitlines()
    assert lines[0] == "Lease,Dealer,Name,State,Spaces,From,Until,Signed,Rent this month,Deposit held,Late"
    assert [line.split(",")[1] for line in lines[1:]] == ["D01", "D03", "D04", "D02", "D05"]
    only = client.get(f"{MALL}/all?state=noticed&zone=case&as=csv").text.splitlines()
    assert only[1:] == ["4,D04,Tom Ashby,notice given,C1,2026-10-01,2026-11-30,2026-10-01,60.00,60.00,60.00"]
    assert "There is none like it" in client.get(f"{MALL}/all?find=nobody").text
    with transaction(web.sessions) as session:
        session.get_one(Lease, leasing.fixed).term_ends_on = date(2026, 10, 31)
    by_the_month = client.get(f"{MALL}/all?find=D03&as=csv").text.splitlines()[1].split(",")
    assert by_the_month[6] == ""  # A term that is over is no day it runs until.
    before = client.get(f"{MALL}/leases.csv?state=noticed&zone=case", follow_redirects=True)
    assert before.text.splitlines() == [lines[0], *only[1:]]


def test_days_are_suggested_that_the_lease_allows(web: Web, leasing: Leasing) -> None:
    """A further term runs six months from the day after the one that runs; a price begins after it, on the first of a month."""
    with transaction(web.sessions) as session:
        lease = session.get_one(Lease, leasing.fixed)
        lease.term_ends_on, held_id = date(2027, 2, 28), lease.spaces[0].id
    client = web.browser("manager")
    for path, day in (("renew", "2027-08-31"), (f"spaces/{held_id}/price", "2027-03-01")):
        assert f'value="{day}"' in client.get(f"{MALL}/{leasing.fixed}/{path}").text


def add_more(web: Web) -> None:
    """Twelve more leases, vacancies and people who wait."""
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        now = datetime(2026, 11, 3, 15, tzinfo=UTC)
        for n in range(12):
            held, vacant = (
                add_space(session, now, mall, f"{letter}{n}", kind="booth", zone="front", width_in16=960, depth_in16=960)
                for letter in ("H", "V")
            )
            dealer = add_dealer(session, now, f"E{n:02d}", name=f"Dealer {n}", email=f"e{n}@example.org")
            terms = Terms(term_ends_on=date(2026, 12, 31), deposit_cents=1000)
            make_lease(
                session,
                now,
                mall,
                dealer,
                starts_on=date(2026, 10, 1),
                commission_percent=Decimal(10),
                spaces=[held],
                terms=terms,
            )
            asking.ask_for_space(session, now, mall, session.get_one(Member, dealer.member_id), asking.Wish(note=vacant.code))


@pytest.mark.parametrize("end", ["", "/all", "/waiting", "/vacancies/14", "/letters", "/rates"])
def test_no_list_of_leases_takes_more_queries_for_more_rows(web: Web, leasing: Leasing, end: str) -> None:
    before = count_queries(web, "manager", MALL + end)
    add_more(web)
    assert count_queries(web, "manager", MALL + end) == before


def test_the_list_of_dealers_takes_no_more_queries_for_more_rows(web: Web, leasing: Leasing) -> None:
    before = count_queries(web, "manager", "/office/dealers/")
    add_more(web)
    assert count_queries(web, "manager", "/office/dealers/") == before


# --- dealers ----------------------------------------------------------------------------------------------------------------


def test_a_dealer_is_entered_and_changed(web: Web) -> None:
    client = web.browser("manager")
    fields = {"code": "D03", "name": "Nora Webb", "email": "nora@example.org", "joined_on": "2026-11-03"}
    assert send(client, "/office/dealers/new", **fields).headers["Location"] == "/office/dealers/D03"
    changed = {"name": "Nora Webb", "trade_name": "Webb's Clocks", "address": "4 Mill Lane\n\n Harrow", "phone": "555-0110"}
    assert client.post("/office/dealers/D03", data={"csrf_token": form_token(client), **changed}).status_code == 303
    with web.sessions() as session:
        dealer = session.scalars(select(Dealer).where(Dealer.code == "D03")).one()
        member = dealer.member
        assert (dealer.trade_name, member.address, member.email) == ("Webb's Clocks", "4 Mill Lane\nHarrow", "")
        log = session.scalars(select(AuditLog).where(AuditLog.subject_id == "D03").order_by(AuditLog.id)).all()
    assert [(row.action, row.detail) for row in log] == [
        ("dealer entered", ""),
        ("dealer changed", "email, phone, address, trade name"),
    ]


@pytest.mark.parametrize(
    ("address", "fields", "at", "sentence"),
    [
        ("/office/dealers/new", {"code": "D01", "name": "Nora Webb", "joined_on": "2026-11-03"}, "code", "is taken"),
        ("/office/dealers/new", {"code": "D0/1", "name": "Nora Webb", "joined_on": "2026-11-03"}, "code", "one to twelve"),
        ("/office/dealers/D01", {"name": ""}, "name", "Write the member"),
        ("/office/dealers/D01", {"name": "Ida Fenwick", "email": "ida"}, "email", "is not a mail address"),
        ("/office/dealers/D01", {"name": "Ida Fenwick", "phone": "5"}, "phone", "is not a whole telephone number"),
    ],
)
def test_what_is_wrong_with_a_dealer_is_told_at_its_field(
    web: Web, address: str, fields: dict[str, str], at: str, sentence: str
) -> None:
    before = rows(web)
    answer = send(web.browser("manager"), address, **fields)
    assert answer.status_code == 422
    assert sentence in mistake_at(answer.text, at)
    assert rows(web) == before
