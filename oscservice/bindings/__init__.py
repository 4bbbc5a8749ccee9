"""The settings file: the daemon's options, foreign messages bound to commands, own values sent to foreign addresses."""
