"""Output for others: results, settings sheet, record."""
