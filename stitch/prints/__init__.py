"""Prints of a finished picture: sizes, how a shape is fitted, names, resizing, writing."""
