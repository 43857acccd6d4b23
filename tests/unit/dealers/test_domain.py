"""The rules of signing in: waits, sessions, passphrases, addresses."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.dealers import domain

NOW = datetime(2026, 11, 3, 15, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def failures(*minutes_ago: int) -> list[datetime]:
    return [NOW - minutes * MINUTE for minutes in minutes_ago]


@pytest.mark.parametrize(
    ("ago", "minutes"),
    [
        ((), 0),
        ((0, 0, 0, 0), 0),
        ((0, 0, 0, 0, 0), 1),
        ((0, 1, 2, 3, 4, 5), 2),
        ((0,) * 7, 4),
        ((0,) * 8, 8),
        ((0,) * 9, 15),
        ((0,) * 40, 15),
        ((3, 3, 3, 3, 3), 0),
        ((15, 0, 0, 0, 0), 0),
        ((14, 0, 0, 0, 0), 1),
    ],
)
def test_account_wait_grows_from_the_fifth_failure_and_forgets_old_ones(ago: tuple[int, ...], minutes: int) -> None:
    assert domain.account_wait(failures(*ago), NOW) == minutes * MINUTE


@pytest.mark.parametrize(
    ("ago", "minutes"),
    [((1,) * 29, 0), ((1,) * 30, 14), ((14, *(1,) * 29), 1), ((14, 13, *(1,) * 29), 2), ((15, *(1,) * 29), 0)],
)
def test_address_waits_until_fewer_than_thirty_failures_are_recent(ago: tuple[int, ...], minutes: int) -> None:
    assert domain.address_wait(failures(*ago), NOW) == minutes * MINUTE


ago_lists = st.lists(st.integers(min_value=0, max_value=40 * 60), max_size=60)


@given(ago_lists)
def test_every_wait_ends_within_the_window(ago_s: list[int]) -> None:
    tried = [NOW - timedelta(seconds=s) for s in ago_s]
    for rule in (domain.account_wait, domain.address_wait):
        wait = rule(tried, NOW)
        assert timedelta(0) <= wait <= domain.WINDOW
        # Nothing is judged meanwhile, so nothing is added: once the wait is over, the next try is taken.
        assert rule(tried, NOW + wait) == timedelta(0)


@given(ago_lists)
def test_one_more_failure_never_shortens_a_wait(ago_s: list[int]) -> None:
    tried = [NOW - timedelta(seconds=s) for s in ago_s]
    for rule in (domain.account_wait, domain.address_wait):
        assert rule([*tried, NOW], NOW) >= rule(tried, NOW)


@pytest.mark.parametrize(
    ("wait", "words"),
    [
        (timedelta(seconds=1), "1 minute"),
        (timedelta(seconds=60), "1 minute"),
        (timedelta(seconds=61), "2 minutes"),
        (timedelta(minutes=15), "15 minutes"),
    ],
)
def test_a_wait_is_told_never_too_short(wait: timedelta, words: str) -> None:
    assert domain.in_minutes(wait) == words


@pytest.mark.parametrize(
    ("address", "counted"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:aaaa::1", "2001:db8:1:2::/64"),
        ("2001:db8:1:2:bbbb::9", "2001:db8:1:2::/64"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("fe80::1%eth0", "fe80::/64"),
        ("", "unknown"),
        ("not an address", "unknown"),
    ],
)
def test_failures_are_counted_by_household(address: str, counted: str) -> None:
    assert domain.throttled_address(address) == counted


@pytest.mark.parametrize(
    ("created", "seen", "ended", "over"),
    [
        (timedelta(0), timedelta(0), False, False),
        (timedelta(hours=13), timedelta(hours=11, minutes=59), False, False),
        (timedelta(hours=13), timedelta(hours=12), False, True),
        (timedelta(days=13, hours=23), timedelta(0), False, False),
        (timedelta(days=14), timedelta(0), False, True),
        (timedelta(0), timedelta(0), True, True),
    ],
)
def test_a_session_ends_by_idleness_by_age_or_by_its_user(created: timedelta, seen: timedelta, ended: bool, over: bool) -> None:
    began = NOW - created
    assert (
        domain.is_over(
            created_at=began,
            seen_at=NOW - seen,
            expires_at=began + domain.ABSOLUTE_LIMIT,
            ended_at=NOW if ended else None,
            now=NOW,
        )
        is over
    )


@pytest.mark.parametrize(
    ("passphrase", "says"),
    [
        ("short", "12 characters or more"),
        ("elevenchars", "12 characters or more"),
        ("x" * 201, "at most"),
        ("aaaaaaaaaaaaaaaa", "repeats"),
        ("abababababababab", "repeats"),
        ("fenwick@example.org", "your mail address"),
        ("Fenwick-2026", "your mail address"),
    ],
)
def test_a_weak_passphrase_is_told_what_to_do(passphrase: str, says: str) -> None:
    fault = domain.passphrase_fault(passphrase, "fenwick@example.org")
    assert fault is not None
    assert says in fault


@pytest.mark.parametrize("passphrase", ["twelve chars", "бочка мёда и ложка", "a" + "bcdef" * 20])
def test_length_is_enough_without_rules_of_composition(passphrase: str) -> None:
    assert domain.passphrase_fault(passphrase, "fenwick@example.org") is None


def test_the_same_letters_typed_on_two_machines_are_the_same_passphrase() -> None:
    assert domain.plain_passphrase("cafe\N{COMBINING ACUTE ACCENT}") == domain.plain_passphrase(
        "caf\N{LATIN SMALL LETTER E WITH ACUTE}"
    )


@given(
    st.integers(min_value=0, max_value=domain.GENERATED_CHOICES - 1),
    st.integers(min_value=0, max_value=domain.GENERATED_CHOICES - 1),
)
def test_every_number_spells_its_own_passphrase_that_will_do(one: int, other: int) -> None:
    spelled = domain.spell_passphrase(one)
    assert len(spelled) == 27
    assert (spelled == domain.spell_passphrase(other)) is (one == other)


def test_generated_passphrases_have_seventy_five_bits() -> None:
    assert domain.GENERATED_CHOICES.bit_length() == 76
    for number in (-1, domain.GENERATED_CHOICES):
        with pytest.raises(ValueError, match="out of range"):
            domain.spell_passphrase(number)


@pytest.mark.parametrize(
    ("text", "good"),
    [
        ("name@example.org", True),
        ("a.b+c@mail.example.org", True),
        ("name", False),
        ("@example.org", False),
        ("name@", False),
        ("a@b@example.org", False),
        ("na me@example.org", False),
        ("name@example.org\n", False),
        ("x" * 250 + "@example.org", False),
    ],
)
def test_the_shape_of_a_mail_address(text: str, good: bool) -> None:
    assert domain.is_email(text) is good


@pytest.mark.parametrize(
    ("agent", "name"),
    [
        ("Mozilla/5.0 (X11; Linux x86_64; rv:140.0) Gecko/20100101 Firefox/140.0", "Firefox on Linux"),
        ("Mozilla/5.0 (Windows NT 10.0) AppleWebKit/537.36 Chrome/140.0 Safari/537.36", "Chrome on Windows"),
        ("Mozilla/5.0 (Windows NT 10.0) AppleWebKit/537.36 Chrome/140.0 Safari/537.36 Edg/140.0", "Edge on Windows"),
        ("Mozilla/5.0 (iPhone; CPU iPhone OS 18_0 like Mac OS X) Version/18.0 Safari/604.1", "Safari on iPhone"),
        ("curl/8.0", "a browser"),
    ],
)
def test_a_session_is_named_by_its_browser(agent: str, name: str) -> None:
    assert domain.browser_name(agent) == name
