"""The one family of refusals a person is told about."""

from __future__ import annotations


class Refusal(Exception):
    """Something cannot be done as asked; the message is a sentence for a person, with the mend.

    Raised before anything is half-done: the transaction it interrupts is rolled back.
    """
