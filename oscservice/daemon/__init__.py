"""The daemon: audio thread, session, journal and OSC server, connected on one event loop."""
