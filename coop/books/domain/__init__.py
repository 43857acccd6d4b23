"""The books as values, pure. What stands where:

ach       the bank's file of transfers, in the form of the Nacha rules
entries   an event to be posted, and the hash that seals entries
hand      entries by hand: their lines, new accounts, papers
tree      accounts as a tree, trial balance, balance sheet and income statement
finding   what is typed to find something
export    the ledger as Beancount, journal and CSV
"""
