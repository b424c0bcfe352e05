"""``python -m apertrue``: the same as the command ``apertrue``."""

from .cli import main

if __name__ == "__main__":
    main()
