"""The chain of steps after the master: what is asked for, and what is kept."""
