"""Signing in and out, and one's own account, through the pages."""

from __future__ import annotations

from datetime import timedelta

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select

from coop.core.db import transaction
from coop.dealers.models import UserAccount, WebSession
from coop.dealers.service import hash_token
from tests.factories.house import PASSPHRASE
from tests.integration.web.conftest import Web, send

NO_MATCH = "This mail address and passphrase do not belong together."


@pytest.mark.parametrize(
    ("email", "home"),
    [
        ("manager@example.org", "/office/"),
        (" Books@Example.org ", "/office/"),
        ("auditor@example.org", "/office/"),
        ("desk@example.org", "/desk/"),
        ("ida@example.org", "/portal/"),
    ],
)
def test_each_comes_to_their_own_pages(web: Web, email: str, home: str) -> None:
    client = web.browser()
    answer = send(client, "/sign-in", email=email, passphrase=PASSPHRASE)
    assert (answer.status_code, answer.headers["Location"]) == (303, "/")
    assert client.get("/").headers["Location"] == home
    assert client.get(home, follow_redirects=True).status_code == 200
    cookie = next(c for c in answer.headers.getlist("Set-Cookie") if c.startswith("coop="))
    assert "HttpOnly" in cookie
    assert "SameSite=Lax" in cookie
    token = cookie.removeprefix("coop=").split(";")[0]
    with transaction(web.sessions) as session:
        assert session.scalar(select(WebSession.id).where(WebSession.token_sha256 == hash_token(token))) is not None


@pytest.mark.parametrize(
    ("wanted", "led"), [("/office/log", "/office/log"), ("//evil.example/", "/"), ("https://evil.example/", "/")]
)
def test_signing_in_leads_on_to_a_page_of_ours_only(web: Web, wanted: str, led: str) -> None:
    answer = send(web.browser(), "/sign-in", email="manager@example.org", passphrase=PASSPHRASE, next=wanted)
    assert answer.headers["Location"] == led
    signed_in = web.browser("manager").get("/sign-in", query_string={"next": wanted})
    assert signed_in.headers["Location"] == (led if led != "/" else "/office/")


def test_a_wrong_passphrase_and_an_unknown_account_read_the_same(web: Web) -> None:
    wrong = send(web.browser(), "/sign-in", email="manager@example.org", passphrase="not the one at all")
    unknown = send(web.browser(), "/sign-in", email="manages@example.org", passphrase="not the one at all")
    assert wrong.status_code == unknown.status_code == 422
    assert NO_MATCH in wrong.text
    assert _same(wrong.text) == _same(unknown.text)
    assert "not the one at all" not in wrong.text


def _same(page: str) -> str:
    lines = page.replace("manages@", "manager@").splitlines()
    return "\n".join(line for line in lines if "csrf_token" not in line)


def test_too_many_tries_must_wait_even_with_the_right_passphrase(web: Web) -> None:
    client = web.browser()
    for _ in range(5):
        assert NO_MATCH in send(client, "/sign-in", email="desk@example.org", passphrase="not the one at all").text
    turned_away = send(client, "/sign-in", email="desk@example.org", passphrase=PASSPHRASE)
    assert turned_away.status_code == 429
    assert "Wait 1 minute, then try again." in turned_away.text
    web.clock.at += timedelta(minutes=1)
    assert send(client, "/sign-in", email="desk@example.org", passphrase=PASSPHRASE).status_code == 303


@pytest.mark.parametrize(
    ("fields", "says", "field"),
    [
        ({"email": "", "passphrase": PASSPHRASE}, "Write your mail address.", "email"),
        ({"email": "manager", "passphrase": PASSPHRASE}, "Write it like name@example.org.", "email"),
        ({"email": "manager@example.org", "passphrase": ""}, "Write your passphrase.", "passphrase"),
        ({"email": "manager@example.org", "passphrase": "x" * 201}, "200 characters at most", "passphrase"),
    ],
)
def test_what_is_wrong_is_said_at_its_field(web: Web, fields: dict[str, str], says: str, field: str) -> None:
    answer = send(web.browser(), "/sign-in", **fields)
    assert answer.status_code == 422
    at_field = answer.text.split(f'id="{field}-wrong"')[1].split("</p>")[0]
    assert says in at_field
    assert f'aria-describedby="{field}-wrong"' in answer.text
    assert 'aria-invalid="true"' in answer.text


def test_signing_out_ends_the_session_and_a_get_does_not(web: Web) -> None:
    client = web.browser("manager")
    assert client.get("/sign-out").status_code == 405
    assert client.get("/office/").status_code == 200
    answer = send(client, "/sign-out")
    assert answer.headers["Location"] == "/sign-in"
    assert "You are signed out." in client.get("/sign-in").text
    client.set_cookie("coop", web.house.tokens["manager"])
    assert client.get("/office/").status_code == 303


def test_the_form_token_is_fresh_after_signing_in(web: Web) -> None:
    """A token known before signing in (planted by somebody else) is worth nothing after it."""
    client = web.browser()
    before = client.get("/sign-in").text.split('name="csrf_token"')[1].split('value="')[1].split('"')[0]
    fields = {"csrf_token": before, "email": "manager@example.org", "passphrase": PASSPHRASE}
    assert client.post("/sign-in", data=fields).status_code == 303
    assert client.post("/sign-out", data={"csrf_token": before}).status_code == 400


