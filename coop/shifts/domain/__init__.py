"""Turns, computed purely: the same rows give the same hours, seats and turns owed on any day.

`hours` says when a mall is open on a day, `demand` which seats that makes of its posts, `owed` how many turns a member owes in a
month, by what working, and `carried` what a month-end makes of a balance. `spans` says whether what a member said about a day
covers a stretch of it. `posing` makes a month the solver's problem, and its answer who sits where; `fairness` measures shares.
"""
