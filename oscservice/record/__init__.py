"""The record: the journal of events, its copies in JSON Lines, and kept sound."""
