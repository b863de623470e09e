"""What a run leaves to read: the page, its lists and crops, the tables."""
