"""Malls and spaces made."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.clock import is_timezone
from coop.core.errors import Refusal
from coop.core.geometry import rectangle_sqft100
from coop.dealers.details import address_lines
from coop.dealers.membership import require_code
from coop.floor.models import SPACE_KINDS, Mall, Space


def require_timezone(name: str) -> None:
    """Refuses a time zone nobody keeps."""
    if not is_timezone(name):
        raise Refusal(f"Time zone {name!r} is not one of the IANA database: use one such as America/Chicago.")


def add_mall(
    session: Session,
    now: datetime,
    code: str,
    *,
    name: str,
    timezone: str,
    address: str = "",
    user_id: int | None = None,
    request_id: str = "",
) -> Mall:
    """A building of the co-op. Refuses a code that is taken and a time zone nobody keeps."""
    code = require_code(code, "Mall code")
    require_timezone(timezone)
    if session.scalar(select(Mall.id).where(Mall.code == code)) is not None:
        raise Refusal(f"Mall code {code} is taken: choose another.")
    mall = Mall(code=code, name=name, timezone=timezone, address=address_lines(address), created_at=now)
    session.add(mall)
    session.flush()
    audit.record(session, now, "mall added", "mall", mall.code, user_id=user_id, request_id=request_id)
    return mall


def change_mall(
    session: Session,
    now: datetime,
    mall: Mall,
    *,
    name: str,
    address: str,
    timezone: str,
    has_books: bool,
    user_id: int | None = None,
    request_id: str = "",
) -> list[str]:
    """Change what a mall is called, where it stands and its clock; what was changed, in words.

    Refuses, naming the field, an empty name, a time zone nobody keeps, and another one once the mall has books: their days were
    decided by the clock it had.
    """
    hold_mall(session, mall.id)
    session.refresh(mall)
    name = " ".join(name.split())
    address = address_lines(address)
    if not name:
        raise Refusal("The mall’s name is empty.")
    for what, words, most in (("name", name, 120), ("address", address, 400)):
        if len(words) > most:
            raise Refusal(f"The {what} has {len(words)} letters: {most} is the most.")
    if timezone != mall.timezone:
        require_timezone(timezone)
        if has_books:
            raise Refusal(
                f"The time zone of {mall.name} stays {mall.timezone}: its books have days already, decided by that clock."
            )
    changes = {
        "name": (mall.name, name),
        "address": (mall.address or "none", address or "none"),
        "time zone": (mall.timezone, timezone),
    }
    mall.name, mall.address, mall.timezone = name, address, timezone
    session.flush()
    return audit.record_changes(session, now, "mall", mall.code, changes, user_id=user_id, request_id=request_id)


def add_space(
    session: Session,
    now: datetime,
    mall: Mall,
    code: str,
    *,
    kind: str,
    zone: str,
    width_in16: int,
    depth_in16: int,
    x_in16: int = 0,
    y_in16: int = 0,
) -> Space:
    """A rectangular space, measured now. Refuses a code taken, an unknown kind, no zone, a width or depth of nothing."""
    if kind not in SPACE_KINDS:
        raise Refusal(f"Space {code}: its kind is {kind}; it is one of {', '.join(SPACE_KINDS)}.")
    if not zone.strip():
        raise Refusal(f"Space {code}: its zone is empty; name the zone its rent goes by, such as front.")
    if session.scalar(select(Space.id).where(Space.mall_id == mall.id, Space.code == code)) is not None:
        raise Refusal(f"Space {code} is in {mall.name} already: choose another code.")
    if width_in16 <= 0 or depth_in16 <= 0:
        raise Refusal(f"Space {code}: width and depth must be above zero.")
    corners = [
        [x_in16, y_in16],
        [x_in16 + width_in16, y_in16],
        [x_in16 + width_in16, y_in16 + depth_in16],
        [x_in16, y_in16 + depth_in16],
    ]
    space = Space(
        mall_id=mall.id,
        code=code,
        kind=kind,
        zone=zone,
        outline_in16=corners,
        measured_area_sqft100=rectangle_sqft100(width_in16, depth_in16),
        measured_on=now.date(),
        measured_by="",
    )
    session.add(space)
    session.flush()
    return space


def hold_mall(session: Session, mall_id: int) -> None:
    """Hold a mall's row until the transaction ends; rows that name it can still be written."""
    session.execute(select(Mall.id).where(Mall.id == mall_id).with_for_update(key_share=True))
