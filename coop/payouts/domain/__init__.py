"""Paying dealers as pure computation.

payable (what of a month's balance is paid), days (the day it is paid).
"""
