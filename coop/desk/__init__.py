"""The desk: who is on, who comes today, what is done at opening and closing, whom to call."""
