"""What is said of the seams by hand: its file, and how a region stays on its paint."""
