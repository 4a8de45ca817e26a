"""The content of a record as plain values: turns an open job into sections of finished text."""
