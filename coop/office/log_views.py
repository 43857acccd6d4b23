"""The log in the office: who did what, to which thing."""

from __future__ import annotations

from flask import request

from coop.core.web import Page, allow, db, show_list
from coop.office import queries
from coop.office.log_queries import NO_PERSON, read_log
from coop.office.views import READERS, office


@office.get("/log")
@allow(*READERS)
def log() -> Page:
    listed = read_log(db(), request.args, queries.office_timezone(db()))
    return show_list(listed, "office/log.html", "log", no_person=NO_PERSON)
