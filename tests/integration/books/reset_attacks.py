"""What the database forbids of resets: one place twice at once, a measuring or a plan rewritten, two sets that both stand."""

from __future__ import annotations

from tests.integration.books.attacks import attack

BOOTH = (
    "INSERT INTO member (id, name, email, phone, address, joined_on) VALUES (900, 'Wren', '', '', '', '2026-01-01')",
    "INSERT INTO dealer (id, member_id, code, trade_name, created_at) VALUES (900, 900, 'D90', 'Wren', '2026-01-01')",
    "INSERT INTO mall (id, code, name, timezone, address, created_at) "
    "VALUES (900, 'HALL', 'Hall', 'America/Chicago', '', '2026-01-01')",
    "INSERT INTO space (id, mall_id, code, kind, zone, measured_area_sqft100, measured_by) "
    "VALUES (900, 900, '14', 'booth', 'front', 8000, '')",
    "INSERT INTO booth_measure (id, space_id, number, measured_on, measured_by, outline_in16, sides, posts_in16, outlets_in16, "
    "way_in16, aisle_in16, created_at) VALUES (900, 900, 1, '2026-11-03', 'Wren', '[]', '[]', '[]', '[]', 576, 0, '2026-11-03')",
)


def _set(key: int, name: str, state: str = "draft") -> str:
    return (
        "INSERT INTO booth_set (id, dealer_id, space_id, measure_id, name, name_key, theme, starts_on, state, note, version, "
        f"created_at, changed_at) VALUES ({key}, 900, 900, 900, '{name}', '{name}', '', '2026-12-01', '{state}', '', 1, "
        "'2026-11-03', '2026-11-03')"
    )


RESET = (
    *BOOTH,
    _set(900, "winter"),
    "INSERT INTO booth_reset (id, dealer_id, space_id, to_set_id, on_date, begins_minute, ends_minute, people, helpers, staging, "
    "state, note, version, created_at) "
    "VALUES (900, 900, 900, 900, '2026-12-01', 600, 1080, 2, '[]', '[]', 'planned', '', 1, '2026-11-03')",
)
PLANNED = (
    *RESET,
    "INSERT INTO reset_plan (id, reset_id, number, value, made_of, made_at) VALUES (900, 900, 1, 'null', 'a', '2026-11-03')",
)


def _booked(key: int, minutes: tuple[int, int], place: str = "Back dock", day: int = 1) -> str:
    return (
        "INSERT INTO reset_booking (id, reset_id, mall_id, kind, place, on_date, from_minute, to_minute) "
        f"VALUES ({key}, 900, 900, 'dock', '{place}', '2026-12-0{day}', {minutes[0]}, {minutes[1]})"
    )


ONCE = "booked for two resets at once|guard_reset_booking_overlap"
NEVER = "never changed or deleted"
BOTH = [
    attack(ONCE, "the dock booked twice at once", *RESET, _booked(900, (600, 660)), _booked(901, (659, 720))),
    attack(
        ONCE,
        "a booking that grows over the next",
        *RESET,
        _booked(900, (600, 660)),
        _booked(901, (660, 720)),
        "UPDATE reset_booking SET to_minute = 661 WHERE id = 900",
    ),
    attack(
        ONCE,
        "a booking moved to a taken day",
        *RESET,
        _booked(900, (600, 660)),
        _booked(901, (600, 660), day=2),
        "UPDATE reset_booking SET on_date = '2026-12-01' WHERE id = 901",
    ),
    attack(NEVER, "a measuring rewritten", *BOOTH, "UPDATE booth_measure SET way_in16 = 300"),
    attack(NEVER, "a measuring deleted", *BOOTH, "DELETE FROM booth_measure"),
    attack(NEVER, "a plan rewritten", *PLANNED, "UPDATE reset_plan SET made_of = 'b'"),
    attack(NEVER, "a plan deleted", *PLANNED, "DELETE FROM reset_plan"),
    attack("UNIQUE|stands", "two sets that both stand", *BOOTH, _set(900, "autumn", "stands"), _set(901, "winter", "stands")),
]
