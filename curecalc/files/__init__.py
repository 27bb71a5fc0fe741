"""What people keep on disk: strict tables, documents in TOML and JSON, one reader, one atomic writer."""
