"""``python -m credkit``: the command line."""

from credkit.cli import main

if __name__ == "__main__":
    main()
