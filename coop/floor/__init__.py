"""Malls, spaces and measured areas."""
