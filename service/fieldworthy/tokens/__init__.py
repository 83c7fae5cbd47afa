"""Tokens of an issuer outside: its keys, and whether it signed a token. Needs the extra `jwt` (joserfc)."""
