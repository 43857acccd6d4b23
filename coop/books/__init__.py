"""The double-entry ledger, its periods and seals."""
