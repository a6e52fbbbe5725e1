"""The process that holds the audio stream: ``python -m whichcore.rig.soundcard.worker SETTINGS``.

It prints one JSON line when the stream runs, plays and records what its standard input asks for, and ends
when that closes; the output is silent whenever nothing is asked. While a take runs it tells every fifth of a
second how long ago the host last called, so that whoever waits can give up on a dead audio server and kill
this process: the server's own functions would hang.

A request is a JSON line, ``{"play": frames, "take": number}`` followed by frames × output channels float32,
or ``{"stop": number}``. An answer is a JSON line, ``{"done": …, "bytes": n}`` followed by the record, frames
× 2 float32, which a stopped take has none of.
"""

from __future__ import annotations

import json
import os
import queue
import signal
import sys
import threading
import time
from typing import IO, Any

import numpy as np

from whichcore.errors import InstrumentError, WhichcoreError
from whichcore.rig.soundcard.choice import choose
from whichcore.rig.soundcard.stream import Player, Take

BEAT_S = 0.2
FIRST_CALL_S = 5.0
END_S = 1.0
SILENT_CALLS = 3  # of the host, until what was faded out has left it
SILENCE_S = 1.0  # waited for that at most

_BAD_RATE, _BUSY, _CHANNELS = -9997, -9985, -9998  # PortAudio's error numbers (portaudio.h)


