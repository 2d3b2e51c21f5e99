"""The terminal: arguments in, words and bars out."""
