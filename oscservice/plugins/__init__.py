"""What other packages add: sources of sound, kinds of bridge, listeners to events."""
