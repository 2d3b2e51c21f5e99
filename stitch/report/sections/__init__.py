"""The parts of the page, one file each."""
