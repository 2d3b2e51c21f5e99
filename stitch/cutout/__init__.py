"""The motif of a picture without its ground: where the ground is, how much of it each pixel shows."""
