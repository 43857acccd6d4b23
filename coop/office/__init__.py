"""The manager's face: views and reads only."""
