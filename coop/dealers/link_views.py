"""Choosing a passphrase by the link of a mail, and asking for such a link when the passphrase is lost."""

from __future__ import annotations

from flask import flash, redirect, render_template, request, url_for

from coop.core.errors import Refusal
from coop.core.sealed_text import FieldKeys
from coop.core.web import ANYONE, Page, allow, db, now, request_id, roll_back, site
from coop.dealers import domain, links
from coop.dealers.forms import AddressForm, ChosenForm
from coop.dealers.views import people

_HERE = ("localhost", "127.0.0.1", "[::1]")
_FROM_HERE = ("127.0.0.1", "::1")


def sender() -> links.Sender:
    """What links are sent with when a person of the office asks for it: her own browser says where the pages are."""
    settings = site().settings
    return links.Sender(FieldKeys.of(settings), settings.web_address or request.host_url.rstrip("/"), settings.mail_domain)


def _base_for_strangers() -> str:
    """Where the pages are, for a mail that anybody may ask for: by the setting only, since whoever asks can name any host.
    Without it, who sits at this machine may name it."""
    if site().settings.web_address:
        return site().settings.web_address
    named_here = request.host in _HERE or request.host.rpartition(":")[0] in _HERE
    return request.host_url.rstrip("/") if named_here and request.remote_addr in _FROM_HERE else ""


@people.route("/sign-in/forgotten", methods=["GET", "POST"])
@allow(ANYONE)
def forgotten() -> Page:
    form, base = AddressForm(), _base_for_strangers()
    if not base or not form.validate_on_submit():
        return render_template("dealers/forgotten.html", form=form, can_send=bool(base)), 422 if form.errors else 200
    asked = links.ask_for_link(
        db(), now(), email=form.email.data, address=request.remote_addr or "", base=base, request_id=request_id()
    )
    if asked is not None:
        form.email.errors = [f"There were too many tries. Wait {domain.in_minutes(asked.wait)}, then try again."]
        return render_template("dealers/forgotten.html", form=form, can_send=True), 429
    lasts = links.LASTS_SAID[links.PASSPHRASE]
    flash(f"If somebody signs in with that mail address, a link is on its way there. It is good for {lasts}.")
    return redirect(url_for("people.sign_in"), 303)


@people.route("/sign-in/link/<token>", methods=["GET", "POST"])
@allow(ANYONE)
def choose(token: str) -> Page:
    """Looking at the page uses nothing up: programs that read mails follow their links."""
    opened = links.open_link(db(), now(), token)
    if opened is None:
        return render_template("dealers/link_over.html", sentence=links.OVER), 410
    link, user = opened
    invited, email = link.purpose == links.INVITATION, user.email
    form = ChosenForm()
    status = 200
    if form.validate_on_submit():
        try:
            links.use_link(db(), now(), token, new=form.new.data, request_id=request_id())
        except Refusal as refusal:
            roll_back()
            form.new.errors = [str(refusal)]
        else:
            flash("Your passphrase is set. Sign in with it.")
            return redirect(url_for("people.sign_in"), 303)
    if form.errors:
        status = 422
    page = render_template(
        "dealers/choose.html", form=form, token=token, email=email, invited=invited, min_length=domain.MIN_LENGTH
    )
    return page, status
