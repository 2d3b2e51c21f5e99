"""Pure array numerics shared by the rooms."""
