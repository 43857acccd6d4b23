"""Sales in the office: what is nobody's and who asks for it, gift certificates, and the way to drawers and layaways."""

from __future__ import annotations

from datetime import timedelta

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for

from coop.books.rules import rules_on
from coop.core.errors import Refusal
from coop.core.fields import told
from coop.core.money import format_dollars
from coop.core.web import Page, allow, db, now, roll_back, show_list, site, visitor
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.office import lease_queries
from coop.office import queries as office_queries
from coop.office.mall_page import first_mall, today_of, wanted_mall
from coop.office.queries import PAGE
from coop.office.sales_forms import CertificateForm, ClaimForm, RefusalForm
from coop.office.sales_lists import read_gifts, read_unclaimed
from coop.office.views import READERS
from coop.sales import claims, gifts
from coop.sales.models import Claim, GiftCertificate, Ticket, TicketLine

sales = Blueprint("sales", __name__, url_prefix="/office/sales")


def _mall_here() -> Mall:
    """The mall that a page of the whole co-op leads back to."""
    malls = office_queries.malls(db())
    if not malls:
        abort(404)
    return malls[0]


@sales.get("/")
@allow(*READERS)
def first() -> Page:
    return first_mall("sales.overview", "office/sales/none.html")


# --- unclaimed ----------------------------------------------------------------------------------------------------------


