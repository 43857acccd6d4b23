"""The dealer's face: views and reads only."""
