"""Hearing: from samples to notes, and from a note to its settled pitch."""

ESTIMATOR = 1
"""The estimator's number. Raise it by one when the same samples give another reading, and make the golden vectors again
(``python tests/hearing_vectors.py``). A cache finds nothing that another estimator measured; a baseline made with
another one is marked."""
