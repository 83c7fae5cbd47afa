"""The REST door: routers, limits, problem handlers. It translates, asks one use case, and translates back."""
