"""Move-out and move-in: in which order pieces leave and come so that none is blocked, and by which way each goes.

`plan` is the entry: plan_order, replan, safe_stops. `ground` and `moves` hold its values. Below them: `boxes` (turned boxes,
and pushing one among others), `grid` (places and turns as bits, floods), `reach` (a way for one piece past what stands),
`removal` (taking pieces off a floor), `both` (two sets on one floor: the search), `staging` (room on staging floor), `bound`
(the fewest stagings any order needs), `knots` (why there is no order), `hands` (what is lifted off, put on and rolled out),
`hanging` (what hangs in the way), `straight` and `wording` (a way as it is walked, a move as it is told). A planning aid:
every figure of it stands beside the caution.
"""
