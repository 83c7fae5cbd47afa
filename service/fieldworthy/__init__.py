"""Fieldworthy: rulebooks for the upkeep of farm machinery, and the answers drawn from them.

Importing this package pulls in no web framework and no database: those are the doors' and the store's.
"""

__version__ = "0.1.0"
