"""The books as values, pure. What stands where:

entries   an event to be posted, and the hash that seals entries
export    the ledger as Beancount, journal and CSV
"""
