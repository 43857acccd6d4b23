"""`python -m coop`: the command, where no script of that name is on the path."""

from __future__ import annotations

from coop.cli import main

if __name__ == "__main__":
    main()
