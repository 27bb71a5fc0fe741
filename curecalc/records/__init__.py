"""Reading and writing what people keep: documents in TOML, and the logbook."""
