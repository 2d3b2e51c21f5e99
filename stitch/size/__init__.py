"""Find the painting's edges and measure them against the tape."""
