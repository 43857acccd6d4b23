"""What a dealer's resets go by where it is not the usual: minutes of tasks, smalls a box, days of the season's calendar."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.dealers.models import Dealer
from coop.leases.holding import lock
from coop.resets.domain.hours.estimate import Minutes
from coop.resets.domain.hours.tasks import TASK_KINDS, HoursSettings, TaskKind, read_minutes, with_minutes
from coop.resets.domain.season import Leads
from coop.resets.reset_models import ResetSetting

SUBJECT = "reset settings"
MOST_SMALLS = 500
"""Smalls in one box."""
MOST_DAYS, MOST_MONTHS = 365, 24
LEADS: tuple[str, ...] = tuple(one.name for one in fields(Leads))
_KEYS = ("minutes", "smalls_a_box", "leads")


@dataclass(frozen=True)
class Setting:
    """Only what differs from the usual."""

    minutes: Mapping[TaskKind, Minutes] = field(default_factory=dict)
    smalls_a_box: int | None = None
    leads: Mapping[str, int] = field(default_factory=dict)

    @property
    def hours(self) -> HoursSettings:
        made = with_minutes(HoursSettings(), self.minutes)
        return made if self.smalls_a_box is None else replace(made, smalls_a_box=self.smalls_a_box)

    @property
    def season(self) -> Leads:
        return replace(Leads(), **self.leads)


def read_setting(value: Mapping[str, Any]) -> Setting:
    """What is stored, read strictly: `{"minutes": {"pack": [6, 10, 20]}, "smalls_a_box": 20, "leads": {"buy_days": 28}}`."""
    for key in value:
        if key not in _KEYS:
            raise Refusal(f"{key!r} is no setting of resets: the settings are {', '.join(_KEYS)}.")
    smalls = value.get("smalls_a_box")
    if smalls is not None:
        _require_number(smalls, "The smalls a box", 1, MOST_SMALLS)
    leads = value.get("leads", {})
    for name, days in leads.items():
        if name not in LEADS:
            raise Refusal(f"{name!r} is no step of the season: the steps are {', '.join(LEADS)}.")
        is_months = name == "season_months"
        words = "The months of a season" if is_months else f"The days of {name.removesuffix('_days')!r}"
        _require_number(days, words, 1 if is_months else 0, MOST_MONTHS if is_months else MOST_DAYS)
    return Setting(read_minutes(value.get("minutes", {})), smalls, dict(leads))


def _require_number(value: object, what: str, least: int, most: int) -> None:
    if not isinstance(value, int) or isinstance(value, bool) or not least <= value <= most:
        raise Refusal(f"{what} are {value!r}: write a whole number from {least} to {most}.")


def setting_of(session: Session, dealer_id: int) -> Setting:
    row = session.scalar(select(ResetSetting).where(ResetSetting.dealer_id == dealer_id))
    return Setting() if row is None else read_setting(row.value)


def change_settings(session: Session, now: datetime, dealer: Dealer, wanted: Setting, *, user_id: int) -> Setting:
    """Keep what differs from the usual, in place of what was kept; what is the usual is not kept."""
    usual, days = HoursSettings(), asdict(Leads())
    minutes = {
        kind: wanted.minutes[kind] for kind in TASK_KINDS if wanted.minutes.get(kind, usual.minutes[kind]) != usual.minutes[kind]
    }
    value: dict[str, Any] = {}
    if minutes:
        value["minutes"] = {kind: [one.least, one.likely, one.most] for kind, one in minutes.items()}
    if wanted.smalls_a_box not in (None, usual.smalls_a_box):
        value["smalls_a_box"] = wanted.smalls_a_box
    if leads := {name: wanted.leads[name] for name in LEADS if wanted.leads.get(name, days[name]) != days[name]}:
        value["leads"] = leads
    kept = read_setting(value)
    lock(session, dealer)
    row = session.scalar(select(ResetSetting).where(ResetSetting.dealer_id == dealer.id))
    if row is None:
        session.add(ResetSetting(dealer_id=dealer.id, value=value))
    else:
        lock(session, row)
        row.value = value
    session.flush()
    said = ", ".join([*minutes, *(name for name in ("smalls_a_box", "leads") if name in value)]) or "as usual"
    audit.record(session, now, audit.changed("reset settings"), SUBJECT, dealer.code, user_id=user_id, detail=said)
    return kept
