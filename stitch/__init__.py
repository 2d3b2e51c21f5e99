"""Join overlapping flatbed scans of one painting into a checked, seamless master."""

__version__ = "0.1.0"
