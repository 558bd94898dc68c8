"""The roles an instrument can play on the bench, one role a file."""
