"""A booth re-laid, computed purely: what fits, in which order it moves, by how many hands, and in how many hours.

Lengths are whole sixteenths of an inch (`_in16`), weights whole ounces (`_oz`), angles whole degrees.

| part | what it does |
| --- | --- |
| piece, booth, finding, caution, weight | the values everything here takes; weights read and said |
| proposing | a booth as a floor plan has it |
| fit, elevation | what is wrong with an arrangement; a side seen square on |
| arranging | what an arrangement is wished to be, and what it comes to |
| order | in which order pieces leave and come |
| lift, tip | hands of a lift; what may tip, lean badly or is glass near an edge |
| kit | what to bring, and tags to write |
| way | what passes between booth and van |
| loads, load_rows, load_trips | trips of a van, and how things stand in it |
| hours, logged | tasks, their minutes, and days that hold them; what logged times correct |
| season, bookings | dates worked back from a day; who has a place of the mall, and when it is free |
"""
