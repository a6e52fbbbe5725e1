"""Time the start of the command line against that of its parser alone, and weigh an installation.

Usage: python benchmarks/start_and_size.py [--runs R] [--size FOLDER]

`whichcore --help` is compared with a bare ``import click`` in turns, so that both see the same machine; the
median of the ratios is the gate. No numpy, scipy, matplotlib, pydantic or rich may be imported on the way.
With ``--size`` the disk space that the core dependencies add to a bare virtual environment is a second
gate. Exits 1 when a gate fails.
"""

from __future__ import annotations

import argparse
import os
import platform
import subprocess
import sys
import time
from pathlib import Path
from statistics import median

GATE_RATIO = 3.0
GATE_MB = 450.0
BLOCK = 4096
BARE_PARTS = ("pip", "setuptools", "pkg_resources", "_distutils_hack")  # of a new virtual environment
HEAVY = ("numpy", "scipy", "matplotlib", "pydantic", "rich", "pyvisa")
HELP = "import sys; sys.argv = ['whichcore', '--help']; from whichcore.cli import main; main()"
BARE = "import click"
LOADED = f"""
import atexit
atexit.register(lambda: print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr))
{HELP}
"""


def seconds(code: str) -> float:
    """Return how long a fresh interpreter takes for some code."""
    start = time.perf_counter()
    subprocess.run([sys.executable, "-c", code], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def start(runs: int) -> bool:
    """Print the times and return whether the gate of their ratio holds."""
    seconds(HELP)  # fills the byte-code cache, as an installation does
    pairs = [(seconds(HELP), seconds(BARE)) for _ in range(runs)]
    ratio = median(whole / bare for whole, bare in pairs)
    print(f"whichcore --help   {1000 * median(whole for whole, _ in pairs):7.1f} ms")
    print(f"import click       {1000 * median(bare for _, bare in pairs):7.1f} ms")
    return report("ratio", ratio, GATE_RATIO)


def heavy_imports() -> bool:
    """Print what heavy packages the help text imports and return whether it is none."""
    done = subprocess.run([sys.executable, "-c", LOADED], check=True, capture_output=True, text=True)
    found = done.stderr.strip()
    print(f"heavy imports      {found}  gate []  {'ok' if found == '[]' else 'FAILED'}")
    return found == "[]"


def size(folder: Path) -> bool:
    """Print the disk space that the installation adds to a bare environment, and judge it by its gate.

    Counted in whole blocks; what every new environment brings is told beside it.
    """
    own = bare = 0
    for path in folder.rglob("*"):
        blocks = -(-path.lstat().st_size // BLOCK) * BLOCK
        of_bare = any(part.startswith(BARE_PARTS) for part in path.relative_to(folder).parts)
        bare, own = (bare + blocks, own) if of_bare else (bare, own + blocks)
    print(f"bare environment  {bare / 1e6:8.2f} MB")
    return report("installed MB", own / 1e6, GATE_MB)


def report(name: str, value: float, gate: float) -> bool:
    """Print one gate and return whether it holds."""
    print(f"{name:<18} {value:7.2f}     gate ≤ {gate:g}  {'ok' if value <= gate else 'FAILED'}")
    return value <= gate


def main() -> int:
    """Run every gate asked for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=7)
    parser.add_argument("--size", type=Path, metavar="FOLDER", help="virtual environment to weigh")
    args = parser.parse_args()
    print(f"Python {platform.python_version()}, {platform.machine()}, {os.cpu_count()} processors")
    held = [start(args.runs), heavy_imports()]
    if args.size is not None:
        held.append(size(args.size))
    return 0 if all(held) else 1


if __name__ == "__main__":
    sys.exit(main())
