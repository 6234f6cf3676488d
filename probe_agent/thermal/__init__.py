"""What the engine is doing and will do. Numbers in, numbers out: no I/O, no clock, no logging."""
