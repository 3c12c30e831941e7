"""Where a store is, and what its two engines, SQLite and PostgreSQL, do each in their own way."""
