"""Decide which scan makes each part of the master, and measure the seams."""
