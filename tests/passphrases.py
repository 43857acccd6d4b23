"""Passphrases cost the tests little: the program means one to cost 64 MB and a tenth of a second, which hundreds would pay."""

from __future__ import annotations

import argon2

from coop.dealers import service

PROGRAMS = (service.HASHER.hash("a passphrase"), service._NOBODY)
"""What the program itself makes of a passphrase, and what a stranger's is compared with: for the test of their strength."""

service.HASHER = argon2.PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
service._NOBODY = service.HASHER.hash("nobody's")
