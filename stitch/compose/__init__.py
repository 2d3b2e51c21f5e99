"""Make the master's pixels, window by window."""
