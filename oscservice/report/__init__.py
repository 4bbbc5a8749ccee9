"""What a session came to, as a page a person reads."""
