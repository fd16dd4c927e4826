"""``python -m washboard``."""

from washboard.cli import main

if __name__ == "__main__":
    main()
