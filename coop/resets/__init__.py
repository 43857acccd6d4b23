"""Booth resets: pieces, sets to scale, the order of moves, hands and hours, paper."""
