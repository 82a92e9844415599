"""``python -m credkit`` and the script ``credkit``: the command line, loaded so that an interrupt is quiet."""

import sys


def start() -> None:
    """Run the command line; an interrupt before a command runs ends it as one during a command does."""
    try:
        from credkit.cli import main

        main()
    except KeyboardInterrupt:
        print("credkit: interrupted", file=sys.stderr)
        sys.exit(130)


if __name__ == "__main__":
    start()
