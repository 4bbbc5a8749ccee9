"""Regression checks: recordings compared with tolerances and a baseline."""
