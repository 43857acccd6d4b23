"""A booth re-laid, computed purely: what fits, in which order it moves, by how many hands, and in how many hours.

`piece` and `booth` are the values everything here takes; lengths are whole sixteenths of an inch (`_in16`), weights whole ounces
(`_oz`), angles whole degrees.
"""
