"""The demo's world: an invented contractor, four machines of an invented make, and the rulebooks they are kept by."""
