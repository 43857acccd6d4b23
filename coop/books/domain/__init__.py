"""The books as values, pure. What stands where:

ach       the bank's file of transfers, in the form of the Nacha rules
entries   an event to be posted, and the hash that seals entries
hand      entries by hand: their lines, new accounts, papers
tree      accounts as a tree, trial balance, balance sheet and income statement
finding   what is typed to find something
export    the ledger as Beancount, journal and CSV
bank_file    a file of the bank as a value, and how it is refused
bank_csv     the bank's lines from CSV
ofx          the bank's lines from OFX, and the books' side of the bank as OFX
bank_export  both sides of the bank as CSV
matching     which line of the bank is which entry: proposals with their reasons
"""
