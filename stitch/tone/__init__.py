"""Match the tone of the scans from their overlaps."""
