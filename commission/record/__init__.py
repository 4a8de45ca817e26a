"""What others read: results, settings sheet, record."""
