"""Regression checks: what recordings say, held against tolerances and a baseline."""
