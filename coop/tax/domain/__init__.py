"""Tax, computed purely: the same ticket, date and rules give the same tax at the desk, in a test and ten years on.

`rules` says what jurisdictions tax, `ticket` what is sold and what it is charged, `compiled` makes a stack ready for a day,
`compute` taxes a ticket, `refund` gives tax back from what was charged, `layaway` says when a layaway is taxed, `rate_files` and
`boundary_files` read Streamlined files, `proposals` compares a file with what is stored, `returns` builds what is filed,
`duedates` says when. `terms` reads rules as they are stored, `ticket_json` a ticket as `coop tax compute` takes it.
"""
