"""Overflow computed purely: bays out of a plan, pieces and the rules they go by, and a period posed to the solver.

| part | what it does |
| --- | --- |
| bay, piece, problem | the values everything takes: a bay on the plan; a piece; a period as a problem, and its answer |
| keepouts, lent | floor that is never lent (doors, exits, extinguishers, openings of booths); how deep any other may be |
| bays | bays worked out from a plan, those there were kept as far as they may be |
| across, lanes | what stands, found by place, and how far it is across; whether a bay leaves every way of its aisle whole |
| clear | what pieces standing in bays spoil, and what must move when the plan or a width has changed |
| carrying | bays cut anew: which has whose code, what is behind it, where in it a piece goes on standing |
| fitting | whether a piece may stand in a bay: size, height, glass, what tips |
| taking | floor taken over days: where a bay is free, what a dealer has at a time, how long in one bay |
| colour, walked | dE00 between two colours; how far it is to walk from a bay to a booth |
| fairness | floor had against rent paid: a dealer's share, what the next foot-week is worth, how evenly it was shared out |
| facts, posing, counting | what is known of a period; that as a problem, and the answer as stays; what it costs, tier by tier |
| choices | where and when each unit may stand by itself; floor and limits as they are used up; rows pushed together |
| checking, kept_clear | an arrangement judged without the solver; the whole mall judged with all that it places |
| reasons, answers | why a unit has no floor and what would help; what each asker is told of it |
| fees | what floor costs by the foot-week or the piece, prorated by days |
"""
