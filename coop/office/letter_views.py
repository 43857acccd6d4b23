"""The office's letters: what went and what did not, sifted and paged; failed ones sent again; what is to be printed."""

from __future__ import annotations

from flask import abort, flash, redirect, render_template, request, url_for

from coop.core import mail
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.core.web import Page, allow, db, now, site, visitor
from coop.office import letter_queries, queries
from coop.office.letter_queries import Sift
from coop.office.views import BINDERS, READERS, office
from coop.statements import questions
from coop.statements.documents import passages


def _sift() -> tuple[Sift, str]:
    """Which letters the address asks for, and a sentence where it asks for no month."""
    asked, wrong = request.args.get("month", "").strip(), ""
    month = None
    if asked:
        try:
            month = Month.parse(asked)
        except ValueError:
            wrong = f"{asked} is no month: write it like 2026-10."
    state = request.args.get("state", "")
    kind, dealer = request.args.get("kind", "").strip()[:40], request.args.get("dealer", "").strip()[:20]
    return Sift(state if state in mail.STATES else None, kind, month, dealer), wrong


def _asked_by(sift: Sift) -> dict[str, str]:
    """A sift as an address asks for it, but for the state."""
    said = {"kind": sift.kind, "month": str(sift.month or ""), "dealer": sift.dealer}
    return {name: words for name, words in said.items() if words}


@office.get("/letters")
@allow(*READERS)
def letters() -> Page:
    sift, wrong = _sift()
    before, timezone = request.args.get("before", type=int), queries.office_timezone(db())
    rows = letter_queries.letters(db(), sift, timezone=timezone, before=before)
    shown = rows[: queries.PAGE]
    return render_template(
        "office/letters.html",
        rows=shown,
        carried=queries.statements_of_mails(db(), [one.outbox_id for one in shown]),
        older=shown[-1].outbox_id if len(rows) > queries.PAGE else None,
        counts=letter_queries.counts(db(), sift, timezone=timezone),
        kinds=letter_queries.kinds(db()),
        kind_words=letter_queries.KINDS,
        sift=sift,
        asked=_asked_by(sift),
        wrong=wrong,
        to_resend=letter_queries.to_resend(db(), [one.outbox_id for one in shown]),
        on_paper=letter_queries.on_paper(db(), sift.month, sift.dealer) if sift.kind in ("", "statement") else [],
        can_bind=not visitor().roles.isdisjoint(BINDERS),
        waiting=questions.count_open(db()),
        paged=before is not None,
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
    sift, _wrong = _sift()
    return redirect(
        url_for("office.letters", state=sift.state, kind=sift.kind or None, month=sift.month, dealer=sift.dealer or None), 303
    )


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
