"""The last move of a rota, said on its month's page: what it did, what it broke, and the button that undoes it.

The address of the page carries what was moved (`moved`, and `had` or `with`), so that it works without a script and a page that
is looked at again says the same.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from flask import url_for

from coop.office.rota_forms import NOBODY
from coop.office.rota_month import Broke, MonthOfTurns, TurnCell


@dataclass(frozen=True)
class LastMove:
    """What the page says of the move that was just made."""

    turn_id: int
    sentence: str
    broken: Sequence[Broke]
    address: str
    """Where what undoes it is sent."""
    button: str
    unseen: str
    fields: Sequence[tuple[str, str]]


def last_move(it: MonthOfTurns, asked: Mapping[str, str]) -> LastMove | None:
    """What an address says was moved; None where it says nothing, or of what is not there."""
    cell = it.cells.get(_number(asked.get("moved", "")) or 0)
    if cell is None:
        return None
    if it.published:
        # Put back only by the form that asks for consent.
        sentence = f"{cell.said}: {cell.name or 'nobody'} has it now, and those it touches are told."
        return LastMove(cell.turn.id, sentence, _against(it, cell), "", "", "", ())
    at: dict[str, Any] = {"mall_code": it.mall.code, "month": it.month, "turn_id": cell.turn.id}
    other = it.cells.get(_number(asked.get("with", "")) or 0)
    if other is not None:
        return LastMove(
            cell.turn.id,
            f"{cell.said}: {cell.name or 'nobody'} has it now, and {other.name or 'nobody'} has {other.said}.",
            _against(it, cell, other),
            url_for("rota.exchange", **at),
            "Undo",
            "the exchange",
            [("other", str(other.turn.id)), ("locks", asked.get("locked", ""))],
        )
    had = _number(asked.get("had", ""))
    whose = next((row.name for row in it.members if row.member_id == had), "nobody")
    locked = asked.get("locked") == "yes"
    return LastMove(
        cell.turn.id,
        f"{cell.said}: {cell.name or 'nobody'} has it now, and {whose} had it before.",
        _against(it, cell),
        url_for("rota.move", **at),
        "Undo",
        f": {whose} again",
        [
            ("member", str(had) if had else NOBODY),
            ("had", str(cell.turn.member_id or NOBODY)),
            *([("lock", "yes")] if locked else []),
        ],
    )


def _against(it: MonthOfTurns, *cells: TurnCell) -> list[Broke]:
    """What stands against these turns, or those who have them, now."""
    turns, members = {cell.turn.id for cell in cells}, {cell.turn.member_id for cell in cells} - {None}
    return [one for one in it.faults if one.fault.turn_id in turns or one.fault.member_id in members]


def _number(text: str) -> int | None:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 16 else None
