"""Recordings on a disk and what is measured in them."""
