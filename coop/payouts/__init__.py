"""Paying dealers: holds, runs, bank files and remittances, returned payments; what nobody asked for; the year's totals."""
