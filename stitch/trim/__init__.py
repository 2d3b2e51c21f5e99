"""A painting's outline made square: what the corners say, and the one resampling it takes."""
