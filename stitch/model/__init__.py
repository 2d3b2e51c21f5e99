"""The records that travel between rooms."""
