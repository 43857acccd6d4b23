"""What the database forbids of addresses and links that are secrets: calendar feeds and links to sign in."""

from __future__ import annotations

from tests.integration.books.attacks import attack

FEED_STAYS = "a feed keeps its user, kind and address"
FEED = (
    "INSERT INTO user_account (id, email, password_hash, created_at) VALUES (900, 'a@b.example', 'x', '2026-10-01')",
    "INSERT INTO calendar_feed (id, user_id, kind, label, token_sha256, created_at, revoked_at) "
    f"VALUES (900, 900, 'tax', '', '{'a' * 64}', '2026-10-01', '2026-10-02')",
)
FEEDS = [
    attack(FEED_STAYS, "a revoked feed taken up again", *FEED, "UPDATE calendar_feed SET revoked_at = NULL"),
    attack(FEED_STAYS, "a feed's other address", *FEED, f"UPDATE calendar_feed SET token_sha256 = '{'b' * 64}'"),
    attack(FEED_STAYS, "a feed of another kind", *FEED, "UPDATE calendar_feed SET kind = 'other'"),
    attack("CHECK|hashed", "a feed's secret itself", *FEED[:1], FEED[1].replace("a" * 64, "secret")),
    attack("CHECK|calendar_feed_forward", "a feed revoked before it was made", *FEED[:1], FEED[1].replace("10-02", "09-30")),
]

LINK_STAYS = "a link to sign in keeps its user, secret and end"
LINK = (
    FEED[0],
    "INSERT INTO sign_in_link (id, user_id, purpose, token_sha256, token_sealed, created_at, expires_at, used_at, ended_at) "
    f"VALUES (900, 900, 'invitation', '{'a' * 64}', '', '2026-10-01', '2026-10-08', '2026-10-02', NULL)",
)
RUNNING = LINK[1].replace("'2026-10-02', NULL)", "NULL, NULL)")
SECOND = RUNNING.replace("(900, 900", "(901, 900").replace("a" * 64, "b" * 64)
LINKS = [
    attack("UNIQUE|uq_sign_in_link_running", "two good links at once", LINK[0], RUNNING, SECOND),
    attack(LINK_STAYS, "a used link made good again", *LINK, "UPDATE sign_in_link SET used_at = NULL"),
    attack(LINK_STAYS, "a link that lasts longer", *LINK, "UPDATE sign_in_link SET expires_at = '2027-10-08'"),
    attack(LINK_STAYS, "a link of somebody else", *LINK, "UPDATE sign_in_link SET user_id = 901"),
    attack(LINK_STAYS, "a link's secret put back", *LINK, "UPDATE sign_in_link SET token_sealed = 'x'"),
    attack(LINK_STAYS, "a link's other secret", *LINK, f"UPDATE sign_in_link SET token_sha256 = '{'b' * 64}'"),
    attack("CHECK|hashed", "a link's secret itself", LINK[0], LINK[1].replace("a" * 64, "secret")),
    attack("CHECK|forward", "a link that was over before it was made", LINK[0], LINK[1].replace("10-08", "09-30")),
    attack("CHECK|used_or_ended", "a link used and ended", LINK[0], LINK[1].replace("NULL)", "'2026-10-02')")),
]

BOTH = [*FEEDS, *LINKS]
