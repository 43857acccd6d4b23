"""People and sign-ins: who may sign in and as what; invited, given and denied roles, signed out, locked."""

from __future__ import annotations

from flask import abort, flash, redirect, render_template, request, url_for

from coop.core.errors import Refusal
from coop.core.web import Page, allow, db, now, request_id, roll_back, show_list, visitor
from coop.dealers import domain, granting, links
from coop.dealers.link_views import sender
from coop.dealers.models import ROLES, UserAccount
from coop.dealers.queries import dealer_by_code, running_sessions
from coop.office.settings_forms import ROLE_WORDS, InviteForm, RoleForm
from coop.office.settings_people import Person, lines_about, people, person
from coop.office.settings_views import settings

_LASTS = links.LASTS_SAID[links.INVITATION]


def _member_of(code: str | None) -> int | None:
    """The member behind a dealer's code. Raises WhichDealerRefused for one there is not."""
    if not code:
        return None
    dealer = dealer_by_code(db(), code.upper())
    if dealer is None:
        raise granting.WhichDealerRefused(f"There is no dealer {code}: dealers have codes such as D01.")
    return dealer.member_id


@settings.get("/people")
@allow("manager")
def people_page() -> Page:
    form = InviteForm(formdata=None)
    return show_list(people(db(), now(), request.args), "office/settings/people.html", "people", form=form, lasts=_LASTS)


def _list_page(form: InviteForm) -> str:
    return render_template("office/settings/people.html", listed=people(db(), now(), request.args), form=form, lasts=_LASTS)


@settings.post("/people")
@allow("manager")
def invite() -> Page:
    form = InviteForm()
    if not form.validate():
        return _list_page(form), 422
    try:
        user = links.invite_user(
            db(),
            now(),
            sender(),
            email=form.email.data,
            roles=form.roles.data,
            member_id=_member_of(form.dealer.data),
            by=visitor().user_id,
            request_id=request_id(),
        )
    except Refusal as refusal:
        roll_back()
        form.tell(refusal)
        return _list_page(form), 422
    flash(f"An invitation is on its way to {user.email}. It is good for {_LASTS}.")
    return redirect(url_for("settings.person_page", user_id=user.id), 303)


def _person(user_id: int) -> Person:
    found = person(db(), now(), user_id)
    if found is None:
        abort(404)
    return found


@settings.get("/people/<int:user_id>")
@allow("manager")
def person_page(user_id: int) -> Page:
    return _person_page(_person(user_id), RoleForm(formdata=None))


def _person_page(found: Person, form: RoleForm) -> str:
    form.role.choices = {role: words for role, words in ROLE_WORDS.items() if role not in found.roles}
    return render_template(
        "office/settings/person.html",
        found=found,
        form=form,
        own=found.user.id == visitor().user_id,
        sessions=running_sessions(db(), now(), found.user.id, now() - domain.IDLE_LIMIT),
        browser_name=domain.browser_name,
        lines=lines_about(db(), found.user.id),
        all_roles=len(found.roles) == len(ROLES),
    )


@settings.post("/people/<int:user_id>/roles")
@allow("manager")
def give_role(user_id: int) -> Page:
    found, form = _person(user_id), RoleForm()
    if not form.validate():
        return _person_page(found, form), 422
    try:
        granting.give_role(
            db(),
            now(),
            found.user,
            form.role.data,
            member_id=_member_of(form.dealer.data),
            by=visitor().user_id,
            request_id=request_id(),
        )
    except Refusal as refusal:
        roll_back()
        form.tell(refusal)
        return _person_page(_person(user_id), form), 422
    return _back(found.user, f"{found.user.email} is {form.role.data} from now on.")


@settings.post("/people/<int:user_id>/roles/<any('manager', 'bookkeeper', 'desk', 'dealer', 'auditor'):role>/take")
@allow("manager")
def take_role(user_id: int, role: str) -> Page:
    user = _person(user_id).user
    try:
        granting.take_role(db(), now(), user, role, by=visitor().user_id, request_id=request_id())
    except Refusal as refusal:
        return _refused(user_id, refusal)
    return _back(user, f"{user.email} is {role} no more.")


@settings.post("/people/<int:user_id>/sign-out")
@allow("manager")
def sign_out_everywhere(user_id: int) -> Page:
    user, who = _person(user_id).user, visitor()
    keep = who.session_id if who.user_id == user.id else None
    granting.sign_out_everywhere(db(), now(), user, by=who.user_id, keep_session_id=keep, request_id=request_id())
    return _back(user, "Every other browser of yours is signed out." if keep else f"{user.email} is signed out everywhere.")


@settings.post("/people/<int:user_id>/lock")
@allow("manager")
def lock(user_id: int) -> Page:
    user = _person(user_id).user
    try:
        granting.lock_user(db(), now(), user, by=visitor().user_id, request_id=request_id())
    except Refusal as refusal:
        return _refused(user_id, refusal)
    return _back(user, f"{user.email} is locked, and signed out everywhere.")


@settings.post("/people/<int:user_id>/unlock")
@allow("manager")
def unlock(user_id: int) -> Page:
    user = _person(user_id).user
    granting.unlock_user(db(), now(), user, by=visitor().user_id, request_id=request_id())
    return _back(user, f"{user.email} may sign in again, with the passphrase of before.")


@settings.post("/people/<int:user_id>/link")
@allow("manager")
def send_link(user_id: int) -> Page:
    user = _person(user_id).user
    try:
        links.send_next_link(db(), now(), sender(), user, by=visitor().user_id, request_id=request_id())
    except Refusal as refusal:
        return _refused(user_id, refusal)
    return _back(user, f"A link is on its way to {user.email}. Those sent before are no longer good.")


def _back(user: UserAccount, sentence: str) -> Page:
    flash(sentence)
    return redirect(url_for("settings.person_page", user_id=user.id), 303)


def _refused(user_id: int, refusal: Refusal) -> Page:
    roll_back()
    flash(str(refusal))
    return redirect(url_for("settings.person_page", user_id=user_id), 303)
