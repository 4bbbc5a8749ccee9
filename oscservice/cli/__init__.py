"""Commands for a person and for scripts. Exit codes are those of ``oscservice.errors``."""

from oscservice.cli.main import main

__all__ = ["main"]
