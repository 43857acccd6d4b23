"""The hours of a reset: its tasks, how long they may take, who does them when, and what a day holds."""
