"""What the database forbids of overflow: one floor or one piece twice, a bay moved, an answer or a told walk rewritten."""

from __future__ import annotations

from tests.integration.books.attacks import attack
from tests.integration.books.reset_attacks import BOOTH


def _bay(key: int) -> str:
    return (
        "INSERT INTO bay (id, mall_id, code, aisle, corners_in16, length_in16, depth_in16, backing, before, is_lent, palette, "
        f"note, starts_on) VALUES ({key}, 900, 'A1-{key}', 'A1', '[]', 1920, 384, 'wall', '', TRUE, '[]', '', '2026-01-01')"
    )


def _piece(key: int) -> str:
    return (
        "INSERT INTO overflow_piece (id, dealer_id, name, width_in16, depth_in16, height_in16, colour, grouping, glass, "
        f"may_turn, tag) VALUES ({key}, 900, 'Chest', 768, 288, 576, '', '', FALSE, FALSE, '')"
    )


def _stay(
    key: int, bay: int, piece: int, along: tuple[int, int], days: tuple[str, str] = ("02", "15"), state: str = "stands"
) -> str:
    return (
        "INSERT INTO overflow_stay (id, piece_id, bay_id, kind, state, from_in16, to_in16, depth_in16, turned, starts_on, "
        "ends_on, granted_until, why, recall_why, version, created_at) "
        f"VALUES ({key}, {piece}, {bay}, 'asked', '{state}', {along[0]}, {along[1]}, 288, FALSE, '2026-11-{days[0]}', "
        f"'2026-11-{days[1]}', '2026-11-{days[1]}', '', '', 1, '2026-11-01')"
    )


