"""Texts of prompts: one table, English as shipped, and translations of it."""
