"""Reading and writing files, and playing and recording on devices."""
