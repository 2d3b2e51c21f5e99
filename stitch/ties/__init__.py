"""Ties the painter makes by hand: their file, the fine search around a click, and what they pin down."""
