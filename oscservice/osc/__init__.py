"""Generic OSC: packets, patterns, UDP, TCP, WebSocket, HTTP, subscriptions."""
