"""How to lay a painting on the bed: pieces, overlaps and order, and what a plan comes to in pixels and prints."""
