"""``python -m whichcore`` is the command ``whichcore``."""

from whichcore.cli import main

if __name__ == "__main__":
    main()
