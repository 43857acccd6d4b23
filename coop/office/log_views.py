"""The log in the office: who did what, to which thing."""

from __future__ import annotations

from flask import current_app, request, url_for

from coop.core.web import Page, allow, allowed_at, db, may, show_list, visitor
from coop.office import queries
from coop.office.log_queries import NO_PERSON, read_log
from coop.office.views import READERS, office


@office.get("/log")
@allow(*READERS)
def log() -> Page:
    listed = read_log(db(), request.args, queries.office_timezone(db()), person_page=_person_page)
    return show_list(listed, "office/log.html", "log", no_person=NO_PERSON)


def _person_page(user_id: int) -> str:
    endpoint = "settings.person_page"
    return url_for(endpoint, user_id=user_id) if may(visitor(), allowed_at(current_app, endpoint)) else ""
