"""Jurisdictions, dated rates, places and the tax charged."""
