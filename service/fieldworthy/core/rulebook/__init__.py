"""Rulebooks: from a document's text to a checked rulebook, its digest, and what differs between two."""
