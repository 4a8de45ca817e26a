"""Files and devices on their way in and out."""
