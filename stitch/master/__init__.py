"""Write the master TIFF, read it back, describe it."""
