"""Signing in, as rules: what a passphrase must be, how long a guesser waits, when a session ends."""

from __future__ import annotations

import ipaddress
import unicodedata
from collections.abc import Sequence
from datetime import datetime, timedelta

IDLE_LIMIT = timedelta(hours=12)
"""A session nobody used for so long is over."""
ABSOLUTE_LIMIT = timedelta(days=14)
"""A session is over then, however much it is used."""

MIN_LENGTH = 12
MAX_LENGTH = 200
"""Argon2 takes any length; this keeps a request from costing more than it should."""
_MIN_DIFFERENT = 5

WINDOW = timedelta(minutes=15)
"""Failures older than this are forgotten."""
ACCOUNT_FAILURES = 5
"""So many are free; from then on each costs a growing wait."""
ADDRESS_FAILURES = 30
"""So many from one network address within the window, whatever the accounts."""
FIRST_WAIT = timedelta(minutes=1)


def account_wait(failures: Sequence[datetime], now: datetime) -> timedelta:
    """How long an account takes no further try, given its failures since it last succeeded. Zero: now.

    The fifth failure within the window costs one minute after it, the sixth two, then four, eight, and never more than the
    window. A try that is turned away is not a failure, so waiting always ends.
    """
    recent = [at for at in failures if now - WINDOW < at <= now]
    if len(recent) < ACCOUNT_FAILURES:
        return timedelta(0)
    # 1 << 4 minutes already exceeds the window: shifting further changes nothing.
    wait = min(WINDOW, FIRST_WAIT * (1 << min(4, len(recent) - ACCOUNT_FAILURES)))
    return max(timedelta(0), max(recent) + wait - now)


def address_wait(failures: Sequence[datetime], now: datetime) -> timedelta:
    """How long a network address takes no further try: until fewer than thirty of its failures are within the window."""
    recent = sorted(at for at in failures if now - WINDOW < at <= now)
    if len(recent) < ADDRESS_FAILURES:
        return timedelta(0)
    return recent[-ADDRESS_FAILURES] + WINDOW - now


def in_minutes(wait: timedelta) -> str:
    """A wait as a person is told it, never too short: `1 minute`, `4 minutes`."""
    minutes = max(1, -(-wait // timedelta(minutes=1)))
    return "1 minute" if minutes == 1 else f"{minutes} minutes"


def throttled_address(address: str) -> str:
    """The address failures are counted under: itself, or the /64 network of an IPv6 one (one household has all of it)."""
    try:
        parsed = ipaddress.ip_address(address.split("%", 1)[0])
    except ValueError:
        return "unknown"
    if isinstance(parsed, ipaddress.IPv6Address):
        if parsed.ipv4_mapped:
            return str(parsed.ipv4_mapped)
        return str(ipaddress.ip_network((parsed, 64), strict=False))
    return str(parsed)


def is_over(*, created_at: datetime, seen_at: datetime, expires_at: datetime, ended_at: datetime | None, now: datetime) -> bool:
    """Whether a session may no longer be used."""
    return ended_at is not None or now >= expires_at or now >= created_at + ABSOLUTE_LIMIT or now >= seen_at + IDLE_LIMIT


def plain_email(text: str) -> str:
    """A mail address as it is stored: trimmed, lower case."""
    return text.strip().lower()


def is_email(text: str) -> bool:
    """Whether it has the shape of a mail address: one @, something on both sides, no blanks. Only a mail proves more."""
    name, at, domain = text.partition("@")
    return bool(at and name and domain and "@" not in domain and len(text) <= 254 and text.isprintable() and " " not in text)


def plain_passphrase(text: str) -> str:
    """A passphrase as it is hashed: composed, so that the same letters typed on two machines are the same bytes.

    Source: NIST SP 800-63B s. 5.1.1.2 asks for a Unicode normalisation (NFKC or NFKD) before hashing; from memory.
    """
    return unicodedata.normalize("NFKC", text)


def passphrase_fault(passphrase: str, email: str) -> str | None:
    """What is wrong with a new passphrase, as a sentence with the mend; None when it will do.

    Length is what counts; no rule asks for kinds of characters.
    Source: NIST SP 800-63B s. 5.1.1.2 (length over composition rules); from memory.
    """
    plain = plain_passphrase(passphrase)
    if len(plain) < MIN_LENGTH:
        return f"Use {MIN_LENGTH} characters or more: a few words with blanks between them are easy to keep."
    if len(plain) > MAX_LENGTH:
        return f"Use {MAX_LENGTH} characters at most."
    if len(set(plain.lower())) < _MIN_DIFFERENT:
        return "This repeats the same few characters. Use a few words."
    if email and email.partition("@")[0] in plain.lower() and len(plain) < len(email) + MIN_LENGTH // 2:
        return "This is nearly your mail address. Use a few words that are not about you."
    return None


_CONSONANTS = "bdfghklmnprstvwz"
_VOWELS = "aeiou"
_SYLLABLES = len(_CONSONANTS) * len(_VOWELS)
_SYLLABLES_A_WORD = 3
_WORDS = 4
GENERATED_CHOICES = _SYLLABLES ** (_SYLLABLES_A_WORD * _WORDS)
"""How many different passphrases spell_passphrase can write: about 2**75."""


def spell_passphrase(number: int) -> str:
    """A number below GENERATED_CHOICES as four invented words that can be read aloud: `bakino-tuvela-domuri-sapeko`.

    Every number has its own spelling, so a random number makes a passphrase of 75 bits.
    """
    if not 0 <= number < GENERATED_CHOICES:
        raise ValueError("the number is out of range")
    words = []
    for _ in range(_WORDS):
        word = ""
        for _ in range(_SYLLABLES_A_WORD):
            number, syllable = divmod(number, _SYLLABLES)
            word += _CONSONANTS[syllable // len(_VOWELS)] + _VOWELS[syllable % len(_VOWELS)]
        words.append(word)
    return "-".join(words)


def browser_name(agent: str) -> str:
    """What a person may know a session by: `Firefox on Linux`. A guess from the browser's own words, for display only."""
    browsers = (("Edg", "Edge"), ("OPR", "Opera"), ("Firefox", "Firefox"), ("Chrome", "Chrome"), ("Safari", "Safari"))
    systems = (
        ("iPhone", "iPhone"),
        ("iPad", "iPad"),
        ("Android", "Android"),
        ("Windows", "Windows"),
        ("Mac OS", "macOS"),
        ("Linux", "Linux"),
    )
    browser = next((name for mark, name in browsers if mark in agent), "a browser")
    system = next((name for mark, name in systems if mark in agent), "")
    return f"{browser} on {system}" if system else browser
