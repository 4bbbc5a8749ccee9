"""Advice on a set-up: comparison, decision, correction, causes, and the balance of a spring-balanced bridge."""
