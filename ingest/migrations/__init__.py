"""How older databases are brought up to `ingest.schema`."""
