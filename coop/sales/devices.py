"""Devices that ring up sales: which there are, and whether each has sent every ticket it rang up."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.core.templating import day as written
from coop.floor.models import Mall
from coop.sales.models import DeskDevice


def devices_of(session: Session, mall: Mall) -> Sequence[DeskDevice]:
    """A mall's devices in use, by name."""
    in_use = DeskDevice.retired_at.is_(None)
    return session.scalars(select(DeskDevice).where(DeskDevice.mall_id == mall.id, in_use).order_by(DeskDevice.name)).all()


def register_device(session: Session, now: datetime, mall: Mall, name: str, *, user_id: int | None = None) -> DeskDevice:
    """Count on a device from now on: a month-end asks whether it has sent all. One that was retired is in use again.

    Refuses no name, one that is too long, and one in use.
    """
    name = name.strip()
    if not 0 < len(name) <= 40:
        raise Refusal("The device's name is empty or has more than 40 characters: write one such as front desk.")
    device = _found(session, mall, name)
    if device is not None and device.retired_at is None:
        raise Refusal(f"{name} is registered at {mall.code} already: choose another name.")
    if device is None:
        device = DeskDevice(mall_id=mall.id, name=name, registered_at=now, waiting=0)
        session.add(device)
    else:
        device.registered_at, device.retired_at, device.waiting, device.reported_at = now, None, 0, None
    session.flush()
    audit.record(session, now, "device registered", "device", f"{mall.code}/{name}", user_id=user_id)
    return device


def retire_device(session: Session, now: datetime, device: DeskDevice, *, reason: str = "", user_id: int | None = None) -> None:
    """Stop counting on a device. Refuses one retired before, and, without a reason, one that has tickets it has not sent."""
    session.refresh(device, with_for_update=True)
    if device.retired_at is not None:
        raise Refusal(f"{device.name} was retired already.")
    if device.waiting and not reason.strip():
        raise Refusal(
            f"{device.name} has {_tickets(device.waiting)} it has not sent: have it send them, or say why they will never come."
        )
    device.retired_at = now
    mall = session.get_one(Mall, device.mall_id)
    detail = f"{_tickets(device.waiting)} not sent: {reason.strip()}" if device.waiting else ""
    audit.record(session, now, "device retired", "device", f"{mall.code}/{device.name}", user_id=user_id, detail=detail)


def report_queue(session: Session, now: datetime, mall: Mall, name: str, waiting: int) -> DeskDevice:
    """What a device says of itself: how many tickets it has rung up and not sent. Refuses one that is not in use."""
    device = _found(session, mall, name.strip())
    if device is None or device.retired_at is not None:
        names = ", ".join(one.name for one in devices_of(session, mall))
        raise Refusal(f"There is no device {name} in use at {mall.code}. There is: {names or 'none yet'}.")
    if waiting < 0:
        raise Refusal(f"{name} reports {waiting} tickets: write 0 or more.")
    device.waiting, device.reported_at = waiting, now
    session.flush()
    return device


def waiting_devices(session: Session, mall: Mall, month: Month) -> list[str]:
    """A sentence for each device that may still hold tickets of a month: some wait on it, or it was not heard of since.

    A device registered after the month is not asked.
    """
    found = []
    for device in devices_of(session, mall):
        heard = local_date(device.reported_at, mall.timezone) if device.reported_at else None
        if device.waiting:
            found.append(f"{device.name} has {_tickets(device.waiting)} that the books have not had: have it send them.")
        elif local_date(device.registered_at, mall.timezone) <= month.last_day and (heard is None or heard <= month.last_day):
            since = f"since {written(heard)}" if heard else "yet"
            found.append(f"{device.name} was not heard of {since}: have it report that nothing waits on it, or retire it.")
    return found


def _found(session: Session, mall: Mall, name: str) -> DeskDevice | None:
    wanted = select(DeskDevice).where(DeskDevice.mall_id == mall.id, DeskDevice.name == name)
    return session.scalar(wanted.with_for_update())


def _tickets(count: int) -> str:
    return "1 ticket" if count == 1 else f"{count} tickets"
