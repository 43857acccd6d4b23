"""The core of the rota: a problem as a value, its model for CP-SAT, a search that stops, and a checker that needs neither.

One general model serves the published staff-scheduling benchmark and a mall's month; what differs is data, never code.

- `problem` is the value: days, people with limits and skills, kinds of turn, cover, requests, what is forbidden, locks, known
  turns before and after, who is apart, together or beside whom, groups and targets with convex costs, weeks, weekends, tiers.
- `sequences` (one person's days: overlaps, rest, runs, breaks, weekends, amounts), `goals` (costs, tier by tier) and `model`
  (the literals, locks, company) make the CP-SAT model. A turn that no single rule allows has no literal at all.
- `solve` takes the tiers in order: a tier's costs enter the model when its turn comes, what the earlier ones reached is a
  constraint, and time that one did not need is the next one's. The draft so far is no hint: led by the linear relaxation the
  search begins near the best. After each tier the turns are held and their costs counted anew, since a search leaves its
  counts loose.
- `conflicts` finds locks and minima that contradict each other (assumptions, made smaller one by one); the draft leaves out
  exactly those and says so. Cover is never hard, so hours that nobody can cover never stop a draft.
- `outcome` holds what a search is told and tells; one worker with a deterministic limit and a seed repeats exactly.
- `checking` judges any rota by other means than the model: hard rules broken, and costs part by part. Tests hold the two
  together, and against every rota of small problems. `uncovered` uses it to say who could stand where, and which rule is in
  the way.
- `instances` reads the benchmark's text.

Only sequences, goals, model, conflicts and solve load OR-Tools (a second, 94 MB); pages use the others. A test keeps it so.
"""
