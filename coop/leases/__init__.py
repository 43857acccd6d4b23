"""Leases, rates and the charges they make."""
