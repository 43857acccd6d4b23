"""The office's letters: what went and what did not, sifted and paged; failed ones sent again; what is to be printed."""

from __future__ import annotations

from contextlib import suppress
from typing import Any

from flask import abort, flash, redirect, render_template, request, url_for

from coop.books.reading import months_of_books
from coop.core import mail
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.listing import wants_csv
from coop.core.periods import Month
from coop.core.web import Page, allow, db, now, show_list, site, visitor
from coop.office import letter_queries, queries
from coop.office.letter_list import read_letters, sift_of
from coop.office.views import BINDERS, READERS, office
from coop.statements import questions
from coop.statements.documents import passages

_ASKED = ("state", "kind", "month", "dealer", "sort")


def _asked() -> dict[str, Any]:
    """What the address asks of the list, for the way back to it."""
    return {name: words for name in _ASKED if (words := request.args.get(name, "").strip()[:40])}


def _months(this_month: Month) -> list[Month]:
    """Those of the books, this one, and the one asked for: of none of it there is no letter, which is an answer."""
    months = {*months_of_books(db()), this_month}
    with suppress(ValueError):
        months.add(Month.parse(request.args.get("month", "")))
    return sorted(months, reverse=True)


@office.get("/letters")
@allow(*READERS)
def letters() -> Page:
    timezone, kinds = queries.office_timezone(db()), letter_queries.kinds(db(), request.args.get("kind", ""))
    listed = read_letters(db(), request.args, kinds, _months(Month.of(local_date(now(), timezone))), timezone)
    if wants_csv(request.args):
        return show_list(listed, "", "letters")
    sift, shown = sift_of(listed), [one.outbox_id for one in listed.rows]
    papers = listed.page == 1 and not sift.state and sift.kind in ("", "statement")
    return show_list(
        listed,
        "office/letters.html",
        "letters",
        carried=queries.statements_of_mails(db(), shown),
        named=letter_queries.addressees(db(), shown),
        counts=letter_queries.counts(db(), sift, timezone=timezone),
        asked=_asked(),
        sift=sift,
        to_resend=letter_queries.to_resend(db(), shown),
        on_paper=letter_queries.on_paper(db(), sift.month, sift.dealer) if papers else [],
        can_bind=not visitor().roles.isdisjoint(BINDERS),
        waiting=questions.count_open(db()),
    )


@office.post("/letters/resend")
@allow("manager")
def resend_letters() -> Page:
    """Send those that are ticked once more, each under a Message-ID of its own."""
    wanted = [int(text) for text in request.form.getlist("mail")[: queries.PAGE] if text.isascii() and text.isdecimal()]
    wanted = [mail_id for mail_id in wanted if mail_id < 2**62]
    again = letter_queries.to_resend(db(), wanted)
    sent = 0
    for mail_id in sorted(again):
        found = queries.mail(db(), mail_id)
        assert found is not None
        try:
            mail.resend_mail(db(), now(), found, mail_domain=site().settings.mail_domain, user_id=visitor().user_id)
        except Refusal:
            # Somebody else has sent it again a moment ago.
            continue
        sent += 1
    if sent:
        flash(f"{sent} {'letter is' if sent == 1 else 'letters are'} on {'its' if sent == 1 else 'their'} way again.")
    if not wanted:
        flash("Nothing was sent again: tick the letters that are to go once more.")
    elif sent < len(set(wanted)):
        left = len(set(wanted)) - sent
        flash(f"{left} {'was' if left == 1 else 'were'} left: it arrived, or is on its way again already.")
    return redirect(url_for("office.letters", **_asked()), 303)


@office.get("/letters/<int:mail_id>")
@allow(*READERS)
def letter(mail_id: int) -> Page:
    found = queries.mail(db(), mail_id)
    if found is None:
        abort(404)
    copies = letter_queries.copies(db(), found)
    return render_template(
        "office/letter.html",
        letter=found,
        named=letter_queries.addressees(db(), [found.id]).get(found.id, ""),
        kind_words=letter_queries.KINDS,
        passages=passages(found.text_body),
        copies=copies,
        attempts=letter_queries.attempts(db(), [one.id for one in copies]),
        statement=queries.statement_of_mail(db(), found),
    )


@office.post("/letters/<int:mail_id>/resend")
@allow("manager")
def resend_letter(mail_id: int) -> Page:
    found = queries.mail(db(), mail_id)
    if found is None:
        abort(404)
    fresh = mail.resend_mail(db(), now(), found, mail_domain=site().settings.mail_domain, user_id=visitor().user_id)
    flash("The letter is on its way again. This page shows the new copy.")
    return redirect(url_for("office.letter", mail_id=fresh.id), 303)
