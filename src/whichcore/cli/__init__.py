"""The command line.

Only light modules are imported here: a command's own module, with numpy and rich behind it, is imported when
the command is used.
"""

from whichcore.cli.entry import main

__all__ = ["main"]