def main() -> None:
    """Serve until standard input closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C goes to all of a terminal; the parent ends this one
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # libraries of the host write where they like
    try:
        server = _Server(json.loads(sys.argv[1]), answers)
    except WhichcoreError as error:
        _say(answers, {"error": error.to_dict()})
        sys.exit(error.exit_code)
    server.serve()
    server.end()
    os._exit(0)  # a hanging host must not keep the process


class _Server:
    """The stream, and who asks for it."""

    def __init__(self, settings: dict[str, Any], answers: IO[bytes]) -> None:
        self._answers = answers
        self._columns = len(settings["output_channels"])
        self._player, self._stream = _open(settings)
        self._requests: queue.Queue[tuple[int, bytes] | None] = queue.Queue()
        self._stopped = -1  # number of the last take that was to stop
        self._ending = False

    def serve(self) -> None:
        """Answer requests until there are none."""
        if not self._called():
            _say(self._answers, {"error": _silent_host().to_dict()})
            return
        _say(self._answers, {"ready": True, "rate_hz": float(self._stream.samplerate)})
        threading.Thread(target=self._listen, daemon=True).start()
        while (request := self._requests.get()) is not None:
            number, payload = request
            output = np.frombuffer(payload, dtype=np.float32).reshape(-1, self._columns)
            self._play(number, self._player.begin(output))

    def end(self) -> None:
        """Let the silence reach the card, then close; a host that hangs is left alone."""
        self._await_silence()
        closing = threading.Thread(target=self._stream.close, daemon=True)
        closing.start()
        closing.join(END_S)

    def _called(self) -> bool:
        until = time.monotonic() + FIRST_CALL_S
        while self._player.calls == 0 and time.monotonic() < until:
            time.sleep(0.005)
        return self._player.calls > 0

    def _play(self, number: int, take: Take) -> None:
        """Wait for a take and hand it over."""
        if self._ending or self._stopped == number:
            self._player.stop()
        while not take.done.wait(BEAT_S):
            _say(self._answers, {"age_s": self._player.age_s, "position": take.position})
        if take.stopping:
            self._await_silence()
        record = b"" if take.stopping else take.record.tobytes()
        head = {"done": True, "flags": sorted(take.flags), "bytes": len(record)}
        _say(self._answers, head, record)

    def _await_silence(self) -> None:
        """Wait until the host has asked for more than what was faded out."""
        wanted, until = self._player.calls + SILENT_CALLS, time.monotonic() + SILENCE_S
        while self._player.calls < wanted and time.monotonic() < until:
            time.sleep(0.002)

    def _listen(self) -> None:
        pipe = sys.stdin.buffer
        while line := pipe.readline():
            command = json.loads(line)
            if "stop" in command:
                self._stopped = int(command["stop"])
                self._player.stop()
            else:
                payload = pipe.read(4 * self._columns * int(command["play"]))
                self._requests.put((int(command["take"]), payload))
        self._ending = True
        self._player.stop()
        self._requests.put(None)


def _say(answers: IO[bytes], head: dict[str, Any], payload: bytes = b"") -> None:
    try:
        answers.write(json.dumps(head).encode() + b"\n" + payload)
        answers.flush()
    except OSError:
        os._exit(0)  # whoever asked is dead


def _open(settings: dict[str, Any]) -> tuple[Player, Any]:
    """Start the stream; raises InstrumentError."""
    sound = load_portaudio()
    hosts, devices = sound.query_hostapis(), sound.query_devices()
    places = (
        choose(settings["input"], "input", hosts, devices),
        choose(settings["output"], "output", hosts, devices),
    )
    channels = (max(settings["input_channels"]), max(settings["output_channels"]))
    for side, place, wanted in zip(("input", "output"), places, channels, strict=True):
        there = devices[place][f"max_{side}_channels"]
        if wanted > there:
            raise InstrumentError(
                f"the card has no such {side} channel",
                where=settings[side],
                got=f"{wanted}",
                allowed=f"1 to {there}",
                next_step="correct the channels in bench.toml, or take the device that has two line inputs",
            )
    player = Player(
        tuple(channel - 1 for channel in settings["output_channels"]),
        (settings["input_channels"][0] - 1, settings["input_channels"][1] - 1),
    )
    host = str(hosts[devices[places[0]]["hostapi"]]["name"])
    try:
        stream = sound.Stream(
            samplerate=settings["rate_hz"],
            device=places,
            channels=channels,
            dtype="float32",
            latency="high",
            clip_off=True,
            dither_off=True,
            extra_settings=_never_convert(sound, host),
            callback=player,
        )
        stream.start()
    except (sound.PortAudioError, ValueError) as error:
        raise _refused(settings, error) from None
    return player, stream


def load_portaudio() -> Any:
    """Import ``sounddevice``; raises InstrumentError where it or PortAudio is not there."""
    try:
        import sounddevice  # noqa: PLC0415 - an extra; and JACK is listed only if its server answers by now
    except (ImportError, OSError) as error:
        missing = isinstance(error, ImportError)
        step = "pip install 'whichcore[sound]'" if missing else "on Debian: apt install libportaudio2"
        raise InstrumentError(
            "the sound card cannot be spoken to",
            where="sound",
            got="no package sounddevice" if missing else "no PortAudio library",
            next_step=step,
        ) from None
    return sounddevice


def _never_convert(sound: Any, host: str) -> Any:
    """Return what keeps the host from converting the sample rate, where it can be told."""
    if "WASAPI" in host:
        return sound.WasapiSettings(exclusive=True)
    if "Core Audio" in host:
        return sound.CoreAudioSettings(change_device_parameters=True, fail_if_conversion_required=True)
    return None


def _refused(settings: dict[str, Any], error: Exception) -> InstrumentError:
    number = error.args[1] if len(error.args) > 1 else None
    where = settings["output"]
    if number == _BAD_RATE:
        return InstrumentError(
            "the card refuses the sample rate",
            where=where,
            got=f"{settings['rate_hz']:g} Hz",
            next_step="set sample_rate in bench.toml to one it has, or its server to this one",
        )
    if number == _BUSY:
        return InstrumentError(
            "the card is busy or gone",
            where=where,
            next_step="close other programs that use it, and see that it is connected",
        )
    what = "the card has not as many channels" if number == _CHANNELS else "the card cannot be opened"
    return InstrumentError(
        what, where=where, got=str(error.args[0]), next_step="see docs/how-to/use-a-sound-card.md"
    )


def _silent_host() -> InstrumentError:
    return InstrumentError(
        "the audio server does not call",
        where="sound",
        got=f"no call within {FIRST_CALL_S:g} s",
        next_step="restart the audio server, or pull the card out and plug it in again",
    )


if __name__ == "__main__":
    main()
