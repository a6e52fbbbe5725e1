"""Lines to instruments: bytes and messages over a network or a serial port."""
