"""All statements of a mall's month in one file for printing."""
