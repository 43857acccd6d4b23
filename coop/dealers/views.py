"""Signing in and out, one's own account, and the way to one's own face of the house."""

from __future__ import annotations

from flask import Blueprint, abort, current_app, flash, g, redirect, render_template, request, session, url_for
from werkzeug.wrappers import Response

from coop.core.errors import Refusal
from coop.core.web import (
    ANYONE,
    SIGNED_IN,
    Page,
    Visitor,
    allow,
    db,
    local_path,
    now,
    request_id,
    site,
    visitor,
    visitor_or_none,
)
from coop.dealers import domain, queries, service
from coop.dealers.forms import PassphraseForm, SignInForm

people = Blueprint("people", __name__)

OFFICE_ROLES = frozenset({"manager", "bookkeeper", "auditor"})
_NO_MATCH = "This mail address and passphrase do not belong together. Check both and try again."


def cookie_name() -> str:
    """`__Host-` makes the browser refuse the cookie unless it is secure, of this host and of every path."""
    return "__Host-coop" if site().settings.secure_cookies else "coop"


def recognise() -> Visitor | None:
    """The visitor of this request's cookie, if the session is still good."""
    token = request.cookies.get(cookie_name())
    if not token:
        return None
    resumed = service.resume_session(db(), now(), token)
    if resumed is None:
        return None
    found, user = resumed
    return Visitor(
        user_id=user.id,
        session_id=found.id,
        email=user.email,
        roles=frozenset(grant.role for grant in user.grants),
        member_id=user.member_id,
    )


def home_of(who: Visitor) -> str:
    """The page a user works from."""
    if who.roles & OFFICE_ROLES:
        return url_for("office.today")
    if "dealer" in who.roles:
        return url_for("portal.home")
    if "desk" in who.roles:
        return url_for("desk.first")
    return url_for("people.home")


@people.get("/")
@allow(SIGNED_IN)
def start() -> Page:
    return redirect(home_of(visitor()), 303)


@people.get("/home")
@allow(SIGNED_IN)
def home() -> Page:
    """What there is for this user, in a few words: who has no role yet comes here."""
    return render_template("dealers/home.html")


@people.route("/sign-in", methods=["GET", "POST"])
@allow(ANYONE)
def sign_in() -> Page:
    who = visitor_or_none()
    form = SignInForm(next=local_path(request.args.get("next")) or "")
    if who is not None and request.method == "GET":
        return redirect(local_path(request.args.get("next")) or home_of(who), 303)
    if not form.validate_on_submit():
        return render_template("dealers/sign_in.html", form=form), 422 if form.is_submitted() else 200
    judged = service.sign_in(
        db(),
        now(),
        email=form.email.data,
        passphrase=form.passphrase.data,
        address=request.remote_addr or "",
        agent=request.user_agent.string,
        request_id=request_id(),
    )
    if isinstance(judged, service.TurnedAway):
        if judged.wait:
            wait = domain.in_minutes(judged.wait)
            form.form_errors.append(f"There were too many tries. Wait {wait}, then try again.")
            return render_template("dealers/sign_in.html", form=form), 429
        form.form_errors.append(_NO_MATCH)
        return render_template("dealers/sign_in.html", form=form), 422
    if who is not None:
        service.end_session(db(), now(), who.user_id, who.session_id, request_id=request_id())
    # A fresh form token: one that was known before signing in is worth nothing after it.
    _forget_form_token()
    response = redirect(local_path(form.next.data) or url_for("people.start"), 303)
    _set_cookie(response, judged.token)
    return response


@people.post("/sign-out")
@allow(SIGNED_IN)
def sign_out() -> Page:
    who = visitor()
    service.end_session(db(), now(), who.user_id, who.session_id, request_id=request_id())
    _forget_form_token()
    flash("You are signed out.")
    response = redirect(url_for("people.sign_in"), 303)
    response.delete_cookie(cookie_name(), secure=site().settings.secure_cookies, httponly=True, samesite="Lax")
    # What pages keep on a device (the moves of a reset, for a booth without a network) belongs to whoever was signed in.
    response.headers["Clear-Site-Data"] = '"storage"'
    return response


def _forget_form_token() -> None:
    session.clear()
    g.pop(current_app.config["WTF_CSRF_FIELD_NAME"], None)


def _set_cookie(response: Response, token: str) -> None:
    response.set_cookie(
        cookie_name(),
        token,
        max_age=int(domain.ABSOLUTE_LIMIT.total_seconds()),
        path="/",
        secure=site().settings.secure_cookies,
        httponly=True,
        samesite="Lax",
    )


# --- one's own account --------------------------------------------------------------------------------------------------


@people.get("/account")
@allow(SIGNED_IN)
def account() -> Page:
    return _account_page(PassphraseForm(formdata=None))


def _account_page(form: PassphraseForm) -> str:
    who = visitor()
    sessions = queries.running_sessions(db(), now(), who.user_id, now() - domain.IDLE_LIMIT)
    return render_template(
        "dealers/account.html",
        form=form,
        sessions=sessions,
        browser_name=domain.browser_name,
        dealers=queries.dealers_of(db(), who.member_id),
        min_length=domain.MIN_LENGTH,
    )


@people.post("/account/passphrase")
@allow(SIGNED_IN)
def change_passphrase() -> Page:
    who = visitor()
    form = PassphraseForm()
    if not form.validate_on_submit():
        return _account_page(form), 422
    judged = service.judge(db(), now(), email=who.email, passphrase=form.current.data, address=request.remote_addr or "")
    if isinstance(judged, service.TurnedAway):
        if judged.wait:
            wait = domain.in_minutes(judged.wait)
            form.current.errors = [f"There were too many tries. Wait {wait}, then try again."]
            return _account_page(form), 429
        form.current.errors = ["This is not the passphrase you use now."]
        return _account_page(form), 422
    try:
        service.change_passphrase(
            db(), now(), who.user_id, new=form.new.data, keep_session_id=who.session_id, request_id=request_id()
        )
    except Refusal as refusal:
        form.new.errors = [str(refusal)]
        return _account_page(form), 422
    flash("Your passphrase is changed. Every other browser is signed out.")
    return redirect(url_for("people.account"), 303)


@people.post("/account/sessions/<int:web_session_id>/end")
@allow(SIGNED_IN)
def end_session(web_session_id: int) -> Page:
    who = visitor()
    if not service.end_session(db(), now(), who.user_id, web_session_id, request_id=request_id()):
        abort(404)
    flash("That browser is signed out.")
    return redirect(url_for("people.account"), 303)


@people.post("/account/sessions/end-others")
@allow(SIGNED_IN)
def end_other_sessions() -> Page:
    who = visitor()
    service.end_other_sessions(db(), now(), who.user_id, who.session_id, request_id=request_id())
    flash("Every other browser is signed out.")
    return redirect(url_for("people.account"), 303)
