"""What a record says, as plain values: from an open job to sections of finished text."""
