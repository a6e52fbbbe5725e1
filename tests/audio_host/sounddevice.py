"""A host of audio without hardware, in place of the package of this name, for the worker's faults.

What it plays comes back at once on both inputs. WHICHCORE_TEST_HOST says how it misbehaves.
"""

import os
import threading
import time
from types import SimpleNamespace

import numpy as np

FAULT, _, VALUE = os.environ.get("WHICHCORE_TEST_HOST", "").partition(":")
PERIOD = 256
if FAULT == "no library":
    raise OSError("PortAudio library not found")


class PortAudioError(Exception):
    pass


def query_hostapis():
    return [{"name": "plain host"}, {"name": "other host"}]


def query_devices():
    both = {"max_input_channels": 2, "max_output_channels": 2}
    return [
        {"name": "card one: line", "hostapi": 0, **both},
        {"name": "card two: line", "hostapi": 0, **both},
        {"name": "card one: line", "hostapi": 1, **both},
        {"name": "headset", "hostapi": 1, "max_input_channels": 1, "max_output_channels": 2},
    ]


class Stream:
    def __init__(self, *, samplerate, channels, callback, **_options):
        if FAULT == "rate":
            raise PortAudioError("Error opening Stream: Invalid sample rate", -9997)
        if FAULT == "busy":
            raise PortAudioError("Error opening Stream: Device unavailable", -9985)
        if FAULT == "odd":
            raise PortAudioError("Error opening Stream: Unanticipated host error", -9999)
        self.samplerate, self._channels, self._callback = samplerate, channels, callback
        self._open = True

    def start(self):
        if FAULT != "silent":
            threading.Thread(target=self._run, daemon=True).start()

    def close(self):
        self._open = False

    def _run(self):
        read = np.zeros((PERIOD, self._channels[0]), dtype=np.float32)
        played = np.zeros((PERIOD, self._channels[1]), dtype=np.float32)
        heard = 0
        while self._open:
            flags = ("input_underflow", "input_overflow", "output_underflow", "output_overflow")
            status = SimpleNamespace(**dict.fromkeys(flags, False))
            status = _Status(FAULT == "drop-outs" and 0 < heard < int(VALUE), status)
            self._callback(read, played, PERIOD, None, status)
            heard += bool(played.any())
            read[:] = played[:, :1]
            if FAULT == "stall" and heard > 4:
                time.sleep(3600)
            if FAULT == "die" and heard > 4:
                os._exit(9)
            time.sleep(PERIOD / self.samplerate)


class _Status:
    def __init__(self, dropped, names):
        self._dropped = dropped
        self.__dict__.update(vars(names))
        self.input_overflow = dropped

    def __bool__(self):
        return self._dropped