def test_signing_in_again_ends_the_session_before(web: Web) -> None:
    client = web.browser("manager")
    send(client, "/sign-in", email="desk@example.org", passphrase=PASSPHRASE)
    assert client.get("/home").status_code == 200
    assert client.get("/office/").status_code == 403
    client.set_cookie("coop", web.house.tokens["manager"])
    assert client.get("/office/").status_code == 303


def test_a_session_ends_by_idleness_and_a_disabled_user_is_out_at_once(web: Web) -> None:
    client = web.browser("manager")
    web.clock.at += timedelta(hours=11)
    assert client.get("/office/").status_code == 200
    web.clock.at += timedelta(hours=11)
    assert client.get("/office/").status_code == 200
    web.clock.at += timedelta(hours=12)
    assert client.get("/office/").status_code == 303
    with transaction(web.sessions) as session:
        session.scalars(select(UserAccount).where(UserAccount.email == "desk@example.org")).one().disabled_at = web.clock.at
    assert web.browser("desk").get("/home").status_code == 303


def _sign_in(web: Web, email: str) -> FlaskClient:
    client = web.browser()
    assert send(client, "/sign-in", email=email, passphrase=PASSPHRASE).status_code == 303
    return client


def test_sessions_are_listed_and_ended(web: Web) -> None:
    here, there = _sign_in(web, "ida@example.org"), _sign_in(web, "ida@example.org")
    page = here.get("/account").text
    assert page.count('/end"') == 2
    assert page.count("(this browser)") == 1
    with transaction(web.sessions) as session:
        newest = session.scalars(select(WebSession).order_by(WebSession.id.desc()).limit(1)).one().id
    assert send(here, f"/account/sessions/{newest}/end").status_code == 303
    assert there.get("/portal/").status_code == 303
    assert here.get("/portal/").status_code == 200
    again = _sign_in(web, "ida@example.org")
    assert send(here, "/account/sessions/end-others").status_code == 303
    assert again.get("/portal/").status_code == 303
    assert here.get("/portal/").status_code == 200


def test_anothers_session_cannot_be_ended(web: Web) -> None:
    with transaction(web.sessions) as session:
        theirs = session.scalars(select(WebSession.id).where(WebSession.user_id == web.house.users["manager"])).one()
    assert send(web.browser("dealer"), f"/account/sessions/{theirs}/end").status_code == 404
    assert web.browser("manager").get("/office/").status_code == 200


NEW = "a lamp under the oak stair"


@pytest.mark.parametrize(
    ("fields", "field", "says"),
    [
        ({"current": "wrong one entirely", "new": NEW, "again": NEW}, "current", "not the passphrase you use now"),
        ({"current": PASSPHRASE, "new": "short", "again": "short"}, "new", "12 characters or more"),
        ({"current": PASSPHRASE, "new": NEW, "again": NEW + "s"}, "again", "differ"),
        ({"current": PASSPHRASE, "new": "", "again": ""}, "new", "Write a new passphrase"),
    ],
)
def test_a_passphrase_that_cannot_change_says_why(web: Web, fields: dict[str, str], field: str, says: str) -> None:
    client = web.browser("desk")
    answer = send(client, "/account/passphrase", **fields)
    assert answer.status_code == 422
    assert says in answer.text.split(f'id="{field}-wrong"')[1].split("</p>")[0]
    assert send(web.browser(), "/sign-in", email="desk@example.org", passphrase=PASSPHRASE).status_code == 303


def test_a_passphrase_is_changed(web: Web) -> None:
    client = web.browser("desk")
    answer = send(client, "/account/passphrase", current=PASSPHRASE, new=NEW, again=NEW)
    assert answer.status_code == 303
    assert "Your passphrase is changed" in client.get("/account").text
    assert send(web.browser(), "/sign-in", email="desk@example.org", passphrase=PASSPHRASE).status_code == 422
    assert send(web.browser(), "/sign-in", email="desk@example.org", passphrase=NEW).status_code == 303


def test_guessing_the_passphrase_of_an_open_browser_is_throttled_too(web: Web) -> None:
    client = web.browser("desk")
    for _ in range(5):
        send(client, "/account/passphrase", current="wrong one entirely", new=NEW, again=NEW)
    answer = send(client, "/account/passphrase", current=PASSPHRASE, new=NEW, again=NEW)
    assert answer.status_code == 429
    assert "Wait 1 minute" in answer.text


def test_typing_begins_where_it_is_needed_and_what_was_wrong_is_told_there(web: Web) -> None:
    def focused(page: str) -> list[str]:
        return [field for field in page.split("<input")[1:] if " autofocus" in field.partition(">")[0]]

    [first] = focused(web.browser().get("/sign-in").text)
    assert 'name="email"' in first
    answer = send(web.browser(), "/sign-in", email="manager@example.org", passphrase="not the one at all").text
    [wrong] = focused(answer)
    assert 'name="passphrase"' in wrong
    assert 'aria-describedby="not-signed-in"' in wrong
    assert 'id="not-signed-in"' in answer
    [unreadable] = focused(send(web.browser(), "/sign-in", email="manager", passphrase="").text)
    assert 'name="email"' in unreadable
