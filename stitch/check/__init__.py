"""What can be seen of scans in seconds, while the painting still lies there: pure checks on small copies and facts."""
