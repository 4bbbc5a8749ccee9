"""Plug-ins of other packages: sources of sound, kinds of bridge, listeners to events."""
