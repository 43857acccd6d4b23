"""The hours of a reset: its tasks, how long they may take, who does them when, and what a day holds.

| part | what it does |
| --- | --- |
| estimate | three estimates of a task, and the chance that a row of tasks is done by a time |
| tasks | the tasks of moves and smalls, each after what it waits for |
| project | tasks as work that wants hands and room, and a schedule of it |
| schedule | a schedule by lists, and what no schedule can beat; the better one is `solving.schedule`'s, handed in |
| day | who is there, who does what, and the odds of a day's end |
| days | what a day holds, and what is left for the next |
"""
