"""The Python client: what the service answers, from a script."""
