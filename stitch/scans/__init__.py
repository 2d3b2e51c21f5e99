"""Read scans: find the files, check what came in, give pixels by window."""
