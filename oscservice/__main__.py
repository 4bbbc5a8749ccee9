"""``python -m oscservice`` is the same as the command ``oscservice``."""

from oscservice.cli.main import main

if __name__ == "__main__":
    main()
