"""``python -m whichcore.rig.soundcard``: the addresses of the sound cards that are there."""

from __future__ import annotations

import sys

from whichcore.errors import WhichcoreError
from whichcore.rig.soundcard.worker import load_portaudio


def main() -> int:
    """Print a line for each device with its channels."""
    try:
        sound = load_portaudio()
    except WhichcoreError as error:
        sys.stderr.write(f"{error.one_line()}\n")
        return error.exit_code
    hosts = sound.query_hostapis()
    for device in sound.query_devices():
        ends = f"{device['max_input_channels']} in, {device['max_output_channels']} out"
        sys.stdout.write(f"{hosts[device['hostapi']]['name']}: {device['name']}  ({ends})\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
