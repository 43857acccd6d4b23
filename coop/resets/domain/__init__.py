"""A booth re-laid, computed purely: what fits, in which order it moves, by how many hands, and in how many hours.

`piece` and `booth` are the values everything here takes; lengths are whole sixteenths of an inch (`_in16`), weights whole ounces
(`_oz`), angles whole degrees.

Hands and the way: `lift` (hands of a lift), `tip` (what may tip, lean badly or is glass near an edge), `kit` (what to bring, tags
to write), `way` (what passes between booth and van), `loads` with `load_rows` and `load_trips` (trips of a van), `weight`.
"""