@sales.get("/<mall_code>/unclaimed")
@allow(*READERS)
def unclaimed(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    today = today_of(mall)
    days = rules_on(db(), today).unclaimed_days
    listed = read_unclaimed(db(), mall, request.args, today=today, old_after_days=days)
    # What dealers ask for stands above the list as it usually is; a list asked for in another way has it in itself.
    first = not request.args
    return show_list(
        listed,
        "office/sales/unclaimed.html",
        f"unclaimed-{mall.code}",
        mall=mall,
        malls=office_queries.malls(db()),
        asked=claims.unclaimed_lines(db(), mall, today=today, old_after_days=days, asked=True, most=PAGE) if first else [],
        days=days,
        most=PAGE,
        whole=claims.unclaimed_sum(db(), mall, old_before=today - timedelta(days=days)),
    )


def _line(mall: Mall, line_id: int) -> TicketLine:
    """A line of a mall that is nobody's, or was until it was claimed."""
    found = db().get(TicketLine, line_id)
    if found is None or found.mall_id != mall.id or found.returns_line_id is not None:
        abort(404)
    if found.credited_on is not None and not claims.claims_of_line(db(), line_id):
        abort(404)
    return found


@sales.get("/<mall_code>/unclaimed/<int:line_id>")
@allow(*READERS)
def line(mall_code: str, line_id: int) -> Page:
    return _line_page(mall_code, line_id)


def _line_page(
    mall_code: str,
    line_id: int,
    *,
    asking: ClaimForm | None = None,
    refusing: tuple[int, RefusalForm] | None = None,
    wrong: str = "",
) -> str:
    mall = wanted_mall(mall_code)
    found = _line(mall, line_id)
    asking = asking or ClaimForm(formdata=None)
    _choose_dealer(asking)
    today = today_of(mall)
    ticket = db().get_one(Ticket, found.ticket_id)
    age = (today - ticket.sold_on).days
    left = claims.left_of(db(), found) if found.credited_on is None else 0
    return render_template(
        "office/sales/line.html",
        mall=mall,
        line=found,
        ticket=ticket,
        age=age,
        old=age > rules_on(db(), today).unclaimed_days,
        left=left,
        released_on=claims.released_on(db(), found),
        asked=claims.claims_of_line(db(), line_id),
        asking=asking,
        refusing=refusing or (0, RefusalForm(formdata=None)),
        wrong=wrong,
    )


def _choose_dealer(form: ClaimForm) -> None:
    dealers = sorted(lease_queries.dealer_names(db()).items(), key=lambda one: one[1])
    form.dealer.among([(str(dealer_id), " ".join(names)) for dealer_id, names in dealers], "choose a dealer")


@sales.post("/<mall_code>/unclaimed/<int:line_id>/claims")
@allow("manager")
def ask(mall_code: str, line_id: int) -> Page:
    """Write down a claim that a dealer makes by telephone or at the desk."""
    found = _line(wanted_mall(mall_code), line_id)
    form = ClaimForm()
    _choose_dealer(form)
    if not form.validate():
        return _line_page(mall_code, line_id, asking=form), 422
    dealer = db().get_one(Dealer, int(form.dealer.data))
    try:
        claims.ask_claim(db(), now(), found, dealer, words=form.words.data, user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        return _line_page(mall_code, line_id, asking=form, wrong=str(refusal)), 422
    flash(f"The claim of {dealer.code} is written down: grant or refuse it.")
    return redirect(url_for("sales.line", mall_code=mall_code, line_id=line_id), 303)


def _claim(mall: Mall, claim_id: int) -> Claim:
    found = db().get(Claim, claim_id)
    if found is None or db().get_one(TicketLine, found.line_id).mall_id != mall.id:
        abort(404)
    return found


@sales.post("/<mall_code>/claims/<int:claim_id>/grant")
@allow("manager")
def grant(mall_code: str, claim_id: int) -> Page:
    found = _claim(wanted_mall(mall_code), claim_id)
    line_id = found.line_id
    try:
        claims.grant_claim(db(), now(), found, user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        return _line_page(mall_code, line_id, wrong=str(refusal)), 422
    _tell(line_id)
    code = db().get_one(Dealer, found.dealer_id).code
    flash(f"The sale is {code}’s from today on. Everybody who asked for it is told.")
    return redirect(url_for("sales.line", mall_code=mall_code, line_id=line_id), 303)


@sales.post("/<mall_code>/claims/<int:claim_id>/refuse")
@allow("manager")
def refuse(mall_code: str, claim_id: int) -> Page:
    found = _claim(wanted_mall(mall_code), claim_id)
    line_id = found.line_id
    form = RefusalForm()
    if not form.validate():
        return _line_page(mall_code, line_id, refusing=(claim_id, form)), 422
    try:
        claims.refuse_claim(db(), now(), found, decision=form.decision.data, user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        return _line_page(mall_code, line_id, refusing=(claim_id, form), wrong=str(refusal)), 422
    _tell(line_id)
    flash("The claim is refused, and its dealer is told why.")
    return redirect(url_for("sales.line", mall_code=mall_code, line_id=line_id), 303)


def _tell(line_id: int) -> None:
    claims.tell_claimants(db(), now(), db().get_one(TicketLine, line_id), mail_domain=site().settings.mail_domain)


# --- gift certificates --------------------------------------------------------------------------------------------------


@sales.get("/certificates")
@allow(*READERS)
def certificates() -> Page:
    mall = _mall_here()
    listed, held = read_gifts(db(), today_of(mall), request.args), gifts.certificates_held(db())
    return show_list(listed, "office/sales/certificates.html", "gift-certificates", mall=mall, held=held)


@sales.get("/certificates/new")
@allow("manager")
def sell() -> Page:
    mall = _mall_here()
    return _sell_page(CertificateForm(formdata=None, mall=request.args.get("mall", mall.code)))


def _sell_page(form: CertificateForm, wrong: str = "") -> str:
    _choose_mall(form)
    return render_template("office/sales/sell.html", mall=_mall_here(), form=form, wrong=wrong, caution=gifts.CAUTION)


def _choose_mall(form: CertificateForm) -> None:
    form.mall.among([(mall.code, mall.name) for mall in office_queries.malls(db())])


@sales.post("/certificates/new")
@allow("manager")
def sell_one() -> Page:
    form = CertificateForm()
    _choose_mall(form)
    if not form.validate():
        return _sell_page(form), 422
    mall = wanted_mall(form.mall.data)
    try:
        made = gifts.sell_certificate(
            db(),
            now(),
            mall,
            amount_cents=form.amount.data,
            tender=form.tender.data,
            on=today_of(mall),
            number=form.number.data,
            expires_on=form.expires_on.data,
            key=form.key.made(),
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        roll_back()
        wrong = str(refusal)
        if isinstance(refusal, gifts.NumberRefused):
            told(form.number, wrong)
            wrong = ""
        elif isinstance(refusal, gifts.EndRefused):
            told(form.expires_on, wrong)
            wrong = ""
        return _sell_page(form, wrong), 422
    flash(f"Gift certificate {made.number} is sold, {format_dollars(made.amount_cents)}: print it for the buyer.")
    return redirect(url_for("sales.certificate", certificate_id=made.id), 303)


def _certificate(certificate_id: int) -> GiftCertificate:
    found = db().get(GiftCertificate, certificate_id)
    if found is None:
        abort(404)
    return found


@sales.get("/certificates/<int:certificate_id>")
@allow(*READERS)
def certificate(certificate_id: int) -> Page:
    found = _certificate(certificate_id)
    mall = db().get_one(Mall, found.mall_id)
    left = gifts.certificate_left(db(), found)
    return render_template(
        "office/sales/certificate.html",
        mall=mall,
        certificate=found,
        left=left,
        state=gifts.state_of(found, left, today_of(mall)),
        moves=gifts.moves_of(db(), found),
        fresh=gifts.is_fresh(db(), found, today_of(mall)),
    )


@sales.post("/certificates/<int:certificate_id>/take-back")
@allow("manager")
def take_back_certificate(certificate_id: int) -> Page:
    found = _certificate(certificate_id)
    try:
        mall = db().get_one(Mall, found.mall_id)
        gifts.take_back_certificate(db(), now(), found, on=today_of(mall), user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        flash(str(refusal))
    else:
        flash(
            f"Gift certificate {found.number} is taken back: give {format_dollars(found.amount_cents)} back, and destroy "
            "the paper."
        )
    return redirect(url_for("sales.certificate", certificate_id=certificate_id), 303)


@sales.get("/certificates/<int:certificate_id>/paper")
@allow(*READERS)
def certificate_paper(certificate_id: int) -> Page:
    """The certificate, fit for printing."""
    found = _certificate(certificate_id)
    malls = office_queries.malls(db())
    return render_template(
        "office/sales/certificate_paper.html",
        mall=db().get_one(Mall, found.mall_id),
        malls=malls,
        certificate=found,
        caution=gifts.CAUTION,
    )
