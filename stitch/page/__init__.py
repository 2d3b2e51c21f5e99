"""The page on which ties are made by hand."""
