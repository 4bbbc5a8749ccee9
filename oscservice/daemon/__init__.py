"""The daemon: the one place where ears, session, journal and OSC are wired together and live."""
