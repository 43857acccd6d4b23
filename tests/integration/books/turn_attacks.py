"""What the database forbids of turns: two at once, a published rota taken apart, a swap taken twice, an account rewritten."""

from __future__ import annotations

from tests.integration.books.attacks import attack

PEOPLE = (
    "INSERT INTO user_account (id, email, password_hash, created_at) VALUES (900, 'a@b.example', 'x', '2026-10-01')",
    "INSERT INTO member (id, name, email, phone, address, joined_on) VALUES (900, 'Wren', '', '', '', '2026-01-01')",
    "INSERT INTO member (id, name, email, phone, address, joined_on) VALUES (901, 'Lark', '', '', '', '2026-01-01')",
    "INSERT INTO mall (id, code, name, timezone, address, created_at) "
    "VALUES (900, 'HALL', 'Hall', 'America/Chicago', '', '2026-01-01')",
    "INSERT INTO mall (id, code, name, timezone, address, created_at) "
    "VALUES (901, 'BARN', 'Barn', 'America/Chicago', '', '2026-01-01')",
    "INSERT INTO post (id, mall_id, name, kind) VALUES (900, 900, 'Desk', 'desk')",
    "INSERT INTO post (id, mall_id, name, kind) VALUES (901, 901, 'Desk', 'desk')",
)


def _rota(key: int, state: str = "published") -> str:
    at = "'2026-10-20', 900" if state == "published" else "NULL, NULL"
    return (
        "INSERT INTO rota (id, mall_id, first_day, state, version, published_at, published_by) "
        f"VALUES ({key}, {key}, '2026-11-01', '{state}', 1, {at})"
    )


def _turn(key: int, place: int, member: int | str = 900, hours: tuple[int, int] = (15, 19), seat: int = 1) -> str:
    began, ended = (f"'2026-11-03 {hour}:00:00'" for hour in hours)
    return (
        "INSERT INTO turn (id, rota_id, mall_id, post_id, seat, on_date, starts_at, ends_at, opens, closes, needs_keys, holiday, "
        "member_id, locked, state, why) "
        f"VALUES ({key}, {place}, {place}, {place}, {seat}, '2026-11-03', {began}, {ended}, true, false, false, '', {member}, "
        "false, 'standing', '')"
    )


BOTH_ROTAS = (*PEOPLE, _rota(900), _rota(901))
OFFERED = (
    *BOTH_ROTAS,
    _turn(900, 900),
    "INSERT INTO turn_offer (id, turn_id, kind, by_member_id, pays_cents, state, words, made_at, answered_by, answered_at, "
    "ended_at) VALUES (900, 900, 'give', 900, 0, 'taken', '', '2026-10-25', 901, '2026-10-26', '2026-10-26')",
)
CAME = (
    *BOTH_ROTAS,
    _turn(900, 900),
    "INSERT INTO attendance (id, turn_id, signed_in_at, late, decision, note) "
    "VALUES (900, 900, '2026-11-03 15:01:00', false, '', '')",
)
ACCOUNT = (
    *PEOPLE,
    "INSERT INTO turn_account (id, mall_id, member_id, first_day, kind, key, turns, working, at) "
    "VALUES (900, 900, 900, '2026-11-01', 'owed', 'owed:2026-11', -200, 'base', '2026-12-01')",
)
WENT = (
    *BOTH_ROTAS,
    _turn(900, 900),
    "INSERT INTO turn_change (id, turn_id, at, how, to_member_id) VALUES (900, 900, '2026-10-20', 'published', 900)",
)
TICKED = (
    *PEOPLE,
    "INSERT INTO checklist_item (id, mall_id, kind, place, words, starts_on) "
    "VALUES (900, 900, 'opening', 1, 'Lights', '2026-01-01')",
    "INSERT INTO checklist_tick (id, item_id, on_date, ticked_at, user_id) "
    "VALUES (900, 900, '2026-11-03', '2026-11-03 14:50:00', 900)",
)
TWICE = "two turns that overlap|guard_turn_overlap"
NEVER = "never changed or deleted"
ONE_OPEN = OFFERED[-1].replace("'taken'", "'open'").replace("901, '2026-10-26', '2026-10-26'", "NULL, NULL, NULL")
BOTH = [
    attack(TWICE, "two turns at once at one mall", *BOTH_ROTAS, _turn(900, 900), _turn(901, 900, seat=2)),
    attack(TWICE, "two turns at once at two malls", *BOTH_ROTAS, _turn(900, 900), _turn(901, 901, hours=(18, 21))),
    attack(
        TWICE,
        "a second turn at once by a move",
        *BOTH_ROTAS,
        _turn(900, 900),
        _turn(901, 901, member=901),
        "UPDATE turn SET member_id = 900 WHERE id = 901",
    ),
    attack(
        TWICE,
        "a turn that grows over the next",
        *BOTH_ROTAS,
        _turn(900, 900),
        _turn(901, 901, hours=(19, 21)),
        "UPDATE turn SET ends_at = '2026-11-03 20:00:00' WHERE id = 900",
    ),
    attack("not deleted", "a published turn deleted", *BOTH_ROTAS, _turn(900, 900), "DELETE FROM turn"),
    attack(NEVER, "a published rota taken back", *BOTH_ROTAS, "UPDATE rota SET state = 'draft', published_at = NULL"),
    attack(NEVER, "a published rota deleted", *BOTH_ROTAS, "DELETE FROM rota WHERE id = 900"),
    attack(NEVER, "a swap opened again", *OFFERED, "UPDATE turn_offer SET state = 'open', answered_by = NULL"),
    attack(NEVER, "a swap taken by another", *OFFERED, "UPDATE turn_offer SET answered_by = 900"),
    attack(NEVER, "what a substitute gets changed", *OFFERED, "UPDATE turn_offer SET pays_cents = 100"),
    attack(NEVER, "an offer deleted", *OFFERED, "DELETE FROM turn_offer"),
    attack(
        "UNIQUE|uq_turn_offer_open", "a turn offered twice", *OFFERED[:-1], ONE_OPEN, ONE_OPEN.replace("(900, 900", "(901, 900")
    ),
    attack(NEVER, "a sign-in at another time", *CAME, "UPDATE attendance SET signed_in_at = '2026-11-03 14:00:00'"),
    attack(NEVER, "attendance deleted", *CAME, "DELETE FROM attendance"),
    attack(NEVER, "an account of turns rewritten", *ACCOUNT, "UPDATE turn_account SET turns = -100"),
    attack(NEVER, "a line of the account of turns deleted", *ACCOUNT, "DELETE FROM turn_account"),
    attack("CHECK|not_zero", "a line of no turns", *PEOPLE, ACCOUNT[-1].replace("-200", "0")),
    attack(NEVER, "the history of a turn rewritten", *WENT, "UPDATE turn_change SET to_member_id = 901"),
    attack(NEVER, "a tick taken back", *TICKED, "DELETE FROM checklist_tick"),
]
