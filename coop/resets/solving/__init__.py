"""Searches for a booth re-laid; what loads OR-Tools (a second, 94 MB) is loaded by who solves only, never by a web process.

| part | what it does |
| --- | --- |
| schedule | loads OR-Tools: work with hands that come and go |
| packing | loads OR-Tools: whether rectangles fit a rectangle, and the smallest that holds them |
| ground | a booth as a grid: where pieces can stand and a disc can be, as the bits of whole numbers |
| placing | pieces put back one by one, each where it is best |
| dressing | rugs, table-top pieces and wall pieces for a floor plan |
| search | arrangements made better step by step, always valid |
| exact | loads OR-Tools: the best arrangement of a small booth, proven tier by tier |
| bounding | loads OR-Tools: below what no arrangement of a larger booth can come |
| refusing | why a piece cannot be placed |
| arrange | loads OR-Tools by `exact`: the whole of it, from a booth and pieces to an arrangement with its bounds |

What an arrangement is wished to be and what it comes to is in `domain.arranging`, without a solver.
"""
