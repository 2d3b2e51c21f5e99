"""Pictures, numbers and the page a painter looks at."""
