"""Tickets, discounts, returns and imports."""
