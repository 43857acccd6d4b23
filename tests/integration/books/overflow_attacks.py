"""What the database forbids of overflow: two pieces on one floor, a piece in two places, a bay moved, an answer rewritten."""

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
TWICE = "stands where another does|guard_overflow_stay_place"
BOTH_PLACES = "in two places at once|guard_overflow_stay_piece"
NEVER = "never changed or deleted"
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
]
