"""Searches for a period of overflow: who stands in which bay, where along it and when; the value it takes is `domain.problem`.

| part | what it does |
| --- | --- |
| outcome | what a search tells: where things stand, each tier's cost and bound |
| filling | a first arrangement, quickly, and whatever else has a place beside what stands |
| part | a few bays as a period of their own, what stands in the others being fixed |
| model | loads OR-Tools: the period as a model, its bays by their floor's sum or exact |
| assign | loads OR-Tools: the whole of it, tier by tier, from a problem to an outcome |
| watch | seconds counted and cancelling asked for, by another thread |

Where and when a unit may stand is in `domain.choices`; what an arrangement costs is in `domain.counting`, which the model's
tiers are held against; `domain.checking` judges any arrangement by other means. OR-Tools (a second, 94 MB) is loaded by who
solves only, never by a web process.
"""
