"""The settings file: what the daemon is started with, and what is bound to what."""
