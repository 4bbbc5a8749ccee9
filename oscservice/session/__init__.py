"""The session: a state machine without clock, socket or file. Commands become events, events make the state."""
