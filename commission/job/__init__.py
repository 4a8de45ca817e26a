"""The job file: its log, and job definitions in TOML."""
