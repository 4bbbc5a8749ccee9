"""Recordings on a disk, measured on many cores or a cluster, with a cache."""
