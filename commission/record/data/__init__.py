"""Results, settings sheet and checks as JSON, CSV and text."""
