"""The store: tables, transactions and repositories over SQLAlchemy. It keeps, it does not judge; no row leaves this room."""
