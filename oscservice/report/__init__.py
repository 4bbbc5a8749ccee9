"""Reports of a session, and drawings of an instrument over months."""
