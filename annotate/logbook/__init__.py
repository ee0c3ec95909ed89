"""The logbook: every saved reading, append-only, in SQLite or PostgreSQL; docs/logbook.md."""
