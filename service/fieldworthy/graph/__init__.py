"""The second door: the same answers in GraphQL."""
