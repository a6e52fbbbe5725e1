"""Everything that touches hardware: instruments, the sweep, and the virtual bench."""
