"""Hand-over: the package for the authority that manages the reserve, what changed since the last, and the record."""