FLOOR = (*BOOTH, _bay(900), _bay(901), _piece(900), _piece(901))
ASKED = (
    *FLOOR,
    "INSERT INTO overflow_request (id, dealer_id, mall_id, asked_on, not_before, weeks, flexible_weeks, together, bay_code, "
    "note, state, version, created_at) VALUES (900, 900, 900, '2026-10-01', '2026-11-02', 4, 0, FALSE, '', '', 'granted', 1, "
    "'2026-10-01')",
    "INSERT INTO overflow_answer (id, request_id, answer, sentence, at) VALUES (900, 900, 'granted', 'Yes.', '2026-10-02')",
)
WALKED = (
    *FLOOR,
    _stay(900, 900, 900, (0, 768)),
    _stay(901, 901, 901, (0, 768)),
    *(
        f"INSERT INTO overflow_walk (id, mall_id, on_date, note, created_at) VALUES ({key}, 900, '2026-11-03', '', '2026-11-03')"
        for key in (900, 901)
    ),
    *(
        f"INSERT INTO walk_mark (id, walk_id, stay_id, mark, note) VALUES ({key}, {key}, 900, 'not there', '')"
        for key in (900, 901)
    ),
    "UPDATE overflow_walk SET told_at = '2026-11-03' WHERE id = 900",
)
"""Two walks with a mark each; dealers were told of the first."""
SOMEBODY = "INSERT INTO user_account (id, email, password_hash, created_at) VALUES (900, 'a@b.example', 'x', '2026-10-01')"
TWICE = "stands where another does|guard_overflow_stay_place"
BOTH_PLACES = "in two places at once|guard_overflow_stay_piece"
NEVER = "never changed or deleted"
THERE = "is there already"
TOLD = "dealers were told of that walk"
BOTH = [
    attack(TWICE, "two pieces on one floor", *FLOOR, _stay(900, 900, 900, (0, 768)), _stay(901, 900, 901, (767, 1500))),
    attack(
        TWICE,
        "a stay lengthened into the next",
        *FLOOR,
        _stay(900, 900, 900, (0, 768), ("02", "08")),
        _stay(901, 900, 901, (0, 768), ("09", "15")),
        "UPDATE overflow_stay SET ends_on = '2026-11-09' WHERE id = 900",
    ),
    attack(
        TWICE,
        "a cancelled stay that stands again",
        *FLOOR,
        _stay(900, 900, 900, (0, 768), state="cancelled"),
        _stay(901, 900, 901, (0, 768)),
        "UPDATE overflow_stay SET state = 'stands' WHERE id = 900",
    ),
    attack(BOTH_PLACES, "a piece in two bays at once", *FLOOR, _stay(900, 900, 900, (0, 768)), _stay(901, 901, 900, (0, 768))),
    attack(NEVER, "a bay moved", *FLOOR, "UPDATE bay SET corners_in16 = '[1]' WHERE id = 900"),
    attack(NEVER, "a bay lengthened", *FLOOR, "UPDATE bay SET length_in16 = 2000 WHERE id = 900"),
    attack(NEVER, "a bay deleted", *FLOOR, "DELETE FROM bay WHERE id = 900"),
    attack(NEVER, "an answer rewritten", *ASKED, "UPDATE overflow_answer SET sentence = 'No.'"),
    attack(NEVER, "an answer deleted", *ASKED, "DELETE FROM overflow_answer"),
    attack(NEVER, "a told walk told of again", *WALKED, "UPDATE overflow_walk SET told_at = NULL WHERE id = 900"),
    attack(NEVER, "the note of a told walk rewritten", *WALKED, "UPDATE overflow_walk SET note = 'All well' WHERE id = 900"),
    attack(NEVER, "a told walk deleted", *WALKED, "DELETE FROM overflow_walk WHERE id = 900"),
    attack(TOLD, "a mark of a told walk rewritten", *WALKED, "UPDATE walk_mark SET mark = 'in place' WHERE id = 900"),
    attack(TOLD, "a mark of a told walk moved away", *WALKED, "UPDATE walk_mark SET walk_id = 901, stay_id = 901 WHERE id = 900"),
    attack(TOLD, "a mark moved to a told walk", *WALKED, "UPDATE walk_mark SET walk_id = 900, stay_id = 901 WHERE id = 901"),
    attack(TOLD, "a mark of a told walk deleted", *WALKED, "DELETE FROM walk_mark WHERE id = 900"),
    attack(
        TOLD,
        "a mark added to a told walk",
        *WALKED,
        "INSERT INTO walk_mark (id, walk_id, stay_id, mark, note) VALUES (902, 900, 901, 'in place', '')",
    ),
    attack(
        "gone_said",
        "who said that it is gone, of what is not",
        *FLOOR,
        SOMEBODY,
        _stay(900, 900, 900, (0, 768)),
        "UPDATE overflow_stay SET gone_said_by = 900 WHERE id = 900",
    ),
    attack(
        "cancelled_by",
        "who took back floor that stands",
        *FLOOR,
        SOMEBODY,
        _stay(900, 900, 900, (0, 768)),
        "UPDATE overflow_stay SET cancelled_by = 900 WHERE id = 900",
    ),
    attack(
        "lengthened",
        "lengthened from a day before it began",
        *FLOOR,
        _stay(900, 900, 900, (0, 768)),
        "UPDATE overflow_stay SET lengthened_from = '2026-11-01' WHERE id = 900",
    ),
]
SQLITE = [
    attack(
        THERE + "|" + TOLD,
        "a mark put in the place of a told walk's",
        *WALKED,
        "INSERT OR REPLACE INTO walk_mark (id, walk_id, stay_id, mark, note) VALUES (900, 901, 901, 'in place', '')",
    ),
    attack(
        NEVER,
        "a mark given the number of a told walk's",
        *WALKED,
        "UPDATE OR REPLACE walk_mark SET id = 900 WHERE id = 901",
    ),
    attack(
        THERE,
        "a walk put in the place of a told one",
        *WALKED,
        "DELETE FROM walk_mark WHERE id = 901",
        "INSERT OR REPLACE INTO overflow_walk (id, mall_id, on_date, note, created_at) VALUES "
        "(900, 900, '2026-11-03', '', '2026-11-03')",
    ),
    attack(
        NEVER,
        "a walk given the number of a told one",
        *WALKED,
        "DELETE FROM walk_mark WHERE id = 901",
        "UPDATE OR REPLACE overflow_walk SET id = 900 WHERE id = 901",
    ),
]
"""On SQLite a row can be put in the place of another."""
POSTGRESQL = [
    attack(NEVER, f"{table} emptied", f"TRUNCATE {table} CASCADE")
    for table in ("walk_mark", "overflow_walk", "bay", "overflow_answer")
]
