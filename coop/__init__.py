"""coop: the operations server of a small dealer co-op."""

__version__ = "0.1.0"
