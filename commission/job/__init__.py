"""The job on disk: its log, and its definition in TOML."""
