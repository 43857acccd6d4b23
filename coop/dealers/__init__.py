"""Members, dealers, users, roles and sign-in."""
