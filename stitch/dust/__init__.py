"""Dust in a finished picture: proven from the scans, proposed from its looks, and mended."""
