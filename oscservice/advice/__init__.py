"""Advice on a set-up: comparison, decision, correction, causes, and the balance of a floating bridge."""
