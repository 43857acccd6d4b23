"""The geometry of a mall's plan, computed purely: what stands where, whether people get by, and what to tell them.

`plan` is a plan as a value and what cannot be drawn; `walkable` its floor; `chords` the length of a narrow stretch; `clear_width`
where a disc gets to; `reach`, `aisles`, `overlaps`, `turning` each judge one thing and give a `finding`; `findings` judges all.
`corner` says what goes round a corner, `areas` what an outline holds.
"""
