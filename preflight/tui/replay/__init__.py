"""A record stepped through again, entry by entry, with the screen as it stood. It only reads."""
