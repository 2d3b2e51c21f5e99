"""Find where every scan lies: features, pairs, one global solve, refinement."""
